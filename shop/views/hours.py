"""Quoted against actual: what the bench really needed, and the price list that learns from it."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from shop.access import OWNER, PersonRequest, allowed
from shop.core.hours import ENOUGH_JOBS, Learned
from shop.documents.hours import RatioRow, ratio_dots
from shop.models import Operation
from shop.workflow.hours import lessons, minutes_learn
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def hours_learn(request: PersonRequest) -> HttpResponse:
    """Every operation that finished jobs have booked hours for; one proposal is taken over, or all."""
    if request.method == "POST":
        try:
            taken = minutes_learn(request.POST.getlist("code"), by=request.user)
        except Refused as refusal:
            messages.error(request, str(refusal))
        else:
            messages.success(request, _("The price list has new minutes for: %(work)s.") % {"work": ", ".join(taken)})
        return redirect("hours_learn")
    rows = lessons(timezone.localdate())
    context = {
        "rows": rows,
        "wide": _drawing(rows, "ratios", width=720),
        "narrow": _drawing(rows, "ratios-narrow", width=340),
        "enough": ENOUGH_JOBS,
        "proposals": [operation.code for operation, lesson in rows if lesson.proposal is not None],
    }
    return render(request, "shop/hours/learn.html", context)


def _drawing(rows: list[tuple[Operation, Learned]], uid: str, *, width: int) -> SafeString:
    said = (
        ngettext(
            "%(work)s: %(count)d job, median %(median).2f times what is quoted",
            "%(work)s: %(count)d jobs, median %(median).2f times what is quoted",
            lesson.jobs,
        )
        % {"work": row.title, "count": lesson.jobs, "median": lesson.median}
        for row, lesson in rows
    )
    svg = ratio_dots(
        [RatioRow(row.title, lesson.ratios, lesson.median, lesson.low, lesson.high) for row, lesson in rows],
        uid=uid,
        title=_("Actual against quoted minutes"),
        description="; ".join(said),
        width=width,
    )
    return mark_safe(svg)  # nosec B308 B703 (our own drawing; every word in it is escaped)

"""Old readings: a spreadsheet kept by hand becomes a check of the set, and nothing in it is lost on the way."""

import datetime
from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from keyboards.core.columns import quantities_of, read_columns
from keyboards.core.sheet import SheetFile
from keyboards.forms.old import OldReadingsForm
from keyboards.forms.readings import FileForm
from keyboards.models import Check
from keyboards.views.readings import refused_lines
from keyboards.words import sentence
from keyboards.workflow.checks import check_begin
from shop.access import TECHNICIAN, PersonRequest, allowed, job_for
from shop.models import Job
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def old_readings(request: PersonRequest, number: int) -> HttpResponse:
    """First the file, then what its columns mean with all that is wrong in its rows, then the check with what is good.

    What is not good comes back as lines on the page of readings from a file, to be put right there.
    """
    job = job_for(number, Job.objects.select_related("client", "instrument", "compass"))
    context: dict[str, Any] = {"job": job, "heading": _("Old readings")}
    compass = getattr(job, "compass", None)
    if compass is None:
        return render(request, "keyboards/checks/no_keys.html", context)
    form = (
        OldReadingsForm(request.POST, request.FILES, job=job) if request.method == "POST" else OldReadingsForm(job=job)
    )
    if not form.is_bound:
        return render(request, "keyboards/readings/old.html", {**context, "form": form})
    valid = form.is_valid()
    if form.table is None:
        return render(request, "keyboards/readings/old.html", {**context, "form": form})
    sheet = read_columns(form.table, form.meanings, compass.keys)
    shown = {"form": form, "text": form.cleaned_data["lines"]}
    if sheet.problem:
        form.add_error(None, sentence(sheet.problem))
    elif valid:
        try:
            check, bad = _bring(job, form, sheet, request, trial="keep" not in request.POST)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            good = len(sheet.lines) - len(bad)
            left = [(sheet.lines[index], why) for index, why in sorted(bad.items())]
            shown |= {"looked": True, "good": good, "bad": left}
            if check is not None:
                words = ngettext("%(count)d cell brought in.", "%(count)d cells brought in.", good)
                messages.success(request, words % {"count": good})
                if not left:
                    return redirect("check_detail", number, check.pk)
                text = "\n".join([sheet.header, *(line.text for line, _why in left)])
                shown |= {"check": check, "kept": True, "form": FileForm(initial={"text": text})}
                shown["action"] = reverse("check_csv_read", args=[number, check.pk])
                return render(request, "keyboards/readings/file.html", {**context, **shown})
    return render(request, "keyboards/readings/old.html", {**context, **shown})


def _bring(
    job: Job, form: OldReadingsForm, sheet: SheetFile, request: PersonRequest, *, trial: bool
) -> tuple[Check | None, dict[int, str]]:
    """The check with the good lines and why each other one is not kept. On trial all is done and taken back."""
    noon = datetime.datetime.combine(form.cleaned_data["read_on"], datetime.time(12))
    read_at = min(timezone.make_aware(noon), timezone.now())
    with transaction.atomic():
        check = check_begin(
            job=job,
            kind=form.cleaned_data["kind"],
            by=request.user,
            quantities=quantities_of(form.meanings),
            note=form.cleaned_data["origin"],
            read_at=read_at,
        )
        bad = {index: sentence(line.problem) for index, line in enumerate(sheet.lines) if line.problem}
        bad |= refused_lines(check, sheet.lines, bad, by=request.user, taken_at=read_at)
        if len(bad) == len(sheet.lines) and not trial:
            raise Refused(_("No cell is good yet: put right what is named first."))
        if trial:
            transaction.set_rollback(True)
    return (None if trial else check), bad

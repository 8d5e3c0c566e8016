"""Tools for the bench: an index, and one page each, free or on a set."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from keyboards.core.errors import MeasurementError
from keyboards.reckoning import TOOLS, known_of, typical_count
from shop.access import PersonRequest, allowed
from shop.core import tags
from shop.core.errors import MeasurementError as TagError
from shop.htmx import page_or_part
from shop.models import Job


@require_safe
@allowed()
def tools(request: PersonRequest) -> HttpResponse:
    """What there is to reckon with."""
    job, trouble = _job(request)
    return render(request, "keyboards/tools/list.html", {"tools": list(TOOLS.values()), "job": job, "trouble": trouble})


@require_safe
@allowed()
def tool_detail(request: PersonRequest, slug: str) -> HttpResponse:
    """One tool: its question, its answer, how it is reckoned and where that is from."""
    if slug not in TOOLS:
        raise Http404
    tool = TOOLS[slug]
    job, trouble = _job(request)
    known = known_of(job)
    form = tool.form(request.GET.dict(), unit=request.user.units, known=tool.known(known))
    result = None
    if form.is_valid():
        try:
            result = tool.answer(form, known)
        except MeasurementError as error:
            form.refuse(error)
    context = {
        "tool": tool,
        "form": form,
        "result": result,
        "job": job,
        "trouble": trouble,
        "keys_read": typical_count(known),
    }
    return page_or_part(request, "keyboards/tools/detail.html", context, part="tool")


def _job(request: PersonRequest) -> tuple[Job | None, str]:
    """The set named in the address, and what is wrong with its name."""
    named = request.GET.get("job", "").strip()[:40]
    if not named:
        return None, ""
    try:
        job = Job.objects.select_related("client", "instrument").filter(number=tags.parse_job_tag(named)).first()
    except TagError:
        job = None
    return job, "" if job else _("There is no set %(tag)s. The tool works without.") % {"tag": named[:20]}

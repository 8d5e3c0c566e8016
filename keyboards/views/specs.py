"""The spec of a set's buttons, and bought parts held against it."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from keyboards.advising import assumptions_for
from keyboards.drafting import standings
from keyboards.forms.specs import PartForm, SpecForm
from keyboards.models import BoughtPart
from keyboards.specifying import keys_to_cut, set_readings
from keyboards.specpage import SpecPage, begin_with, sign_svg, spec_page
from keyboards.workflow.specs import part_keep
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for
from shop.cautions import CAUTIONS
from shop.htmx import page_or_part
from shop.models import Job
from shop.workflow.refusal import Refused


@require_safe
@allowed()
def spec(request: PersonRequest, number: int) -> HttpResponse:
    """What the buttons of this set are cut to, and every bought part held against them."""
    job = job_for(number, Job.objects.select_related("client", "instrument"))
    readings = set_readings(job)
    keys, why = keys_to_cut(job, readings)
    context = {
        "job": job,
        "readings": readings,
        "why": why,
        "caution": CAUTIONS["drawing"],
        "drawings": standings(job, request.user.units, readings) if readings.compass else [],
        "asked": request.GET.items(),
    }
    if readings.compass is None:
        return render(request, "keyboards/specs/detail.html", context)
    assumed = assumptions_for(job)
    form = SpecForm(
        request.GET.dict(),
        unit=request.user.units,
        known=begin_with(readings, keys, assumed),
        compass=readings.compass,
    )
    page: SpecPage | None = None
    if readings.present and form.is_valid():
        page = spec_page(
            readings, form, assumed, list(BoughtPart.objects.filter(job=job)), chosen=request.GET.get("group", "")
        )
    return page_or_part(request, "keyboards/specs/detail.html", {**context, "form": form, "page": page}, part="spec")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def part_new(request: PersonRequest, number: int) -> HttpResponse:
    """The figures of a part that was bought."""
    return _part(request, job_for(number, Job.objects.select_related("client", "instrument")), None)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def part_edit(request: PersonRequest, number: int, part_id: int) -> HttpResponse:
    """A part's figures, put right."""
    job = job_for(number, Job.objects.select_related("client", "instrument"))
    return _part(request, job, fetch(BoughtPart.objects.filter(job=job), pk=part_id))


def _part(request: PersonRequest, job: Job, part: BoughtPart | None) -> HttpResponse:
    sent = request.method == "POST"
    form = PartForm.of(part, request.POST.dict() if sent else {}, unit=request.user.units)
    if sent and form.is_valid():
        try:
            part_keep(
                job=job,
                by=request.user,
                title=form.cleaned_data["title"],
                wood=form.cleaned_data["wood"],
                figures=form.figures(),
                part=part,
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Kept."))
            return redirect("spec", job.number)
    elif not sent:
        form.show_unasked()
    return render(
        request, "keyboards/specs/part.html", {"job": job, "part": part, "form": form, "sign": sign_svg(form.unit)}
    )

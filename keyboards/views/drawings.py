"""Button drawings: taken away as PDF, DXF or a list; each version as it stood."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from keyboards import drafting
from keyboards.advising import assumptions_for
from keyboards.documents.drawing import drawing_pdf
from keyboards.forms.specs import SpecForm
from keyboards.specifying import keys_to_cut, set_readings, spec_of
from keyboards.specpage import begin_with
from keyboards.workflow.drawings import drawing_make
from shop.access import TECHNICIAN, PersonRequest, allowed, job_for
from shop.documents.pdf import pdf_response
from shop.downloads import download
from shop.models import Job


@require_POST
@allowed(TECHNICIAN)
def drawing_new(request: PersonRequest, number: int) -> HttpResponse:
    """Makes a version of what the spec says now, with what the spec page was asked (its own address sends it)."""
    job = job_for(number, Job.objects.select_related("client", "instrument"))
    readings = set_readings(job)
    if readings.compass is None:
        raise Http404
    assumed = assumptions_for(job)
    keys, _why = keys_to_cut(job, readings)
    form = SpecForm(
        request.POST.dict(),
        unit=request.user.units,
        known=begin_with(readings, keys, assumed),
        compass=readings.compass,
    )
    if not form.is_valid():
        messages.error(request, _("The spec needs a look first: what it was asked cannot be."))
        return redirect("spec", number)
    data = form.cleaned_data
    spec = spec_of(
        readings, data["keys"], mortise_length=data["mortise_length"], follows=data["follows"], assumed=assumed
    )
    if not spec.groups:
        messages.error(request, _("Nothing can be drawn yet: sizes are missing. The spec says which."))
        return redirect("spec", number)
    drawing = drawing_make(job=job, contents=drafting.contents_of(spec, data, assumed), by=request.user)
    messages.success(request, _("Drawing %(version)d is ready below.") % {"version": drawing.version})
    return redirect("spec", number)


def _standing(request: PersonRequest, number: int, version: int) -> drafting.Standing:
    job = job_for(number, Job.objects.select_related("client", "instrument"))
    found = drafting.standing(job, request.user.units, version)
    if found is None:
        raise Http404
    return found


@require_safe
@allowed()
def drawing_paper(request: PersonRequest, number: int, version: int) -> HttpResponse:
    """One version on paper, marked where it does not hold any more."""
    standing = _standing(request, number, version)
    name = f"{standing.drawing.job.tag}-drawing-{version}.pdf"
    return pdf_response(drawing_pdf(standing, request.user.units), name)


@require_safe
@allowed()
def drawing_file(request: PersonRequest, number: int, version: int) -> HttpResponse:
    """The same for a machine: DXF in millimetres."""
    standing = _standing(request, number, version)
    return download(drafting.as_dxf(standing), f"{standing.drawing.job.tag}-drawing-{version}.dxf")


@require_safe
@allowed()
def drawing_list(request: PersonRequest, number: int, version: int) -> HttpResponse:
    """The same as a table of what to cut."""
    standing = _standing(request, number, version)
    return download(drafting.as_csv(standing), f"{standing.drawing.job.tag}-drawing-{version}.csv")

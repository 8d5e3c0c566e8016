"""The caul that shaped the cloth, noted at the stage where the cloth is put in."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from keyboards.forms.cauls import CaulForm
from keyboards.workflow.cauls import cauls_keep
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def cauls_used(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Notes the final caul of each rail."""
    job = job_for(number)
    stage = fetch(job.stages.all(), pk=stage_id)
    if stage.kind != "cloth":
        raise Http404
    form = CaulForm(request.POST or None, job=job, unit=request.user.units)
    if request.method == "POST" and form.is_valid():
        try:
            cauls_keep(job, form.widths, by=request.user)
        except Refused as refusal:
            messages.error(request, str(refusal))
        else:
            messages.success(request, _("Kept with the set."))
        return redirect("stage_detail", number, stage_id)
    return render(request, "keyboards/cauls/edit.html", {"job": job, "stage": stage, "caul_form": form, "may": True})

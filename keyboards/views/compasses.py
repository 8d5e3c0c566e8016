"""The keys of a set, put right."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from keyboards.forms.compasses import CompassForm
from keyboards.models import Compass
from keyboards.workflow.compasses import compass_set
from shop.access import PersonRequest, allowed, job_for
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def compass_edit(request: PersonRequest, number: int) -> HttpResponse:
    """First note, count, missing and broken keys."""
    job = job_for(number)
    compass = Compass.objects.filter(job=job).first() or Compass(job=job)
    form = CompassForm.of(compass, request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        names = ("first_midi", "count", "missing", "broken", "stamps")
        try:
            compass_set(job=job, by=request.user, **{name: form.cleaned_data[name] for name in names})
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Kept."))
            at_count = job.stage == "count_in"
            return redirect("job_count_in" if at_count else "job_detail", number)
    return render(request, "keyboards/compasses/edit.html", {"job": job, "form": form})

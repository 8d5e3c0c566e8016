"""What came back of a set that had gone home."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from keyboards.forms.comebacks import ComebackForm
from keyboards.models import Comeback
from keyboards.views.checks import compass_for
from keyboards.workflow.comebacks import TwiceOnADay, comeback_keep
from shop.access import DESK, TECHNICIAN, PersonRequest, allowed, fetch, job_for
from shop.htmx import page_or_part
from shop.models import Job
from shop.workflow.refusal import Refused


def _page(request: PersonRequest, job: Job, comeback: Comeback) -> HttpResponse:
    known = comeback if comeback.pk else None
    twice = ""
    form = ComebackForm(request.POST or None, instance=known, job=job, compass=compass_for(job))
    if request.method == "POST" and form.is_valid():
        try:
            comeback_keep(comeback, by=request.user, **form.cleaned_data)
        except TwiceOnADay as question:
            twice = str(question)
        except Refused as refusal:
            form.add_error("reported_on", str(refusal))
        else:
            messages.success(request, _("Written down."))
            return redirect("job_detail", job.number)
    context = {"job": job, "form": form, "comeback": known, "twice": twice}
    return page_or_part(request, "keyboards/comebacks/edit.html", context)


def _job(number: int) -> Job:
    return job_for(number, Job.objects.select_related("client", "instrument", "compass").prefetch_related("stages"))


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK, TECHNICIAN)
def comeback_add(request: PersonRequest, number: int) -> HttpResponse:
    """Writes down that keys of a set came back."""
    job = _job(number)
    return _page(request, job, Comeback(job=job))


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK, TECHNICIAN)
def comeback_edit(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """Corrects it, and tells what was done about it."""
    job = _job(number)
    comeback = fetch(Comeback.objects.all(), pk=pk, job=job)
    comeback.job = job
    return _page(request, job, comeback)

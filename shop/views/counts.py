"""Keys and boxes counted by hand: in, in between, before a set goes away, when it comes back."""

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shop.access import PersonRequest, allowed, job_for
from shop.forms.counts import AwayForm, CountAgainForm, CountInForm
from shop.models import Count, Job
from shop.workflow import counts
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def job_count_in(request: PersonRequest, number: int) -> HttpResponse:
    """Keys and boxes counted by hand against what was logged in."""
    job = job_for(number)
    form = CountInForm(request.POST if request.method == "POST" else None)
    differs = False
    if form.is_bound and form.is_valid():
        try:
            agreed = counts.count_in(job, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            messages.error(request, str(refusal))
            return redirect("job_detail", number)
        if agreed:
            messages.success(request, _("Counted in: every key and every box is there."))
            return redirect("job_detail", number)
        differs = True
    stage = job.current_stage
    if stage is None or stage.kind != "count_in":
        messages.error(request, _("This set has been counted in already."))
        return redirect("job_detail", number)
    counted = form.cleaned_data if differs else {}
    context = {
        "job": job,
        "form": form,
        "differs": differs,
        "keys_short": max(job.keys_here - counted["keys"], 0) if differs else 0,
        "keys_over": max(counted["keys"] - job.keys_here, 0) if differs else 0,
        "boxes_short": max(job.boxes - counted["boxes"], 0) if differs else 0,
        "boxes_over": max(counted["boxes"] - job.boxes, 0) if differs else 0,
    }
    return render(request, "shop/counts/count_in.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def job_count(request: PersonRequest, number: int) -> HttpResponse:
    """A count in between, or, of a set that is away, when it comes back."""
    job = job_for(number)
    back = bool(job.away_to)
    form = CountAgainForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        keep = counts.come_back if back else counts.count_again
        try:
            return _counted(request, keep(job, by=request.user, **form.cleaned_data))
        except Refused as refusal:
            form.add_error(None, str(refusal))
    return _page(request, job, form, back=back)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def job_away(request: PersonRequest, number: int) -> HttpResponse:
    """The set leaves the shop for a while."""
    job = job_for(number)
    form = AwayForm(request.POST if request.method == "POST" else None, job=job)
    if form.is_bound and form.is_valid():
        try:
            return _counted(request, counts.go_away(job, by=request.user, **form.cleaned_data))
        except Refused as refusal:
            form.add_error(None, str(refusal))
    return _page(request, job, form, away=True)


def _page(
    request: PersonRequest, job: Job, form: forms.Form, *, back: bool = False, away: bool = False
) -> HttpResponse:
    heading = _("Count it back in") if back else _("Away for a while") if away else _("Count again")
    context = {"job": job, "form": form, "heading": heading, "back": back, "away": away}
    context["counts"] = job.counts.select_related("by")[:10]
    return render(request, "shop/counts/count.html", context)


def _counted(request: PersonRequest, count: Count) -> HttpResponse:
    if count.keys_short or count.boxes_short:
        messages.error(request, _("Kept. Something is missing: it stands on the set until it is found."))
    else:
        messages.success(request, _("Kept. Everything is there."))
    return redirect("job_detail", count.job.number)

"""From a decision to a priced draft; what stripping found, against what was agreed; photos beside an estimate."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from keyboards.core.keys import format_keys
from keyboards.forms.pricing import LeaveForm, WithinForm
from keyboards.models import Decision, Photo
from keyboards.views.photos import served
from keyboards.workflow import pricing
from shop.access import OWNER, TECHNICIAN, PersonRequest, allowed, fetch, job_for, may
from shop.links import by_link
from shop.models import Estimate, EstimateState, Link
from shop.workflow.refusal import Refused


@require_POST
@allowed(TECHNICIAN)
def estimate_from_decision(request: PersonRequest, number: int, decision_id: int) -> HttpResponse:
    """Drafts the estimate. The owner goes on to write on it; a technician leaves it to the owner."""
    job = job_for(number)
    decision = fetch(Decision.objects.select_related("job", "basis"), pk=decision_id, job=job)
    owner = may(request.user, OWNER)
    try:
        estimate = pricing.estimate_from_decision(decision, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        draft = job.estimates.drafts().first()
        return redirect(draft) if owner and draft else redirect("job_detail", number)
    if owner:
        return redirect(estimate)
    messages.success(request, _("%(estimate)s is drafted. The owner goes on with it.") % {"estimate": estimate.title})
    return redirect("job_detail", number)


def _found_page(request: PersonRequest, number: int, **shown: Any) -> HttpResponse:
    job = job_for(number)
    found = pricing.found_beyond(job)
    if found is None:
        messages.info(request, _("Stripping found nothing that is not agreed."))
        return redirect("job_detail", number)
    client = job.client
    start = {
        "how": "letter" if client.email else "told",
        "to": client.email,
        "message": pricing.allowance_letter(found) if found.within else "",
    }
    newer = Estimate.objects.filter(job=job, state__in=(EstimateState.DRAFT, EstimateState.SENT)).first()
    context = {
        "job": job,
        "found": found,
        "estimate": found.estimate,
        "lined": format_keys(found.lined),
        "renewed": format_keys(found.renewed),
        "more_lined": format_keys(found.more_lined),
        "more_renewed": format_keys(found.more_renewed),
        "newer": newer,
        "owner": may(request.user, OWNER),
        "within": shown.get("within") or WithinForm(initial=start),
        "leave": shown.get("leave") or LeaveForm(),
        "refusal": shown.get("refusal", ""),
    }
    return render(request, "keyboards/pricing/found.html", context)


@require_safe
@allowed(TECHNICIAN)
def stripping_found(request: PersonRequest, number: int) -> HttpResponse:
    """What stripping found beyond what was agreed, and the ways on: the owner's to choose."""
    return _found_page(request, number)


@require_POST
@allowed(OWNER)
def found_within(request: PersonRequest, number: int) -> HttpResponse:
    """Goes on within the allowance and tells the client."""
    form = WithinForm(request.POST)
    if not form.is_valid():
        return _found_page(request, number, within=form)
    typed = form.cleaned_data
    to = typed["to"] if typed["how"] == "letter" else ""
    try:
        pricing.go_on_within(job_for(number), to=to, message=typed["message"], by=request.user)
    except Refused as refusal:
        return _found_page(request, number, within=form, refusal=str(refusal))
    messages.success(
        request, _("The work goes on within the allowance.") + (" " + _("The letter is on its way.") if to else "")
    )
    return redirect("job_detail", number)


@require_POST
@allowed(OWNER)
def found_revise(request: PersonRequest, number: int) -> HttpResponse:
    """Drafts the revised estimate, for the owner to look at and send."""
    try:
        return redirect(pricing.revise(job_for(number), by=request.user))
    except Refused as refusal:
        return _found_page(request, number, refusal=str(refusal))


@require_POST
@allowed(OWNER)
def found_leave(request: PersonRequest, number: int) -> HttpResponse:
    """Goes on with what was agreed and leaves what was found, with a reason."""
    form = LeaveForm(request.POST)
    if not form.is_valid():
        return _found_page(request, number, leave=form)
    try:
        pricing.leave_found(job_for(number), reason=form.cleaned_data["reason"], by=request.user)
    except Refused as refusal:
        return _found_page(request, number, leave=form, refusal=str(refusal))
    messages.success(request, _("The work goes on as agreed."))
    return redirect("job_detail", number)


@require_safe
@by_link
def estimate_photo(request: HttpRequest, token: str, link: Link, op: UUID, size: str) -> HttpResponse:
    """A photo the estimate names, large or small; no other of the set, and none of another."""
    if str(op) not in link.estimate.photos:
        raise Http404
    photo = fetch(Photo.objects.all(), op=op, job_id=link.estimate.job_id)
    return served(photo.image if size == "large" else photo.small)

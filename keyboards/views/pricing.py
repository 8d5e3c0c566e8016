"""From a decision to a priced draft; and the photos that a client sees beside an estimate."""

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from keyboards.models import Decision, Photo
from keyboards.workflow import pricing
from shop.access import OWNER, TECHNICIAN, PersonRequest, allowed, fetch, job_for, may
from shop.links import by_link
from shop.models import Link
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


@require_safe
@by_link
def estimate_photo(request: HttpRequest, token: str, link: Link, op: UUID, size: str) -> HttpResponse:
    """A photo the estimate names, large or small; no other of the set, and none of another."""
    if str(op) not in link.estimate.photos:
        raise Http404
    photo = Photo.objects.filter(op=op, job_id=link.estimate.job_id).first()
    if photo is None:
        raise Http404
    kept = photo.image if size == "large" else photo.small
    try:
        with kept.open("rb") as file:
            return HttpResponse(file.read(), content_type="image/jpeg")
    except FileNotFoundError:
        raise Http404 from None

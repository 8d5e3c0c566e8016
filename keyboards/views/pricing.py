"""From a decision to a priced draft; and the photos that a client sees beside an estimate."""

from uuid import UUID

from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from keyboards.models import Photo
from shop.links import by_link
from shop.models import Link


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
    return FileResponse(kept.open("rb"), content_type="image/jpeg")

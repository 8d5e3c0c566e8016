"""What every page knows: the shop, the person's units, which of the four places they stand in."""

from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from shop.models import Units, Workshop

_PLACES = ("counter", "bench", "office", "records")


def workshop(request: HttpRequest) -> dict:
    """workshop (read when asked for), units of the person, place: the first part of the address."""
    first = request.path.split("/", 2)[1]
    return {
        "workshop": SimpleLazyObject(Workshop.ours),
        "units": getattr(request.user, "units", Units.MM) if hasattr(request, "user") else Units.MM,
        "place": first if first in _PLACES else "",
    }

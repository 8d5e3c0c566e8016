"""Guessing at links and passwords: counted, so that a machine that tries many is answered shortly and cheaply.

The counts stand in a table, so that all processes of the program count together.

A link that exists is never refused, whoever guessed before from the same address: a school's clients may all come
from one. So the count is asked only after a token was not found.
"""

import datetime
import ipaddress
import secrets

from django.conf import settings
from django.core import signing
from django.db import transaction
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.crypto import salted_hmac

from shop.models import Miss

MOST = 20
SECONDS = 600
# How long a place and a device are remembered where somebody came in.
KNOWN = 30 * 24 * 60 * 60
_NAMES_OF_A_DEVICE = 20


def address_of(request: HttpRequest) -> str:
    """Where the request came from: behind our own proxy, what the proxy says last. Of an IPv6 address the network:
    whoever has one has all that begin with the same 64 bits (RFC 6177, RFC 4291 section 2.5.1)."""
    said = request.META.get("REMOTE_ADDR", "")
    if settings.SECURE_PROXY_SSL_HEADER:
        said = request.META.get("HTTP_X_FORWARDED_FOR", "").rpartition(",")[2].strip() or said
    try:
        address = ipaddress.ip_address(said)
    except ValueError:
        return said
    if isinstance(address, ipaddress.IPv6Address) and not address.ipv4_mapped:
        return str(ipaddress.ip_network((int(address), 64), strict=False))
    return said


def hidden(*parts: str) -> str:
    """What stands for these in a name: no address is kept, and a forged header cannot make an unusable name."""
    return salted_hmac("shop.guessing", "|".join(parts), algorithm="sha256").hexdigest()[:32]


def count_miss(name: str, *, seconds: int) -> int:
    """Counts one more miss under the name (at most 80 characters); how many there were in the stretch of so many
    seconds that the first one began."""
    now = timezone.now()
    with transaction.atomic():
        Miss.objects.filter(until__lt=now).delete()
        Miss.objects.bulk_create(
            [Miss(name=name, until=now + datetime.timedelta(seconds=seconds))], ignore_conflicts=True
        )
        Miss.objects.filter(pk=name).update(count=F("count") + 1)
        return Miss.objects.get(pk=name).count


def misses(name: str) -> int:
    """How many there are under the name in the stretch that goes on."""
    return Miss.objects.filter(pk=name, until__gte=timezone.now()).values_list("count", flat=True).first() or 0


def forget_misses(name: str) -> None:
    """Whoever knew it after all begins anew."""
    Miss.objects.filter(pk=name).delete()


def too_many_misses(request: HttpRequest) -> bool:
    """Counts one more token that is not there; whether this address has tried too many lately."""
    return count_miss(f"guessing:{hidden(address_of(request))}", seconds=SECONDS) > MOST


def _device(request: HttpRequest) -> tuple[str, list[str]]:
    """What the browser shows of itself: a chance word of ours, and the names (hidden) that came in with it."""
    try:
        word, names = signing.loads(
            request.COOKIES.get(settings.DEVICE_COOKIE_NAME, ""), salt="shop.guessing", max_age=KNOWN
        )
    except signing.BadSignature:
        return secrets.token_urlsafe(12), []
    return word, names


def device_of(request: HttpRequest, name: str) -> str:
    """The device, if somebody of this name came in on it of late. A stranger who guesses has none, so what they do
    holds nobody up who has one."""
    word, names = _device(request)
    return word if hidden(name) in names else ""


def device_remember(request: HttpRequest, response: HttpResponse, name: str) -> None:
    """Somebody of this name has shown everything that is asked of them on it. It opens nothing by itself."""
    word, names = _device(request)
    names = [*(one for one in names if one != hidden(name)), hidden(name)][-_NAMES_OF_A_DEVICE:]
    response.set_cookie(
        settings.DEVICE_COOKIE_NAME,
        signing.dumps([word, names], salt="shop.guessing", compress=True),
        max_age=KNOWN,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )

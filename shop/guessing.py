"""Guessing at links: counted by address, so that a machine that tries tokens is answered shortly and cheaply.

The counts stand in a table, so that all processes of the program count together.

A link that exists is never refused, whoever guessed before from the same address: a school's clients may all come
from one. So the count is asked only after a token was not found.
"""

import datetime
import hashlib

from django.conf import settings
from django.db import transaction
from django.db.models import F
from django.http import HttpRequest
from django.utils import timezone

from shop.models import Miss

MOST = 20
SECONDS = 600


def address_of(request: HttpRequest) -> str:
    """Where the request came from: behind our own proxy, what the proxy says last."""
    if settings.SECURE_PROXY_SSL_HEADER:
        last = request.META.get("HTTP_X_FORWARDED_FOR", "").rpartition(",")[2].strip()
        if last:
            return last
    return request.META.get("REMOTE_ADDR", "")


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
    # A digest: no addresses are kept, and a forged header cannot make an unusable name.
    name = hashlib.sha256(address_of(request).encode()).hexdigest()[:32]
    return count_miss(f"guessing:{name}", seconds=SECONDS) > MOST

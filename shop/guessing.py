"""Guessing at links: counted by address, so that a machine that tries tokens is answered shortly and cheaply.

A link that exists is never refused, whoever guessed before from the same address: a school's clients may all come
from one. So the count is asked only after a token was not found.
"""

import hashlib

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest

MOST = 20
SECONDS = 600


def address_of(request: HttpRequest) -> str:
    """Where the request came from: behind our own proxy, what the proxy says last."""
    if settings.SECURE_PROXY_SSL_HEADER:
        last = request.META.get("HTTP_X_FORWARDED_FOR", "").rpartition(",")[2].strip()
        if last:
            return last
    return request.META.get("REMOTE_ADDR", "")


def too_many_misses(request: HttpRequest) -> bool:
    """Counts one more token that is not there; whether this address has tried too many lately."""
    # A digest: the cache keeps no addresses, and a forged header cannot make an unusable key.
    name = hashlib.sha256(address_of(request).encode()).hexdigest()[:32]
    key = f"guessing:{name}"
    cache.add(key, 0, timeout=SECONDS)
    try:
        return cache.incr(key) > MOST
    except ValueError:  # the count ran out between the two calls
        return False

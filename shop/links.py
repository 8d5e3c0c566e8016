"""The way in for a client: the link in our letter.

The address is the key: 256 random bits that nobody can guess and that only the letter holds. These pages set no
cookie, ask for no account, and let no other page learn the address (Referrer-Policy: no-referrer). That policy makes
browsers send "Origin: null" with every form, which Django's cookie check refuses; a forged form would have to know
the address, and whoever knows it may answer anyway. So these views do without the cookie and its check.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt

from shop.access import link_for, open_to_all
from shop.guessing import too_many_misses
from shop.models import EstimateState, Link, Workshop

_LONGEST_TOKEN = 100


def quiet(response: HttpResponse) -> HttpResponse:
    """Kept by nobody, found by nobody, told to nobody."""
    response["Cache-Control"] = "no-store, private"
    response["Referrer-Policy"] = "no-referrer"
    response["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    return response


def by_link(view: Callable) -> Callable:
    """Finds the link of the address. One that is not there, has ended or was withdrawn gets a plain page that says
    what to do, the same for every token that was never given out."""

    @csrf_exempt
    @open_to_all
    @wraps(view)
    def found(request: HttpRequest, token: str, **kwargs: Any) -> HttpResponse:
        link = link_for(token[:_LONGEST_TOKEN])
        if link is None:
            status = 429 if too_many_misses(request) else 404
            return quiet(_closed(request, None, status))
        if link.withdrawn_at is not None or link.expires_at < timezone.now():
            return quiet(_closed(request, link, 410))
        return quiet(view(request, token, link, **kwargs))

    return found


def _closed(request: HttpRequest, link: Link | None, status: int) -> HttpResponse:
    context: dict[str, Any] = {"workshop": Workshop.ours(), "ended": link is not None}
    if link is not None:
        context["withdrawn"] = link.withdrawn_at is not None
        alive = link.estimate.links.filter(withdrawn_at__isnull=True).exclude(pk=link.pk)
        context["newer"] = alive.exists() or link.estimate.state == EstimateState.REPLACED
    return render(request, "shop/answers/closed.html", context, status=status)

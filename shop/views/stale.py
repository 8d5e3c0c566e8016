"""A form or a tablet whose token is stale: signed in afresh elsewhere, or open over night."""

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils.translation import gettext as _


def stale_token(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403: a page for a person, JSON for a script, which fetches a new token (bench_token) and tries once more."""
    if request.accepts("text/html") and not request.path.startswith("/bench/checks/"):
        return render(request, "403_stale.html", status=403)
    return JsonResponse({"error": "stale token", "why": _("This page was open for too long. Reload it.")}, status=403)

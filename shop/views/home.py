"""The front door: each person lands where their work is."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from shop.access import allowed
from shop.models import Role

_PLACE = {Role.DESK: "counter", Role.TECHNICIAN: "bench", Role.OWNER: "office"}


@require_safe
@allowed()
def home(request: HttpRequest) -> HttpResponse:
    """To the counter, the bench or the office, by the person's role."""
    return redirect(_PLACE[Role(request.user.role)])

"""The front door: each person lands where their work is."""

from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from shop.access import open_to_all
from shop.models import Role
from shop.workflow.opening import is_open

_PLACE = {Role.DESK: "counter", Role.TECHNICIAN: "bench", Role.OWNER: "office"}


@require_safe
@open_to_all
def home(request: HttpRequest) -> HttpResponse:
    """To the counter, the bench or the office, by the person's role; on the first day to the opening of the shop."""
    if request.user.is_authenticated:
        return redirect(_PLACE[Role(request.user.role)])
    return redirect_to_login(request.get_full_path()) if is_open() else redirect("shop_open")

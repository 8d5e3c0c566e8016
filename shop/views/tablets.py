"""Changing the person on a tablet that several share."""

import logging
from urllib.parse import urlsplit

from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import Resolver404, resolve
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from shop import sessions, tablets
from shop.access import OWNER, may, open_to_all
from shop.forms.factors import PinForm
from shop.models import Person
from shop.workflow.pins import pin_take
from shop.workflow.refusal import Refused

logger = logging.getLogger(__name__)


def _asked_for(request: HttpRequest) -> str:
    """The page the tablet showed, if it is one of ours."""
    page = request.GET.get("next", "")
    ours = url_has_allowed_host_and_scheme(page, {request.get_host()}, require_https=request.is_secure())
    return page if ours else ""


def _page_for(person: Person, page: str) -> str:
    """The same page, where it is for this person; otherwise where their work is."""
    try:
        roles = getattr(resolve(urlsplit(page).path).func, "roles", None) or ()
    except Resolver404:
        roles = ()
    return page if roles and roles != {OWNER} and may(person, *roles) else "home"


@require_safe
@open_to_all
def change_person(request: HttpRequest) -> HttpResponse:
    """Who can take this tablet over."""
    context = {"people": tablets.people_here(request), "next": _asked_for(request)}
    return render(request, "shop/tablets/people.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@open_to_all
def change_person_to(request: HttpRequest, person_id: int) -> HttpResponse:
    """The PIN of one of them. Whoever was signed in is out; what waits in their box on the tablet stays theirs."""
    person = next((one for one in tablets.people_here(request) if one.pk == person_id), None)
    if person is None:
        return redirect("change_person")
    page = _asked_for(request)
    form = PinForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            pin_take(person, form.cleaned_data["pin"])
        except Refused as refusal:
            form.add_error("pin", str(refusal))
        else:
            logout(request)
            sessions.begin(request, person)
            tablets.share(request, by_pin=True)
            logger.info("person %s signed in by PIN", person.pk)
            return redirect(_page_for(person, page))
    return render(request, "shop/tablets/pin.html", {"form": form, "person": person, "next": page})

"""A page or a part of it: the only place that asks whether htmx made the request."""

from collections.abc import Mapping
from typing import Any, cast

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.template import TemplateDoesNotExist
from django.utils.cache import patch_vary_headers
from django.utils.http import url_has_allowed_host_and_scheme
from django_htmx.http import HttpResponseClientRedirect
from django_htmx.middleware import HtmxDetails


def _asked(request: HttpRequest) -> HtmxDetails:
    return cast(Any, request).htmx


def asks_as_typed(request: HttpRequest) -> bool:
    """Whether htmx asks on its own while somebody types; a form that was sent, or a link, asks for a page."""
    asked = _asked(request)
    return bool(asked) and not asked.boosted


def page_or_part(
    request: HttpRequest, template: str, context: Mapping[str, Any], *, part: str = "", status: int = 200
) -> HttpResponse:
    """The whole page, or only its partial where htmx asks for it.

    The partial is `part`, or the one named like the target that htmx names (partial name = DOM id). A target that
    the template does not have gets the whole page.
    """
    asked = _asked(request)
    name = template
    if asked and not asked.boosted and not asked.history_restore_request and (part or asked.target):
        name = f"{template}#{part or asked.target}"
    try:
        response = render(request, name, dict(context), status=status)
    except TemplateDoesNotExist as error:
        if name == template or str(error) != name:
            raise
        response = render(request, template, dict(context), status=status)
    patch_vary_headers(response, ["HX-Request"])
    return response


def go_to(request: HttpRequest, to: str, *args: Any) -> HttpResponse:
    """On to another page (as for redirect()), from a form that was sent with or without htmx."""
    response = redirect(to, *args)
    return HttpResponseClientRedirect(response["Location"]) if _asked(request) else response


def page_of_ours(wanted: str, otherwise: str) -> str:
    """The path that a page says somebody came from, if it is one of ours; else the other address. Nothing but a path:
    redirect() would take a bare word for the name of a view."""
    ours = wanted.startswith("/") and url_has_allowed_host_and_scheme(wanted, allowed_hosts=None)
    return wanted if ours else otherwise

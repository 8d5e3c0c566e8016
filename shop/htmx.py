"""A page or a part of it: the only place that asks whether htmx made the request."""

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers


def page_or_part(
    request: HttpRequest, template: str, context: Mapping[str, Any], *, part: str = "", status: int = 200
) -> HttpResponse:
    """The whole page, or only its partial where htmx asks for it.

    The partial is `part`, or the one named like the target that htmx names (partial name = DOM id).
    """
    wants_part = request.htmx and not request.htmx.boosted and not request.htmx.history_restore_request
    name = template
    if wants_part and (part or request.htmx.target):
        name = f"{template}#{part or request.htmx.target}"
    response = render(request, name, dict(context), status=status)
    patch_vary_headers(response, ["HX-Request"])
    return response

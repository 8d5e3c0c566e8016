"""The page for what went wrong here: a fault of the machine is named (503), anything else is not (500)."""

import sys

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render

from shop.access import open_to_all
from shop.faults import fault_of


@open_to_all
def server_error(request: HttpRequest) -> HttpResponse:
    """Called by Django while it handles the exception, from wherever in the request that came: the session's too.

    A tablet that sent JSON gets JSON and keeps what it has; its box tries again after every answer from 500 on.
    """
    fault = fault_of(sys.exc_info()[1])
    status = 503 if fault else 500
    if request.content_type == "application/json" or request.headers.get("Accept", "") == "application/json":
        answer: HttpResponse = JsonResponse({"error": fault or "server error"}, status=status)
    else:
        reading = request.method in ("GET", "HEAD")
        # Without the request: no session, no person, no database may be asked now.
        answer = render(None, "503.html" if fault else "500.html", {"fault": fault, "reading": reading}, status=status)
    if fault:
        answer["Retry-After"] = "30"
    return answer

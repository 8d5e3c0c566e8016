"""What every answer tells the browser beyond what Django tells it."""

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest
from django.http.response import HttpResponseBase

_PERMISSIONS = ", ".join(
    ["camera=(self)"]
    + [
        f"{feature}=()"
        for feature in (
            "accelerometer",
            "display-capture",
            "geolocation",
            "gyroscope",
            "magnetometer",
            "microphone",
            "midi",
            "payment",
            "usb",
        )
    ]
)


def headers(get_response: Callable[[HttpRequest], HttpResponseBase]) -> Callable[[HttpRequest], HttpResponseBase]:
    """A page is kept nowhere unless its view says otherwise: on a shared tablet the way back leads to nobody's page."""

    def middleware(request: HttpRequest) -> HttpResponseBase:
        response = get_response(request)
        if response.get("Content-Type", "").startswith("text/html"):  # it speaks of what a page may do, and is long
            response.headers.setdefault("Permissions-Policy", _PERMISSIONS)
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        # What never came as far as Django's own (a host name that is none of ours) and files.
        response.headers.setdefault("X-Content-Type-Options", "nosniff")
        response.headers.setdefault("X-Frame-Options", "DENY")
        if not (settings.DEBUG and response.status_code in (404, 500)):  # Django's own pages for developers have styles
            response.headers.setdefault("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
        response.headers.setdefault("Cache-Control", "private, no-store")
        if response.status_code == 401:
            # A tablet's box asked with a session that has ended. Django would take its cookie away; if somebody signed
            # in while the answer was under way, that would be the new one.
            response.cookies.pop(settings.SESSION_COOKIE_NAME, None)
        return response

    return middleware

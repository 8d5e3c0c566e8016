"""What every answer tells the browser beyond what Django tells it."""

from collections.abc import Callable

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
        response.headers.setdefault("Permissions-Policy", _PERMISSIONS)
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        response.headers.setdefault("Cache-Control", "private, no-store")
        return response

    return middleware

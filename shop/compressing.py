"""Pages go over the wire compressed: a sheet of 88 keys is an eighth of its size then.

Pages alone: photos and PDFs are compressed already, static files lie compressed on the disk, and a calendar's ETag must
stay as it is. What a secret in a compressed page might give away by its length is blurred by the random padding of
Django's middleware; tokens of forms are masked anew in every answer.
"""

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware


class CompressedPages(GZipMiddleware):
    """gzip for HTML."""

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        """The answer, compressed where it is a page and the browser can read that."""
        if not response.get("Content-Type", "").startswith("text/html"):
            return response
        return super().process_response(request, response)

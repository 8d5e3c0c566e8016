"""Pages go over the wire compressed: a sheet of 88 keys is a tenth of its size then.

Pages alone: photos and PDFs are compressed already, static files lie compressed on the disk, and a calendar's ETag must
stay as it is. What a secret in a compressed page might give away by its length is blurred by random padding, as Django
does for gzip; tokens of forms are masked anew in every answer.
"""

import re
import secrets

import brotli
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware
from django.utils.cache import patch_vary_headers

# A tenth smaller than gzip's, for half of its time.
QUALITY = 5
_ACCEPTS_BROTLI = re.compile(r"\bbr\b(?!\s*;\s*q=0(?:\.0*)?\s*(?:,|$))")


class CompressedPages(GZipMiddleware):
    """Brotli or gzip for HTML. Browsers take the first only over https or from this machine."""

    def process_response(self, request: HttpRequest, response: HttpResponseBase) -> HttpResponseBase:
        """The answer, compressed where it is a page and the browser can read that."""
        if not response.get("Content-Type", "").startswith("text/html"):
            return response
        if (
            not isinstance(response, HttpResponse)
            or response.has_header("Content-Encoding")
            or not _ACCEPTS_BROTLI.search(request.headers.get("Accept-Encoding", ""))
        ):
            return super().process_response(request, response)
        patch_vary_headers(response, ("Accept-Encoding",))
        padding = secrets.token_urlsafe(secrets.randbelow(self.max_random_bytes))
        response.content = brotli.compress(response.content + f"<!-- {padding} -->".encode(), quality=QUALITY)
        response.headers["Content-Length"] = str(len(response.content))
        response.headers["Content-Encoding"] = "br"
        return response

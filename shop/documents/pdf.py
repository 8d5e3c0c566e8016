"""HTML -> PDF: the only file that knows WeasyPrint.

A document reads three kinds of address and nothing else: files of our static folder (fonts, style sheets; they are
the base of every relative address), photos and other kept files as media:<their name>, and data:
pictures made by the program itself. Any other address, or a file that is not there, stops the document with a
PaperError: a report with a silently missing photo would be worse than none.
"""

import atexit
import datetime
import gc
import hashlib
import mimetypes
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any
from urllib.parse import unquote, urljoin, urlsplit

from django.conf import settings
from django.core.exceptions import SuspiciousOperation
from django.core.files.storage import default_storage
from django.http import HttpResponse
from django.template.loader import render_to_string
from weasyprint import CSS, DEFAULT_OPTIONS, HTML, Attachment
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import FatalURLFetchingError, URLFetcher, URLFetcherResponse

from shop.models import Workshop

_SHEET = re.compile(r'<link rel="stylesheet" href="([^"]+)">')
_LOCK = Lock()
_DATA = ("data:image/svg+xml;", "data:image/png;")


class PaperError(Exception):
    """The document cannot be made; str() says which address was refused or missing."""


class _RefusedError(FatalURLFetchingError):
    """Stops the rendering. WeasyPrint's own kind is a BaseException and never leaves this module."""


def _static_folder() -> Path:
    return Path(settings.STATICFILES_DIRS[0]).resolve()


class OurFiles(URLFetcher):
    """Opens files of the static folder (file:), kept photos (media:) and small data: pictures."""

    def fetch(self, url: str, headers: Mapping[str, str] | None = None) -> URLFetcherResponse:
        """The file's contents, or an end to the rendering."""
        if url.startswith(_DATA):
            return super().fetch(url, headers)
        address = urlsplit(url)
        name = unquote(address.path)
        try:
            if address.scheme == "file" and not address.netloc:
                contents = _static_path(name).read_bytes()
            elif address.scheme == "media" and not address.netloc:
                with default_storage.open(name, "rb") as kept:
                    contents = kept.read()
            else:
                raise SuspiciousOperation
        except SuspiciousOperation:
            raise _RefusedError(f"A document may not read {url[:80]!r}.") from None
        except (OSError, ValueError) as error:  # ValueError: a NUL byte in a path
            raise _RefusedError(f"A document cannot read {url[:80]!r}: {error}.") from error
        kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
        return URLFetcherResponse(url, contents, headers={"Content-Type": kind})


def _static_path(name: str) -> Path:
    path = Path(name).resolve(strict=True)  # follows links and .. before the folder is compared
    if not path.is_relative_to(_static_folder()):
        raise SuspiciousOperation
    return path


@dataclass(frozen=True)
class Attached:
    """A file inside a PDF: text with a name and a sentence about it. at is its date, which must come from the rows."""

    name: str
    description: str
    text: str
    at: datetime.datetime


@dataclass(frozen=True)
class _Kept:
    """What documents share, for to make it ready takes longer than many a document itself: the typefaces, unpacked, and
    the style sheets as they were read, by their addresses."""

    fonts: FontConfiguration
    sheets: dict[str, CSS]

    def take_sheets(self, html: str) -> tuple[str, list[CSS]]:
        """The HTML without its links to style sheets, and those sheets."""
        names = _SHEET.findall(html)
        for name in names:
            if name not in self.sheets:
                base, fetcher = f"{_static_folder().as_uri()}/", OurFiles()
                self.sheets[name] = CSS(url=urljoin(base, name), url_fetcher=fetcher, font_config=self.fonts)
        return _SHEET.sub("", html), [self.sheets[name] for name in names]


@lru_cache(maxsize=1)
def _kept(_day: int, _changed: float) -> _Kept:
    """Made anew each day, since they lie in a temporary folder and some machines clear out what is old there, and where
    a style sheet was written (only a developer does)."""
    return _Kept(FontConfiguration(), {})


atexit.register(_kept.cache_clear)  # takes the temporary folder away


def _kept_today() -> _Kept:
    folder = _static_folder() / "css"
    return _kept(int(time.time() // 86_400), max(sheet.stat().st_mtime for sheet in folder.iterdir()))


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """One document at a time, for they share the typefaces, and what draws them knows no threads. Meanwhile the
    collector rests: a document is a million objects that live until its end, and to look for garbage among them takes
    a fifth of it."""
    with _LOCK:
        was = gc.isenabled()
        gc.disable()
        try:
            yield
        finally:
            if was:
                gc.enable()


@_one_at_a_time()
def render_pdf(html: str, attached: Sequence[Attached] = (), most: int = 0) -> bytes:
    """A tagged PDF (PDF/UA-1) of the HTML. The same HTML makes the same bytes: the only dates in it are one that the
    HTML carries as <meta name="dcterms.created"> and those of attached files, and its identifier is the digest of
    the HTML and these files. most: nothing where it takes more pages than that (0: any number)."""
    digest = hashlib.sha256("\0".join([html, *(file.text for file in attached)]).encode())
    try:
        kept = _kept_today()
        html, sheets = kept.take_sheets(html)
        page = HTML(string=html, base_url=f"{_static_folder().as_uri()}/", url_fetcher=OurFiles())
        options: dict[str, Any] = {
            **DEFAULT_OPTIONS,
            "pdf_variant": "pdf/ua-1",
            "stylesheets": sheets,
            "pdf_identifier": digest.hexdigest()[:32].encode(),
            "attachments": [
                Attachment(
                    string=file.text,
                    name=file.name,
                    description=file.description,
                    created=file.at,
                    modified=file.at,
                    relationship="Data",
                )
                for file in attached
            ],
        }
        document = page.render(font_config=kept.fonts, **options)
        return b"" if most and len(document.pages) > most else document.write_pdf(**options)
    except _RefusedError as error:
        raise PaperError(str(error)) from error


def make_pdf(template: str, context: Mapping[str, Any], *, workshop: Workshop | None = None, most: int = 0) -> bytes:
    """The PDF of a template that extends documents/page.html; workshop (letterhead, paper) is ours unless given,
    at the branch where the set of the context is. most: nothing where it takes more pages than that (0: any number)."""
    job = context.get("job")
    shop = workshop or Workshop.ours().at(job.branch if job else None)
    return render_pdf(render_to_string(template, {**context, "workshop": shop}), most=most)


def pdf_response(pdf: bytes, filename: str) -> HttpResponse:
    """Shown in the browser, kept under the name (ASCII letters, digits, dots and dashes) when it is saved."""
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{filename}"'
    response["Cache-Control"] = "private, no-store"
    return response

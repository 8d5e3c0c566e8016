"""PDFs: what they may read, what they are made of."""

import base64
import io
import logging
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings
from pypdf import PdfReader

from shop.documents import pdf
from shop.documents.pdf import PaperError, pdf_response, render_pdf

PIXEL = base64.b64decode("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAIAAACQd1PeAAAADElEQVR4nGP4z8AAAAMBAQDJ/pLvAAAAAElFTkSuQmCC")


def page(body: str, head: str = "") -> str:
    return f'<html lang="en"><head><title>Test</title>{head}</head><body>{body}</body></html>'


def picture(address: str) -> str:
    return page(f'<img alt="x" src="{address}">')


@pytest.fixture
def media():
    folder = Path(settings.MEDIA_ROOT)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "good.png").write_bytes(PIXEL)
    return folder


@pytest.mark.parametrize(
    "address",
    [
        "file:///etc/passwd",
        "/etc/passwd",
        "../pyproject.toml",
        "fonts/../../pyproject.toml",
        "file://elsewhere.example/etc/passwd",
        "http://127.0.0.1:9/x.png",
        "https://elsewhere.example/x.png",
        "//elsewhere.example/x.png",
        "ftp://elsewhere.example/x.png",
        "media:../secret_key",
        "media:%2e%2e/secret_key",
        "media:/etc/passwd",
        "media://elsewhere.example/good.png",
        "media:missing.png",
        "media:good.png%00",
        "missing.png",
        "data:text/html;base64,PGI+",
    ],
)
def test_a_document_that_wants_another_file_is_not_made(media, address):
    (media.parent / "secret_key").write_text("secret")
    with pytest.raises(PaperError):
        render_pdf(picture(address))


def test_a_link_out_of_the_media_folder_is_not_followed(media):
    link = media / "link.png"
    link.unlink(missing_ok=True)
    link.symlink_to("/etc/hostname")
    with pytest.raises(PaperError, match="may not read"):
        render_pdf(picture("media:link.png"))


@pytest.mark.parametrize(
    "head", ['<link rel="stylesheet" href="file:///etc/x.css">', "<style>@import '/etc/x.css';</style>"]
)
def test_a_style_sheet_from_elsewhere_is_not_read_either(head):
    with pytest.raises(PaperError):
        render_pdf(page("<p>x</p>", head))


def test_photos_and_small_pictures_are_drawn(media):
    data = f"data:image/png;base64,{base64.b64encode(PIXEL).decode()}"
    for address in ("media:good.png", data):
        pdf = PdfReader(io.BytesIO(render_pdf(picture(address))))
        assert len(pdf.pages[0].images) == 1


def test_links_to_read_later_are_not_fetched():
    pdf = render_pdf(page('<p><a href="https://elsewhere.example/">Answer</a></p>'))
    note = PdfReader(io.BytesIO(pdf)).pages[0]["/Annots"][0].get_object()
    assert note["/A"]["/URI"] == "https://elsewhere.example/"


def test_a_document_is_tagged_and_says_its_language_and_title():
    """ISO 14289-1:2014 (PDF/UA-1): marked content, a language, a title that is shown, the identifier in the XMP."""
    root = PdfReader(io.BytesIO(render_pdf(page("<h1>Keys</h1>")))).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert b"pdfuaid:part" in root["/Metadata"].get_data()


def test_the_same_page_makes_the_same_bytes_in_another_process_and_after_another_page(tmp_path):
    html = page(
        "<h1>Keys ♯</h1>", '<link rel="stylesheet" href="css/tokens.css"><link rel="stylesheet" href="css/print.css">'
    )
    script = (
        "import django; django.setup()\n"
        "import hashlib, sys\n"
        "from shop.documents.pdf import render_pdf\n"
        "for other in sys.argv[1:]: render_pdf(other)\n"
        f"sys.stdout.write(hashlib.sha256(render_pdf({html!r})).hexdigest())\n"
    )
    surroundings = {
        "DJANGO_SETTINGS_MODULE": "shop.settings",
        "DATA_DIR": str(tmp_path),
        "PYTHONPATH": str(settings.BASE_DIR),
        "PATH": "/usr/bin:/bin",
        "LOG": "",
    }
    run = [sys.executable, "-c", script]
    digests = {
        subprocess.run(
            [*run, *before], capture_output=True, text=True, check=True, cwd=tmp_path, env=surroundings
        ).stdout
        for before in ([], [html.replace("Keys", "<b>Other</b> signs ♭ ✓ of")])
    }
    assert len(digests) == 1
    assert len(digests.pop()) == 64


def test_our_style_sheets_and_signs_hold_nothing_that_the_paper_does_not_know(caplog):
    head = "".join(f'<link rel="stylesheet" href="css/{name}.css">' for name in ("tokens", "print", "paper-a4"))
    pdf._kept.cache_clear()  # they are read once a process
    with caplog.at_level(logging.WARNING, logger="weasyprint"):
        render_pdf(page("<h1>Keys ♯ ✓ C♯ 4</h1><p>F♯5 ▸ next ♭ ♮</p>", head))
    assert [record.getMessage() for record in caplog.records] == []


def test_a_pdf_is_shown_under_its_name_and_kept_by_nobody_between():
    response = pdf_response(b"%PDF", "K-0001-tags.pdf")
    assert response["Content-Disposition"] == 'inline; filename="K-0001-tags.pdf"'
    assert "no-store" in response["Cache-Control"]

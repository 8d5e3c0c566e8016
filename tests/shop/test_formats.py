"""Dates in the order of the reader's language, which the named formats alone say."""

import datetime
import re
from pathlib import Path

import pytest
from django.conf import settings
from django.utils import translation

from shop.formats import NEAREST, dated

MOMENT = datetime.datetime(2026, 11, 26, 8, 5, tzinfo=datetime.UTC)


@pytest.mark.parametrize(
    ("language", "name", "words"),
    [
        ("en-gb", "DAY_FORMAT", "26 Nov 2026"),
        ("en", "LONG_DAY_FORMAT", "26 November 2026"),
        ("en-gb", "SOON_FORMAT", "Thu 26 Nov, 08:05"),
        ("de", "DAY_FORMAT", "26. November 2026"),  # Django's own formats for these languages
        ("ja", "LONG_DAY_FORMAT", "2026年11月26日"),
        ("hu", "MOMENT_FORMAT", "2026. november 26. 08:05"),
        ("fr", "SOON_FORMAT", "26/11/2026 08:05"),
    ],
)
def test_a_language_without_formats_of_ours_writes_dates_as_it_does(language, name, words):
    with translation.override(language):
        assert dated(MOMENT, name) == words


def test_nothing_is_nothing():
    assert {dated(None, name) for name in NEAREST} == {""}


def test_no_template_and_no_code_writes_an_order_of_its_own():
    """A date filter names a format, or writes for machines: ISO 8601, the year alone."""
    root = Path(settings.BASE_DIR)
    filters = re.compile(r"""\|date:["']([^"']*)|date_format\([^\n]*?,\s*["']([^"']*)["']\)""")
    files = [*root.glob("templates/**/*.html"), *root.glob("shop/**/*.py"), *root.glob("keyboards/**/*.py")]
    used = {one or other for file in files for one, other in filters.findall(file.read_text(encoding="utf-8"))}
    assert {name for name in used if not name.endswith("_FORMAT")} == {"c", "Y-m-d", "Y"}

"""A file that is made to be taken along."""

from django.http import HttpResponse

_KINDS = {"csv": "text/csv; charset=utf-8", "dxf": "image/vnd.dxf", "json": "application/json"}


def download(text: str, name: str) -> HttpResponse:
    """Saved under the name (ASCII letters, digits, dots and dashes), whose ending says what it is. A table begins with
    the mark that tells spreadsheets it is UTF-8: without it many read names in an old code page."""
    ending = name.rpartition(".")[2]
    answer = HttpResponse(("\ufeff" if ending == "csv" else "") + text, content_type=_KINDS[ending])
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer

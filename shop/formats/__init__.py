"""How dates are written, in one place: dated(value, "DAY_FORMAT"), in templates {{ value|dated:"DAY_FORMAT" }}.

A language says it in its formats module beside this file (en); one that has none there takes Django's own nearest.
"""

import datetime

from django.utils.formats import date_format, get_format
from django.utils.timezone import is_aware, localtime

# The name -> what stands for it in a language that has no such format of its own.
NEAREST = {
    "DAY_FORMAT": "DATE_FORMAT",
    "LONG_DAY_FORMAT": "DATE_FORMAT",
    "WEEKDAY_FORMAT": "DATE_FORMAT",
    "MOMENT_FORMAT": "DATETIME_FORMAT",
    "SOON_FORMAT": "SHORT_DATETIME_FORMAT",
}


def dated(value: datetime.date | None, name: str) -> str:
    """A day or a moment (in the shop's time) as the reader's language writes it; "" for None."""
    if value is None:
        return ""
    if isinstance(value, datetime.datetime) and is_aware(value):
        value = localtime(value)
    own = get_format(name)  # the name itself where the language has none
    return date_format(value, NEAREST[name] if own == name else own)

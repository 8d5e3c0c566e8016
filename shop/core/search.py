"""Reading what somebody types to find a set: the words, and the days it names."""

import calendar
import datetime
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

MOST_WORDS = 8
_YEARS = range(1900, 2200)
_DAY = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})|(\d{1,2})\.(\d{1,2})\.(\d{4})|(\d{4})-(\d{1,2})")
# Digits in groups that begin with a 0, seven and more of them: each group by itself is in many numbers.
_PHONE = re.compile(r"(?<!\S)0(?: ?[0-9]){6,}(?!\S)")

Span = tuple[datetime.date, datetime.date]  # first and last day, both in it


@dataclass(frozen=True)
class Asked:
    """What was asked. words in their order, as typed; first and last: the set came in on these days or between."""

    words: tuple[str, ...]
    first: datetime.date | None = None
    last: datetime.date | None = None


@dataclass(frozen=True)
class Calendar:
    """The words of a language for days, all in lower case: names of months -> 1..12, and words before a date."""

    months: Mapping[str, int]
    since: Collection[str]
    before: Collection[str]
    until: Collection[str]


def read(text: str, words: Calendar) -> Asked:
    """ "corvane since May 2024" -> word "corvane", from 2024-05-01 on.

    Days: 2024-05-03, 3.5.2024, 3 May 2024, May 2024, 2024-05; with a word for since, before or until before them. A
    year by itself stays a word, for it may be the year of a piano, unless such a word stands before it. What is no
    day of the calendar stays a word too. A telephone number in parts is one word. Words after the eighth are not
    looked at.
    """
    tokens = _PHONE.sub(lambda found: found[0].replace(" ", ""), " ".join(text.split())).split()
    rest: list[str] = []
    first: datetime.date | None = None
    last: datetime.date | None = None
    place = 0
    while place < len(tokens):
        lead = tokens[place].casefold().rstrip(":")
        leads = lead in words.since or lead in words.before or lead in words.until
        span, used = _span(tokens[place + leads :], words.months, year_alone=leads)
        if span is None:
            rest.append(tokens[place])
            place += 1
            continue
        if not leads or lead in words.since:
            first = span[0]
        if lead in words.before:
            last = _day_before(span[0])
        elif not leads or lead in words.until:
            last = span[1]
        place += leads + used
    return Asked(tuple(rest[:MOST_WORDS]), first, last)


def _span(tokens: Sequence[str], months: Mapping[str, int], *, year_alone: bool) -> tuple[Span | None, int]:
    """The days that the first tokens name, and how many tokens that took."""
    heads = [token.casefold().strip(".,") for token in tokens[:3]]
    if not heads:
        return None, 0
    if found := _DAY.fullmatch(heads[0]):
        year, month, day = found[1] or found[6] or found[7], found[2] or found[5] or found[8], found[3] or found[4]
        return _days(int(year), int(month), int(day) if day else None), 1
    month = months.get(heads[0])
    if month and len(heads) > 1 and _is_year(heads[1]):
        return _days(int(heads[1]), month, None), 2
    if len(heads) > 2 and _is_short(heads[0]) and heads[1] in months and _is_year(heads[2]):
        return _days(int(heads[2]), months[heads[1]], int(heads[0])), 3
    if year_alone and _is_year(heads[0]):
        return (datetime.date(int(heads[0]), 1, 1), datetime.date(int(heads[0]), 12, 31)), 1
    return None, 0


def _days(year: int, month: int, day: int | None) -> Span | None:
    if year not in _YEARS or not 1 <= month <= 12:
        return None
    length = calendar.monthrange(year, month)[1]
    if day is None:
        return datetime.date(year, month, 1), datetime.date(year, month, length)
    if not 1 <= day <= length:
        return None
    return (datetime.date(year, month, day),) * 2


def _day_before(day: datetime.date) -> datetime.date:
    return day - datetime.timedelta(days=1)


def _is_short(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 2


def _is_year(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) == 4 and int(text) in _YEARS

"""Finding a set however it is spelt: by tag, client, maker, serial, stage, lot, finding, days.

Every word must be found somewhere about the set. A word that is found nowhere stands for the words nearest to it
that are in the records, and the page says so; where no set holds all words, those that hold most come first.
"""

import datetime
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, cast

from django.db.models import Aggregate, Case, IntegerField, Model, Q, TextField, Value, When
from django.utils import timezone
from django.utils.dates import MONTHS, MONTHS_3
from django.utils.translation import gettext as _
from rapidfuzz import process
from rapidfuzz.distance import OSA

from shop.core import search, tags
from shop.core.errors import MeasurementError
from shop.models import STAGE_TITLES, Client, Estimate, FoundTitle, Instrument, Job, Lot, Use, search_key
from shop.models.jobs import JobQuerySet

A_PAGE = 25
_MOST_NEAR = 5


@dataclass(frozen=True)
class Word:
    """One word: as typed, folded, and what it stands for where it was found nowhere itself."""

    typed: str
    key: str
    near: tuple[str, ...] = ()


@dataclass(frozen=True)
class Found:
    """jobs: what was found, best first, how many, and the keys of the first A_PAGE. some: no set holds all words, these
    hold some. number: the tag asked for."""

    jobs: JobQuerySet
    count: int
    first: list[int]
    words: tuple[Word, ...]
    asked: search.Asked
    number: int | None = None
    some: bool = False

    @property
    def near(self) -> list[Word]:
        """Words that were found nowhere and stand for others."""
        return [word for word in self.words if word.near]


def find(text: str) -> Found:
    """The sets that a text asks for; all of them for an empty one, the newest first."""
    asked = search.read(text, _calendar())
    words = tuple(Word(typed, key) for typed in asked.words if (key := search_key(typed)))
    rows = _between(Job.objects.order_by("-number"), asked)
    number = _number(text, tags.parse_job_tag)
    if not words:
        return Found(rows, *_first(rows), words, asked, number)
    texts = _texts()
    whole = _whole(text, words, number)
    abouts = [_about(word, texts) for word in words]
    hits = rows.filter(_all(abouts) | whole)
    count, first = _first(hits)
    if count:
        return Found(hits, count, first, words, asked, number)
    words = _nearest(rows, words, texts)
    abouts = [_about(word, texts) for word in words]
    hits = rows.filter(_all(abouts))
    count, first = _first(hits)
    if count:
        return Found(hits, count, first, words, asked, number)
    # A word of one or two letters alone is in too many names to say anything.
    abouts = [about for about, word in zip(abouts, words, strict=True) if len(word.key) > 2]
    held = sum((Case(When(about, then=1), default=Value(0), output_field=IntegerField()) for about in abouts), Value(0))
    hits = rows.filter(_any(abouts))
    best_first = hits.alias(held=held).order_by("-held", "-number")
    return Found(best_first, *_first(best_first), words, asked, number, some=True)


def _first(hits: JobQuerySet) -> tuple[int, list[int]]:
    """How many, and the first of them: mostly they are all there are, and nothing is looked through twice."""
    first = list(hits.values_list("pk", flat=True)[:A_PAGE])
    return len(first) if len(first) < A_PAGE else hits.count(), first


def why(job: Job, words: Sequence[Word]) -> list[str]:
    """What about a set holds the words but does not stand in its row: lots, findings, contacts. Reads job.uses."""
    told: dict[str, None] = {}
    for word in words:
        keys = word.near or (word.key,)
        if any(key in search_key(title) for title in (job.tag, job.client.name, str(job.instrument)) for key in keys):
            continue
        for title in job.found_titles:
            if any(key in search_key(title) for key in keys):
                told[_("found: %(finding)s") % {"finding": title}] = None
        for use in job.uses.all():
            if any(key in search_key(f"{use.lot.code}|{use.lot.material}") for key in keys):
                told[_("%(material)s, lot %(lot)s") % {"material": use.lot.material, "lot": use.lot.code}] = None
        of_client = (job.client.contact, job.client.email, job.client.phone, *job.client.address.splitlines())
        for title in (job.instrument.model, *of_client):
            if title and any(key in search_key(title) for key in keys):
                told[title] = None
    return list(told)


# --- one word ---


@dataclass(frozen=True)
class _Texts:
    """What is few and read once a search: every lot, folded, with its key; every title in the Job.found of a set."""

    lots: Sequence[tuple[str, int]]
    found: Sequence[str]


def _texts() -> _Texts:
    rows = Lot.objects.order_by().values_list("code", "material__title", "pk")
    lots = [(search_key(f"{code}|{material}"), pk) for code, material, pk in rows]
    return _Texts(lots, list(FoundTitle.objects.order_by().values_list("title", flat=True)))


def _about(word: Word, texts: _Texts) -> Q:
    """Sets about which the word is true."""
    return _any(_about_key(key, texts) for key in word.near or (word.key,))


def _about_key(key: str, texts: _Texts) -> Q:
    q = _named(key)
    if any(key in search_key(title) for title in texts.found):  # a look at all sets, for words that are in one alone
        q |= Q(found__contains=key)
    if stages := [kind for kind, title in STAGE_TITLES.items() if key in search_key(str(title))]:
        q |= Q(left_at__isnull=True, stage__in=stages)
    if chosen := [pk for text, pk in texts.lots if key in text]:
        q |= Q(pk__in=Use.objects.filter(lot__in=chosen).values("job"))
    if len(key) == 4 and key.isascii() and key.isdigit() and 1900 <= int(key) < 2200:
        first = timezone.make_aware(datetime.datetime(int(key), 1, 1))
        q |= Q(received_at__gte=first, received_at__lt=first.replace(year=int(key) + 1))
    return q


def _named(key: str) -> Q:
    """Sets whose client or piano holds the key. Two looks at names lead to the sets; a join would read every set."""
    clients, pianos = Client.objects.filter(find__contains=key), Instrument.objects.filter(find__contains=key)
    return Q(client__in=clients.order_by().values("pk")) | Q(instrument__in=pianos.order_by().values("pk"))


def _whole(text: str, words: Sequence[Word], number: int | None) -> Q:
    """The whole text without its spaces, for names and serial numbers written in groups; and a number on paper."""
    together, q = search_key(text), Q()
    if together != words[0].key:  # a word alone is looked for as a word already
        q |= _named(together)
    if number:
        q |= Q(number=number)
    if (estimate := _number(text, tags.parse_estimate_number)) and not text.strip().isdigit():
        q |= Q(pk__in=Estimate.objects.filter(number=estimate).values("job"))
    return q


def _between(rows: JobQuerySet, asked: search.Asked) -> JobQuerySet:
    if asked.first:
        rows = rows.filter(received_at__gte=_midnight(asked.first))
    if asked.last:
        rows = rows.filter(received_at__lt=_midnight(asked.last + datetime.timedelta(days=1)))
    return rows


# --- words found nowhere ---


def _nearest(rows: JobQuerySet, words: Sequence[Word], texts: _Texts) -> tuple[Word, ...]:
    """The words, each that is found nowhere with those of the records that are nearest to it."""
    lost = [word for word in words if len(word.key) > 2]
    if len(words) > 1:  # one alone is lost: nothing held it
        lost = [word for word in lost if not rows.filter(_about(word, texts)).exists()]
    if not lost:
        return tuple(words)
    known = _vocabulary(texts)
    near = {word: near_to(word.key, known) for word in lost}
    return tuple(Word(word.typed, word.key, near.get(word, ())) for word in words)


def near_to(key: str, known: Iterable[str]) -> tuple[str, ...]:
    """Words that differ from a misspelt one in a letter, two or three, the longer it is; the nearest first.

    A letter more, less, other, or two changed round count as one (optimal string alignment). Where no word is near,
    beginnings of words are looked at, for somebody who typed only a part.
    """
    distance = cast(Any, OSA.distance)
    far = 1 if len(key) < 6 else 2 if len(key) < 10 else 3
    for choices in (known, {word[: len(key)] for word in known if len(word) > len(key)}):
        hits = process.extract(key, choices, scorer=distance, processor=None, score_cutoff=far, limit=_MOST_NEAR)
        if hits:
            best = hits[0][1]
            return tuple(sorted(word for word, distance, _place in hits if distance == best))
    return ()


def _vocabulary(texts: _Texts) -> set[str]:
    """Every word that stands in the records about clients, pianos, lots, stages and findings, folded."""
    told = [*texts.found, *map(str, STAGE_TITLES.values())]
    told += _columns(Client, "name", "contact")
    told += _columns(Instrument, "maker", "model", "serial")
    told += _columns(Lot, "code", "material__title")
    held = set("|".join(told).lower().split("|"))  # in small letters, so that most are folded already
    single = {text for text in held if text.isalnum()}
    several = [text.split() for text in held - single]
    words = single.union(*several, map("".join, several))
    keys = (word if word.isascii() and word.isalnum() else search_key(word) for word in words)
    return {key for key in keys if len(key) > 2}


class _Together(Aggregate):
    """All values of a column as one text, a stroke between them: one row to bring here instead of thousands."""

    function = "STRING_AGG"
    output_field = TextField()

    def as_sqlite(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return self.as_sql(compiler, connection, function="GROUP_CONCAT", **extra)


def _columns(model: type[Model], *names: str) -> Iterable[str]:
    rows = model._default_manager.order_by()
    return filter(None, rows.aggregate(**{name: _Together(name, Value("|")) for name in names}).values())


# --- reading ---


def _number(text: str, parse: Callable[[str], int]) -> int | None:
    try:
        return parse(text)
    except MeasurementError:
        return None


def _calendar() -> search.Calendar:
    months = {str(title).casefold().rstrip("."): number for number, title in (*MONTHS_3.items(), *MONTHS.items())}
    return search.Calendar(
        months=months,
        # Translators: words that may stand before a date in a search, between spaces.
        since=_("since after from").split(),
        before=_("before").split(),
        until=_("until till to").split(),
    )


def _midnight(day: datetime.date) -> datetime.datetime:
    return timezone.make_aware(datetime.datetime.combine(day, datetime.time.min))


def _all(parts: Sequence[Q]) -> Q:
    """All of them; of several each is looked up by itself, where a database would read every set for the whole."""
    if len(parts) == 1:
        return parts[0]
    q = Q()
    for part in parts:
        q &= Q(pk__in=Job.objects.filter(part).order_by().values("pk"))
    return q


def _any(parts: Iterable[Q]) -> Q:
    q = Q(pk__in=[])
    for part in parts:
        q |= part
    return q

"""Where the trade plugs into the business: the only eight places, filled by keyboards/apps.py when the program starts.

gates     name of a gate (shop/core/route.py) -> a question about a job. It answers "" when the way is free, else
          a translated sentence that says what is missing.
intake    what the counter asks about the set itself when it is logged in: a form class, the template that
          draws it, and a function that keeps it with the new job, inside the same transaction.
openings  functions that make the trade's starting values when a shop is opened.
worked    asked how many keys of a stage were worked on, for the bill: None where nobody wrote it down.
doubts    asked before a stage is finished: a sentence of what looks forgotten there, "" where nothing does.
at_hand   asked when a technician scans a tag: the address where a set is being read just now, "" where it is not.
personal  what the trade knows of the client of some sets, and how it forgets it.
parcels   which of the trade's tables go into a parcel with a set, and what of a set people can read there.
"""

import datetime
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django import forms
from django.db.models import QuerySet

from shop.models import Job, Stage


@dataclass(frozen=True)
class IntakePart:
    """One fieldset of the counter's form. save(job, form, by=person) runs inside the transaction of log_in."""

    form_class: type[forms.Form]
    template: str
    save: Callable[..., Any]


@dataclass(frozen=True)
class ParcelPart:
    """owned: table -> the path from its rows to their job; whole: tables that go along whole (of a table in both, the
    rows of no job); needed: tables whose rows go along where others name them; history: the events of no set
    (Event.what) that its papers are reckoned with. papers: (name, text) of each file."""

    owned: Mapping[str, str]
    whole: frozenset[str]
    needed: frozenset[str]
    history: frozenset[str]
    papers: Callable[[Job], Iterable[tuple[str, str]]]


@dataclass(frozen=True)
class PersonalPart:
    """held: (slug, title, rows of column -> text) of what is known of the client of the sets. forget: takes it out."""

    held: Callable[[QuerySet[Job]], Iterable[tuple[str, str, list[dict[str, str]]]]]
    forget: Callable[[QuerySet[Job], datetime.datetime], None]


gates: dict[str, Callable[[Job], str]] = {}
intake: list[IntakePart] = []
openings: list[Callable[[], None]] = []
doubts: list[Callable[[Stage], str]] = []
at_hand: list[Callable[[Job], str]] = []
worked: list[Callable[[Stage], int | None]] = []
parcels: list[ParcelPart] = []
personal: list[PersonalPart] = []


def why_closed(gate: str, job: Job) -> str:
    """The sentence that says why a gate is closed; "" where it is open or nobody guards it."""
    question = gates.get(gate)
    return question(job) if question else ""

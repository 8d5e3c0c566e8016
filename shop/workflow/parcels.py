"""Parcels: everything of one set, one piano, one client or the whole shop as an archive to give away or to keep.

A parcel is an archive like a backup (workflow/backups.py), so it goes back into an empty place by `manage.py restore`,
row for row. It holds fewer rows: those that belong to its sets, and those that these name. Beside them, for people:
README.txt, every table as CSV, the readings as the hand-off report carries them. No password, no secret link and no
token goes into one.
"""

import csv
import datetime
import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from django.apps import apps
from django.db import connection, models
from django.utils import timezone
from django.utils.translation import gettext as _

from shop import seams
from shop.about import VERSION
from shop.documents.books import safe
from shop.models import Client, Instrument, Job, Person, Workshop
from shop.workflow import rows
from shop.workflow.backups import Part, archive_make
from shop.workflow.events import record
from shop.workflow.letters import without_links
from shop.workflow.refusal import Refused

# Table -> the path from its rows to their job.
OWNED: Mapping[str, str] = {
    "shop_answer": "estimate__job",
    "shop_answer_extras": "answer__estimate__job",
    "shop_bill": "job",
    "shop_bill_letters": "bill__job",
    "shop_billline": "bill__job",
    "shop_count": "job",
    "shop_estimate": "job",
    "shop_event": "job",
    "shop_line": "estimate__job",
    "shop_option": "estimate__job",
    "shop_payment": "job",
    "shop_spell": "stage__job",
    "shop_stage": "job",
    "shop_tick": "stage__job",
    "shop_use": "job",
}
# Rows that go along where others name them.
NEEDED = frozenset(
    {
        "post_office_attachment",
        "post_office_attachment_emails",
        "post_office_email",
        "post_office_log",
        "shop_branch",
        "shop_client",
        "shop_instrument",
        "shop_job",
        "shop_lot",
        "shop_material",
        "shop_operation",
        "shop_person",
        "shop_taxclass",
    }
)
# Lists that the rows are read by; a program that is given them back fills them itself otherwise.
WHOLE = frozenset({"auth_permission", "django_content_type", "shop_foundtitle", "shop_guide", "shop_workshop"})
# What is of the shop and not of a set: only the whole shop's parcel has it.
SHOPS_OWN = frozenset(
    {
        "auth_group",
        "auth_group_permissions",
        "post_office_emailtemplate",
        "shop_person_groups",
        "shop_person_user_permissions",
        "shop_price",
        "shop_search",
    }
)
# Keys to doors: never in a parcel, of whatever scope.
LEFT_OUT: Mapping[str, str] = {
    "keyboards_share": "secret links end with the place they were made in",
    "shop_feed": "secret links end with the place they were made in",
    "shop_link": "secret links end with the place they were made in",
    "shop_recoverycode": "they belong to the passwords, which are left out",
    "shop_secondfactor": "they belong to the passwords, which are left out",
    "shop_miss": "guesses at links and passwords, of the last minutes",
}
_LETTERS = "post_office_email"
_NO_PASSWORD = "!"  # nosec B105 (what Django writes where no password fits)


@dataclass(frozen=True)
class Parcel:
    """What goes in: the sets with these keys, and these pianos and clients even without a set. None: the whole shop."""

    title: str
    jobs: frozenset[int] | None = None
    instruments: frozenset[int] = field(default_factory=frozenset)
    clients: frozenset[int] = field(default_factory=frozenset)


def parcel_of(subject: Job | Instrument | Client | None) -> Parcel:
    """The parcel of a set, of a piano with all its sets, of a client with all pianos and sets; None: the whole shop."""
    match subject:
        case Job():
            return Parcel(subject.tag, _with_visits({subject.pk}))
        case Instrument():
            jobs = set(subject.jobs.values_list("pk", flat=True))
            return Parcel(f"piano-{subject.pk}", _with_visits(jobs), frozenset({subject.pk}))
        case Client():
            jobs = set(subject.jobs.values_list("pk", flat=True))
            pianos = frozenset(Instrument.objects.filter(client=subject).values_list("pk", flat=True))
            return Parcel(f"client-{subject.pk}", _with_visits(jobs), pianos, frozenset({subject.pk}))
    return Parcel("whole-shop")


def _with_visits(jobs: set[int]) -> frozenset[int]:
    """With the sets that theirs name, such as the visit that a comeback led to."""
    named = [
        (model, one.attname)
        for model in apps.get_models()
        for one in model._meta.concrete_fields
        if one.related_model is Job and one.name != "job"
    ]
    while True:
        more = set()
        for model, column in named:
            found = model._base_manager.filter(job__in=jobs).exclude(**{column: None})
            more |= set(found.values_list(column, flat=True)) - jobs
        if not more:
            return frozenset(jobs)
        jobs = jobs | more


def parcel_make(folder: Path, parcel: Parcel, *, by: Person | None, at: datetime.datetime | None = None) -> Path:
    """Makes the archive in the folder, reads it back and notes that it was made. Raises Refused where it cannot be."""
    at = at or timezone.now()
    path = folder / f"balance-rail-{parcel.title}-{timezone.localtime(at):%Y%m%d-%H%M%S}.zip"
    contents = _Contents(parcel, at)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        archive_make(path, at, Part(parcel.title, contents.lines, contents.beside))
    except OSError as error:
        raise Refused(_("No parcel was made: %(error)s") % {"error": error}) from error
    record("parcel_made", by=by, what_of=parcel.title, at=at)
    return path


class _Contents:
    """Which rows of which table go in. Asked inside the snapshot, so that all is of one moment."""

    def __init__(self, parcel: Parcel, at: datetime.datetime):
        self.parcel, self.at = parcel, at

    @cached_property
    def known(self) -> dict[str, rows.Table]:
        return rows.tables(connection, rows.applied(connection))

    @cached_property
    def owned(self) -> dict[str, str]:
        return {**OWNED, **{table: path for part in seams.parcels for table, path in part.owned.items()}}

    @cached_property
    def whole(self) -> frozenset[str]:
        return WHOLE.union(*(part.whole for part in seams.parcels))

    @cached_property
    def history(self) -> frozenset[str]:
        return frozenset().union(*(part.history for part in seams.parcels))

    @cached_property
    def wanted(self) -> dict[str, set[Any]]:
        """Of the tables in NEEDED, the keys of the rows that go along."""
        wanted: dict[str, set[Any]] = {table: set() for table in NEEDED.union(*(part.needed for part in seams.parcels))}
        wanted["shop_job"] |= self.parcel.jobs or set()
        wanted["shop_instrument"] |= self.parcel.instruments
        wanted["shop_client"] |= self.parcel.clients
        links = self.known["shop_link"]._base_manager.filter(estimate__job__in=self.parcel.jobs)
        wanted[_LETTERS] |= set(links.exclude(letter=None).values_list("letter", flat=True))
        fresh = {table: models.Q() for table in self.whole} | {table: self._where(table) for table in self.owned}
        fresh |= {table: models.Q(pk__in=keys) for table, keys in wanted.items() if keys}
        while fresh:
            named = self._named(fresh)
            fresh = {}
            for table, keys in named.items():
                if table in wanted and (more := keys - wanted[table]):
                    wanted[table] |= more
                    fresh[table] = models.Q(pk__in=more)
        letters = wanted[_LETTERS]
        for table in ("post_office_log", "post_office_attachment_emails"):
            wanted[table] = set(self.known[table]._base_manager.filter(email__in=letters).values_list("pk", flat=True))
        pairs = self.known["post_office_attachment_emails"]._base_manager.filter(email__in=letters)
        wanted["post_office_attachment"] = set(pairs.values_list("attachment", flat=True))
        return wanted

    def _named(self, fresh: Mapping[str, models.Q]) -> dict[str, set[Any]]:
        """Table -> the keys of its rows that these rows name."""
        named: dict[str, set[Any]] = {}
        for table, where in fresh.items():
            model = self.known[table]
            for one in model._meta.concrete_fields:
                if isinstance(one, models.ForeignKey):
                    found = model._base_manager.filter(where).exclude(**{one.attname: None})
                    keys = set(found.order_by().values_list(one.attname, flat=True).distinct())
                    change = self.changes(table).get(one.attname)
                    keys = {change(key) for key in keys} if change else keys
                    named.setdefault(one.related_model._meta.db_table, set()).update(keys)  # type: ignore[union-attr]
        return named

    def _where(self, table: str) -> models.Q:
        mine = models.Q(**{f"{self.owned[table]}__in": self.parcel.jobs})
        if table == "shop_event":
            return mine | models.Q(job=None, what__in=self.history)
        return mine | models.Q(**{self.owned[table]: None}) if table in self.whole else mine

    @cached_property
    def _clients(self) -> Mapping[int, int]:
        """Of every piano that goes in: who may stand as its client. Sold since, its new owner is nobody's business."""
        jobs = Job.objects.filter(pk__in=self.parcel.jobs or ()).order_by("number").values_list("instrument", "client")
        allowed = {client for _piano, client in jobs} | self.parcel.clients
        last = dict(jobs)
        pianos = Instrument.objects.filter(pk__in={*last, *self.parcel.instruments}).values_list("pk", "client")
        return {client: client if client in allowed else last[piano] for piano, client in pianos}

    def changes(self, table: str) -> Mapping[str, Callable[[Any], Any]]:
        """Column -> what stands in its place: no passwords, no secrets of links, of people here their names alone."""
        part = self.parcel.jobs is not None
        if table == "shop_person":
            blank = {"email": lambda _value: ""} if part else {}
            return {
                "password": lambda _value: _NO_PASSWORD,
                "quick_pin": lambda _value: "",
                "last_login": lambda _value: None,
                **blank,
            }
        if table == _LETTERS:
            return {"message": without_links, "html_message": without_links}
        if table == "shop_instrument" and part and not self.parcel.title.startswith("piano"):
            return {"client_id": lambda client: self._clients.get(client, client)}
        return {}

    def lines(self, table: str, model: rows.Table) -> Iterator[str]:
        """The rows of one table that go in."""
        where = self._rows_of(table)
        return iter(()) if where is None else rows.lines(connection, model, where=where, changes=self.changes(table))

    def _rows_of(self, table: str) -> models.Q | None:
        if table in LEFT_OUT:
            return None
        if self.parcel.jobs is None:
            return models.Q()
        if table in self.owned:
            return self._where(table)
        if table in self.whole:
            return models.Q()
        return models.Q(pk__in=keys) if (keys := self.wanted.get(table)) else None

    # --- what people read ---

    def beside(self) -> Iterator[tuple[str, Iterable[bytes]]]:
        """README.txt, each table that has rows as CSV, the readings of each set."""
        counts: dict[str, int] = {}
        for table, model in self.known.items():
            counts[table] = 0
            yield f"read/tables/{table}.csv", self._csv(table, model, counts)
        jobs = Job.objects.for_lists().select_related("compass")
        if self.parcel.jobs is not None:
            jobs = jobs.filter(pk__in=self.parcel.jobs)
        for job in jobs.iterator(chunk_size=100):
            for part in seams.parcels:
                for name, text in part.papers(job):
                    yield f"read/{name}", [text.encode()]
        yield "README.txt", [readme(self.parcel, counts, self.at).encode()]

    def _csv(self, table: str, model: rows.Table, counts: dict[str, int]) -> Iterator[bytes]:
        yield _csv_line(rows.columns(model))
        for line in self.lines(table, model):
            counts[table] += 1
            yield _csv_line(json.loads(line))


def _csv_line(values: Iterable[Any]) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\r\n").writerow([_cell(value) for value in values])
    return out.getvalue().encode()


def _cell(value: Any) -> str:
    match value:
        case None:
            return ""
        case str():
            return safe(value)
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


# --- what it says of itself ---

_README = """\
{shop}: {title}
Made on {day} by Balance Rail {version}.

WHAT IS IN HERE
  read/           for people: the readings of each set (CSV and JSON, as in its hand-off report), every table as
                  CSV in UTF-8. A text that a spreadsheet would take for a formula has an apostrophe in front.
  rows/           the same tables for programs: a row a line, a JSON list of the values in the order of the
                  columns below. Moments are in UTC, money and long numbers are text.
  media/          photos and papers, under the names that the rows give them.
  manifest.json   the program's version, the columns, and length and SHA-256 of every file.

WHAT IS NOT
  Passwords and secret links. In a letter's text the secret of its link is left out.{part}

BACK IN
  On a machine with Balance Rail {version} or newer, into an empty place:
      manage.py restore THIS-FILE
      manage.py changepassword NAME      (nobody has a password there yet; the names are in read/tables/shop_person.csv)

UNITS
  Readings are whole numbers: lengths in thousandths of a millimetre, angles in thousandths of a degree, weights in
  milligrams. Columns that end in _id name the row with that key in another table.

THE TABLES
"""
_PART = """
  Of the people of the shop their names alone. What belongs to other sets."""


def readme(parcel: Parcel, counts: Mapping[str, int], at: datetime.datetime) -> str:
    """The page that says what an archive holds: every table that has rows, with its columns."""
    parts = [
        _README.format(
            shop=Workshop.ours().name,
            title=parcel.title,
            day=f"{timezone.localtime(at):%Y-%m-%d}",
            version=VERSION,
            part="" if parcel.jobs is None else _PART,
        )
    ]
    models_by_table = {model._meta.db_table: model for model in apps.get_models(include_auto_created=True)}
    for table, count in counts.items():
        if count and (model := models_by_table.get(table)):
            parts.append(f"\n{table} ({count})\n")
            if model._meta.app_label in ("shop", "keyboards") and not model._meta.auto_created:
                parts += [f"  {line.strip()}\n" for line in (model.__doc__ or "").strip().splitlines() if line.strip()]
            parts += [f"    {_column(one)}\n" for one in model._meta.concrete_fields]
    return "".join(parts)


def _column(one: Any) -> str:
    kind = f"key of {one.related_model._meta.db_table}" if one.related_model else one.get_internal_type()
    title = str(one.verbose_name)
    words = str(one.help_text) or (title if title != one.name.replace("_", " ") else "")
    choices = "one of " + ", ".join(str(value) for value, _title in one.flatchoices) if one.choices else ""
    return f"{one.column}: " + "; ".join(filter(None, (kind, words, choices)))

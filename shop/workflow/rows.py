"""Every row of the database as lines of text that any database this program runs on can take in again.

The tables are those of the migrations that have been applied, not of the code that happens to run: a backup made just
before an update, and the restoring of an old one, both meet tables that the newest models no longer fit.

A line is a JSON list, a value for each column: moments in UTC, money and UUIDs as text, JSON as it is with sorted keys.
The same row gives the same line on SQLite and on PostgreSQL, which is what the comparisons stand on.
"""

import base64
import datetime
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from itertools import islice
from typing import Any
from uuid import UUID

from django.core.management.color import no_style
from django.db import models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.operations import RunPython
from django.utils.duration import duration_iso_string

# Who is signed in just now: of no use elsewhere, and as good as a password to whoever finds it.
LEFT_OUT = {"django_session", "shop_session"}
_AT_ONCE = 500

Table = type[models.Model]


class Unknown(Exception):  # noqa: N818  (it is an answer, not a fault)
    """The database, or what is to be read into it, has migrations that this program does not."""


@dataclass
class Tally:
    """How many lines, and the sum of their SHA-256: the same rows give the same sum in any order."""

    rows: int = 0
    total: int = 0

    def add(self, line: str) -> None:
        self.rows += 1
        self.total = (self.total + int.from_bytes(hashlib.sha256(line.encode()).digest())) % 2**256

    @property
    def sum(self) -> str:
        return f"{self.total:064x}"


def applied(connection: BaseDatabaseWrapper) -> list[tuple[str, str]]:
    """The migrations that were applied, sorted. Raises Unknown for one this program has not."""
    loader = MigrationLoader(connection)
    done = sorted(key for key in loader.applied_migrations if key[0] in loader.migrated_apps)
    if strange := [f"{app}.{name}" for app, name in done if (app, name) not in loader.graph.nodes]:
        raise Unknown(", ".join(strange))
    return done


def tables(connection: BaseDatabaseWrapper, migrations: list[tuple[str, str]]) -> dict[str, Table]:
    """The tables after these migrations, with a model of what they looked like then. Raises Unknown."""
    loader = MigrationLoader(connection)
    if strange := [f"{app}.{name}" for app, name in migrations if (app, name) not in loader.graph.nodes]:
        raise Unknown(", ".join(strange))
    found = loader.project_state(migrations).apps.get_models(include_auto_created=True)
    return {
        model._meta.db_table: model
        for model in sorted(found, key=lambda model: model._meta.db_table)
        if model._meta.managed and not model._meta.proxy and model._meta.db_table not in LEFT_OUT
    }


def columns(model: Table) -> list[str]:
    """The names of a table's columns, in the order of a line."""
    return [field.column for field in model._meta.concrete_fields]


@contextmanager
def snapshot(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """All that is read inside is of one moment; those who write meanwhile are not held up."""
    if connection.vendor == "sqlite":
        # atomic() would take the one writer's place (IMMEDIATE).
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
            try:
                yield
            finally:
                cursor.execute("ROLLBACK")
    else:
        with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield


def lines(
    connection: BaseDatabaseWrapper,
    model: Table,
    *,
    where: models.Q | None = None,
    changes: Mapping[str, Callable[[Any], Any]] | None = None,
) -> Iterator[str]:
    """Every row of a table as a line, without its line end, sorted by its key.

    where: which rows alone. changes: column (attname) -> what stands in its place.
    """
    names = [field.attname for field in model._meta.concrete_fields]
    found = model._base_manager.using(connection.alias).order_by("pk")
    rows = (found if where is None else found.filter(where)).values_list(*names)
    edits = [(number, changes[name]) for number, name in enumerate(names) if changes and name in changes]
    for row in rows.iterator(chunk_size=_AT_ONCE):
        if edits:
            row = list(row)
            for number, change in edits:
                row[number] = change(row[number])
        yield json.dumps(row, default=_plain, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def _plain(value: Any) -> str:
    match value:
        case datetime.datetime():
            return value.astimezone(datetime.UTC).isoformat()
        case datetime.date() | datetime.time():
            return value.isoformat()
        case datetime.timedelta():
            return duration_iso_string(value)
        case Decimal() | UUID():
            return str(value)
        case bytes() | memoryview():
            return base64.b64encode(value).decode()
    raise TypeError(f"no way to write a {type(value).__name__}")


def fill(connection: BaseDatabaseWrapper, model: Table, texts: Iterable[str]) -> Tally:
    """Puts lines into an empty table as they are: nothing is reckoned, stamped or checked on the way. Raises ValueError
    for a line that is no row of this table."""
    fields, tally = model._meta.concrete_fields, Tally()
    quote = connection.ops.quote_name
    into = f"INSERT INTO {quote(model._meta.db_table)} ({', '.join(quote(field.column) for field in fields)}) "
    statement = into + f"VALUES ({', '.join(['%s'] * len(fields))})"
    waiting = iter(texts)
    with connection.cursor() as cursor:
        while some := list(islice(waiting, _AT_ONCE)):
            rows = []
            for line in some:
                values = json.loads(line)
                if not isinstance(values, list) or len(values) != len(fields):
                    raise ValueError(f"{model._meta.db_table}: a line with other columns")
                rows.append([_prepared(connection, *pair) for pair in zip(fields, values, strict=True)])
                tally.add(line)
            cursor.executemany(statement, rows)
    return tally


def _prepared(connection: BaseDatabaseWrapper, field: models.Field, value: Any) -> Any:
    if isinstance(field, models.JSONField) and (value is not None or not field.null):
        return connection.ops.adapt_json_value(value, field.encoder)  # None here is JSON's own null
    if value is None:
        return None
    return field.get_db_prep_save(field.to_python(value), connection)


def build(connection: BaseDatabaseWrapper, migrations: list[tuple[str, str]]) -> dict[str, Table]:
    """Makes the tables of these migrations in an empty database, with not a row in them.

    What migrations do with rows is left out: they find none here, and those of ours speak to the shop's own database,
    whichever one is made."""
    there = set(migrations)
    known = tables(connection, migrations)
    executor = MigrationExecutor(connection)
    # The last ones of each app: naming an earlier one after a later one would undo the later.
    children = executor.loader.graph.node_map
    last = [
        key
        for key in migrations
        if not any(child.key[0] == key[0] and child.key in there for child in children[key].children)
    ]
    for migration, _backwards in executor.migration_plan(last):
        vars(migration)["operations"] = [one for one in migration.operations if not isinstance(one, RunPython)]
    executor.migrate(last)
    with connection.cursor() as cursor:
        for table in known:
            cursor.execute(f"DELETE FROM {connection.ops.quote_name(table)}")  # nosec B608 (a name of our own)
        if connection.vendor == "postgresql":
            # Tables are filled by name, not by who needs whom; making them may have left some checks at once.
            cursor.execute("SET CONSTRAINTS ALL DEFERRED")
    return known


def settle(connection: BaseDatabaseWrapper, known: dict[str, Table]) -> None:
    """After filling: the counters go on behind the highest number, and every row finds those it names."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), list(known.values())):
            cursor.execute(statement)
    connection.check_constraints()


def tally(connection: BaseDatabaseWrapper, model: Table) -> Tally:
    """Reads a table and counts it up."""
    counted = Tally()
    for line in lines(connection, model):
        counted.add(line)
    return counted

"""Plain keyword-only functions that make rows for tests, each with just enough around it."""

import datetime
import itertools
from decimal import Decimal
from typing import Any

from django.utils import timezone

from keyboards.models import Check, CheckKind, Compass, KeyReading
from shop.models import Client, ClientKind, Instrument, Job, Person, Role, Workshop
from shop.workflow.jobs import log_in

_numbers = itertools.count(1)


def make_person(*, role: str = Role.TECHNICIAN, username: str | None = None, **fields: Any) -> Person:
    number = next(_numbers)
    person = Person(username=username or f"{role}{number}", role=role, **fields)
    person.set_password("long enough for a test")
    person.save()
    return person


def make_workshop(**fields: Any) -> Workshop:
    row = Workshop.ours()
    for name, value in {"name": "Testing Key Works", **fields}.items():
        setattr(row, name, value)
    row.save()
    return row


def make_client(*, name: str = "Ilse Varga", **fields: Any) -> Client:
    return Client.objects.create(name=name, **{"kind": ClientKind.OWNER, "email": "ilse@example.org", **fields})


def make_instrument(*, client: Client | None = None, **fields: Any) -> Instrument:
    return Instrument.objects.create(
        client=client or make_client(), **{"maker": "Thornquist", "year": 1928, "serial": "48 213", **fields}
    )


def make_job(
    *,
    by: Person | None = None,
    client: Client | None = None,
    instrument: Instrument | None = None,
    at: datetime.datetime | None = None,
    first_midi: int = 21,
    count: int = 88,
    missing: list[int] | None = None,
    **arrived: Any,
) -> Job:
    """A job with its route and its compass, as the counter logs it in."""
    client = client or (instrument.client if instrument else make_client())
    job = log_in(
        client=client,
        instrument=instrument or make_instrument(client=client),
        by=by or make_person(role=Role.DESK),
        at=at,
        **arrived,
    )
    missing = missing or []
    Compass.objects.create(job=job, first_midi=first_midi, count=count, missing=missing)
    job.first_note = first_midi
    job.grades = "".join("-" if key in missing else "." for key in range(1, count + 1))
    job.save(update_fields=["first_note", "grades"])
    return job


def make_check(
    *,
    job: Job | None = None,
    kind: str = CheckKind.ARRIVAL,
    by: Person | None = None,
    closed: bool = False,
    **fields: Any,
) -> Check:
    job = job or make_job()
    by = by or make_person()
    now = timezone.now()
    fields = {"quantities": ["balance_mortise_width", "balance_pin"], "humidity": Decimal("50.0"), **fields}
    if closed:
        fields = {"closed_at": now, "closed_by": by, **fields}
    return Check.objects.create(job=job, kind=kind, begun_at=now, begun_by=by, **fields)


def make_readings(*, check: Check, keys: range | list[int] | None = None, **columns: Any) -> list[KeyReading]:
    """Rows for keys, each column a value for all or a list with one a key (canonical integers)."""
    numbers = list(keys if keys is not None else check.job.compass.present)
    rows = []
    for index, key in enumerate(numbers):
        values = {name: value[index] if isinstance(value, (list, tuple)) else value for name, value in columns.items()}
        rows.append(KeyReading(check_done=check, key=key, **values))
    return KeyReading.objects.bulk_create(rows)

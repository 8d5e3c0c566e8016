"""Plain keyword-only functions that make rows for tests, each with just enough around it."""

import datetime
import itertools
import re
from decimal import Decimal
from typing import Any

from django.utils import timezone

from keyboards.models import Check, CheckKind, Compass, KeyReading
from shop.models import Client, ClientKind, Estimate, Instrument, Job, Operation, Person, Role, Workshop
from shop.workflow.estimates import DraftLine, DraftOption, estimate_draft, estimate_send
from shop.workflow.jobs import log_in
from shop.workflow.opening import open_shop

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


def make_draft(
    *, job: Job | None = None, by: Person | None = None, prices: bool = True, extras: bool = True, **fields: Any
) -> Estimate:
    """A draft with three options over the starting price list: new cloth, cloth and buttons, all new buttons."""
    if prices and not Operation.objects.exists():
        open_shop(name=Workshop.ours().name)
    keys = Decimal(88)
    options = [
        DraftOption(
            "New cloth", "all 88 keys", ("lowest price",), lines=(DraftLine("cloth", keys), DraftLine("strip", keys))
        ),
        DraftOption(
            "Cloth and buttons",
            "buttons in the bass",
            ("even touch",),
            advised=True,
            lines=(
                DraftLine("strip", Decimal(62)),
                DraftLine("cloth", keys),
                DraftLine("button_batch", Decimal(26), section="bass 1–26"),
                DraftLine("button_setup", Decimal(1), section="bass 1–26"),
            ),
        ),
        DraftOption("All new buttons", lines=(DraftLine("cloth", keys), DraftLine("button_batch", keys))),
    ]
    common = [DraftLine("pins", Decimal(1)), DraftLine("final", Decimal(1))]
    if extras:
        common.append(DraftLine("tops", Decimal(2), section="keys 40, 41", kind="extra"))
    return estimate_draft(
        job=job or make_job(),
        options=options,
        common=common,
        by=by or make_person(role=Role.OWNER),
        **{"intro": "We read all 88 keys.", "allowance_keys": 8, **fields},
    )


def make_sent(*, by: Person | None = None, to: str = "ilse@example.org", at: Any = None, **fields: Any) -> Estimate:
    """An estimate that is with the client. Ask for the fixture quick_paper where the PDF does not matter."""
    owner = by or make_person(role=Role.OWNER)
    estimate_send(make_draft(by=owner, at=at, **fields), to=to, by=owner, at=at)
    return Estimate.objects.latest("pk")


def token_of(estimate: Estimate) -> str:
    """The token in the newest letter about an estimate, as the client finds it there."""
    letter = estimate.links.first().letter
    return re.search(r"/estimate/([A-Za-z0-9_-]{43})/", letter.message).group(1)

"""The shop's measuring instruments and its list of findings: kept, taken out of use, taken up again."""

import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from keyboards.models import Finding, Gauge
from shop.models import Person
from shop.workflow.events import record


@transaction.atomic
def gauge_keep(gauge: Gauge, *, by: Person, at: datetime.datetime | None = None) -> Gauge:
    """Keeps a new instrument, or what was changed of one; what it was before stands in the event, because a report
    about readings taken before says what held then (keyboards/proving.py)."""
    before = Gauge.objects.filter(pk=gauge.pk).first() if gauge.pk else None
    gauge.save()
    told = {"gauge": gauge.pk, "name": gauge.name, "in_use": gauge.retired_at is None, **facts_of(gauge)}
    if before is None:
        record("gauge_added", by=by, at=at, **told)
    else:
        record("gauge_changed", by=by, at=at, was=facts_of(before), **told)
    return gauge


def facts_of(gauge: Gauge) -> dict[str, Any]:
    """What a report says of an instrument, as an event keeps it."""
    checked = gauge.checked_on.isoformat() if gauge.checked_on else None
    return {"figures": [gauge.resolution, gauge.error, gauge.repeatability], "checked_on": checked}


@transaction.atomic
def finding_keep(finding: Finding, *, by: Person, at: datetime.datetime | None = None) -> Finding:
    """Keeps a new finding, or what was changed of one. Grades given before stay as they were given."""
    what = "finding_changed" if finding.pk else "finding_added"
    finding.save()
    record(what, by=by, at=at, code=finding.code, grade=finding.grade, in_use=finding.retired_at is None)
    return finding


def turn(row: Gauge | Finding, *, in_use: bool) -> None:
    """Takes the row out of the lists that are chosen from, or back into them. Nothing that names it changes."""
    row.retired_at = None if in_use else (row.retired_at or timezone.now())

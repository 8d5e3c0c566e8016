"""The shop's measuring instruments and its list of findings: kept, taken out of use, taken up again."""

import datetime

from django.db import transaction
from django.utils import timezone

from keyboards.models import Finding, Gauge
from shop.models import Person
from shop.workflow.events import record


@transaction.atomic
def gauge_keep(gauge: Gauge, *, by: Person, at: datetime.datetime | None = None) -> Gauge:
    """Keeps a new instrument, or what was changed of one."""
    what = "gauge_changed" if gauge.pk else "gauge_added"
    gauge.save()
    figures = [gauge.resolution, gauge.error, gauge.repeatability]
    in_use = gauge.retired_at is None
    record(what, by=by, at=at, gauge=gauge.pk, name=gauge.name, in_use=in_use, figures=figures)
    return gauge


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

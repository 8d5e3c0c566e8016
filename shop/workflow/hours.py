"""What finished jobs really took, and the price list that learns from it."""

import datetime
from collections.abc import Collection
from decimal import Decimal

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.core.hours import Learned, Worked, learned
from shop.models import Job, Line, Operation, Person, Stage
from shop.workflow.events import record
from shop.workflow.prices import price_change
from shop.workflow.refusal import Refused

# The price list learns from the sets that went home last: so many.
LATELY = 200


def worked() -> list[Worked]:
    """Every operation of the sets that went home last, with the hours booked on its stage. Stages without a booked
    hour are left out: nobody wrote down what they took. Three queries of plain values, however many jobs."""
    lately = list(Job.objects.home_lately(LATELY).values_list("pk", flat=True))
    booked: dict[tuple[int, str], Decimal] = {}
    stages = Stage.objects.filter(job__in=lately, spells__minutes__isnull=False).order_by()
    for job, kind, minutes in stages.values_list("job", "kind", "spells__minutes"):
        booked[job, kind] = booked.get((job, kind), Decimal(0)) + minutes
    lines = Line.objects.agreed().filter(estimate__job__in=lately).exclude(stage="").exclude(minutes=0).order_by()
    rows = list(lines.values_list("estimate__job", "stage", "operation__code", "minutes", "quantity"))
    quoted: dict[tuple[int, str], Decimal] = {}
    for job, stage, _code, minutes, units in rows:
        quoted[job, stage] = quoted.get((job, stage), Decimal(0)) + units * minutes
    return [
        Worked(
            job=job,
            code=code,
            unit_minutes=minutes,
            units=units,
            stage_quoted=quoted[job, stage],
            stage_booked=booked.get((job, stage), Decimal(0)),
        )
        for job, stage, code, minutes, units in rows
        if code is not None
    ]


def lessons(today: datetime.date) -> list[tuple[Operation, Learned]]:
    """What was learned about each operation on the price list, against the minutes that hold today, in its order."""
    operations = Operation.objects.in_use().as_of(today)
    found = {row.code: row for row in learned(worked(), {row.code: row.minutes for row in operations})}
    return [(operation, found[operation.code]) for operation in operations if operation.code in found]


@transaction.atomic
def minutes_learn(codes: Collection[str], *, by: Person, at: datetime.datetime | None = None) -> list[str]:
    """Takes the proposed minutes of these operations over into the price list, from today on; the titles of what
    changed.

    Proposals are reckoned afresh: what the page showed may be an hour old. Estimates that are written keep theirs.
    """
    at = at or timezone.now()
    taken = []
    for operation, lesson in lessons(timezone.localdate(at)):
        if operation.code in codes and lesson.proposal is not None:
            price_change(operation.code, {"minutes": lesson.proposal}, by=by, at=at)
            taken.append(operation)
    if not taken:
        raise Refused(_("None of these has a proposal any more."))
    record("minutes_learned", by=by, at=at, codes=[row.code for row in taken])
    return [row.title for row in taken]

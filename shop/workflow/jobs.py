"""A set comes in, is counted in, and what is known about it changes."""

import datetime
import uuid
from collections.abc import Callable, Iterable
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.models import Client, Instrument, Job, Person, Workshop
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused

# Fields of Job whose values may stand in an event; texts may hold what is nobody else's business.
_PLAIN = ("boxes", "with_keyframe", "with_sample_pins", "humidity", "branch")


class LoggedInAlready(Refused):
    """The page was sent twice; .job is what the first time made."""

    def __init__(self, job: Job):
        super().__init__(_("This page has logged in %(tag)s already.") % {"tag": job.tag})
        self.job = job


@transaction.atomic
def log_in(
    *,
    client: Client,
    instrument: Instrument,
    by: Person,
    at: datetime.datetime | None = None,
    op: uuid.UUID | None = None,
    parts: Iterable[Callable[[Job], Any]] = (),
    **arrived: Any,
) -> Job:
    """Makes the job with the next tag and its route. client and instrument may be new, unsaved rows.

    arrived: the fields of Job that say what came (boxes, with_keyframe, damage, wishes, ...). parts: what keeps the
    set itself (compass, photos; the intake parts of shop/seams.py), called in the same transaction.
    op: made with the page. A second call with it raises LoggedInAlready and changes nothing.
    """
    at = at or timezone.now()
    list(Workshop.objects.select_for_update())  # one log-in at a time: two would find the same next number
    if op is not None and (before := Job.objects.filter(op=op).first()):
        raise LoggedInAlready(before)
    if client.pk is None:
        client.save()
        record("client_added", by=by, at=at, client=client.pk)
    moved = instrument.pk is not None and instrument.client_id != client.pk
    if instrument.pk is None or moved:
        instrument.client = client
        instrument.save()
    highest = Job.objects.aggregate(highest=Max("number"))["highest"] or 0
    job = Job.objects.create(
        op=op or uuid.uuid4(),
        number=highest + 1,
        client=client,
        instrument=instrument,
        received_at=at,
        received_by=by,
        branch_id=by.branch_id,
        **arrived,
    )
    stages.lay_route(job)
    record("job_logged_in", by=by, job=job, at=at, boxes=job.boxes)
    if moved:
        record("instrument_moved", by=by, job=job, at=at, instrument=instrument.pk)
    for keep in parts:
        keep(job)
    return job


def _json(value: Any) -> Any:
    return value if value is None or isinstance(value, (bool, int, str)) else str(value)


@transaction.atomic
def job_change(job: Job, *, by: Person, at: datetime.datetime | None = None, **values: Any) -> Job:
    """Corrects what was written down about the arrival (fields of Job). The event names what changed."""
    job = stages.lock(job)
    changes = []
    for name, value in values.items():
        before = getattr(job, name)
        if before == value:
            continue
        changes.append([name, _json(before), _json(value)] if name in _PLAIN else [name])
        setattr(job, name, value)
    if changes:
        job.save(update_fields=list(values))
        record("job_changed", by=by, job=job, at=at, changes=changes)
    return job


@transaction.atomic
def promise_change(
    job: Job, *, by: Person, to: datetime.date | None, reason: str = "", at: datetime.datetime | None = None
) -> Job:
    """Gives the set another promised date, or none."""
    job = stages.lock(job)
    if job.left_at:
        raise Refused(_("This set has gone home."))
    before = job.promised_on
    if before == to:
        return job
    job.promised_on = to
    job.save(update_fields=["promised_on"])
    record(
        "promise_changed",
        by=by,
        job=job,
        at=at,
        before=before.isoformat() if before else "",
        after=to.isoformat() if to else "",
        reason=reason.strip(),
    )
    return job

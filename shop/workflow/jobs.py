"""A set comes in."""

import datetime
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from shop.models import Client, Instrument, Job, Person
from shop.workflow import stages
from shop.workflow.events import record


@transaction.atomic
def log_in(
    *,
    client: Client,
    instrument: Instrument,
    by: Person,
    at: datetime.datetime | None = None,
    **arrived: Any,
) -> Job:
    """Makes the job with the next tag and its route. client and instrument may be new, unsaved rows.

    arrived: the fields of Job that say what came (boxes, with_keyframe, damage, wishes, ...). The set itself
    (compass, missing keys) is kept by the intake parts of shop/seams.py in the same transaction.
    """
    at = at or timezone.now()
    if client.pk is None:
        client.save()
        record("client_added", by=by, at=at, client=client.pk)
    if instrument.pk is None or instrument.client_id != client.pk:
        instrument.client = client
        instrument.save()
    highest = Job.objects.aggregate(highest=Max("number"))["highest"] or 0
    job = Job.objects.create(
        number=highest + 1,
        client=client,
        instrument=instrument,
        received_at=at,
        received_by=by,
        **arrived,
    )
    stages.lay_route(job)
    record("job_logged_in", by=by, job=job, at=at, boxes=job.boxes)
    return job

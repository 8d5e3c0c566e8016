"""A drawing is taken away to be cut from: it becomes a version of its own, unless nothing changed since the last."""

import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from keyboards.models import Drawing
from shop.models import Job, Person
from shop.workflow import stages
from shop.workflow.events import record


@transaction.atomic
def drawing_make(*, job: Job, contents: dict[str, Any], by: Person, at: datetime.datetime | None = None) -> Drawing:
    """The newest version where it says the same, else a new one."""
    at = at or timezone.now()
    stages.lock(job)
    newest = Drawing.objects.filter(job=job).first()
    if newest is not None and newest.contents == contents:
        return newest
    version = newest.version + 1 if newest else 1
    drawing = Drawing.objects.create(job=job, version=version, made_at=at, made_by=by, contents=contents)
    record("drawing_made", by=by, job=job, at=at, version=version)
    return drawing

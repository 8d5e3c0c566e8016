"""Events: written in the transaction of what they tell, only ever added."""

import datetime
from typing import Any

from django.utils import timezone

from shop.models import Event, Job, Person


def record(
    what: str,
    *,
    by: Person | None,
    job: Job | None = None,
    at: datetime.datetime | None = None,
    **details: Any,
) -> Event:
    """Adds one event. details must be JSON: numbers, text, lists; money as text. No personal data of clients."""
    return Event.objects.create(at=at or timezone.now(), by=by, job=job, what=what, details=details)

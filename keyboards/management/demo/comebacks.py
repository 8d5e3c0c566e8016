"""What came back, in the demonstration: two keys whose cloth came loose in a dry autumn."""

import datetime

from django.utils import timezone

from keyboards.models import Cause, Comeback
from keyboards.workflow.comebacks import comeback_keep
from shop.models import Job, Person, Use


def came_back(job: Job, *, by: Person, now: datetime.datetime) -> None:
    """A set that has gone home is heard of again."""
    glue = Use.objects.filter(job=job, lot__material__kind="glue", where="cloth").select_related("lot").first()
    comeback_keep(
        Comeback(job=job),
        by=by,
        keys=[43, 44],
        reported_on=max(timezone.localdate(now) - datetime.timedelta(days=9), timezone.localdate(job.left_at)),
        cause=Cause.CLOTH_LOOSE,
        stage="cloth",
        lot=glue.lot if glue else None,
        done="Glued again at the piano; the room stood at 31 % RH.",
        at=now,
    )

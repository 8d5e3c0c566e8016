"""A set comes back under guarantee, or after it: written down with its keys and its cause."""

import datetime
from collections.abc import Sequence
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.core.comebacks import guarantee_ends
from keyboards.models import Comeback
from shop.models import Job, Lot, Person, Workshop
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused


def is_under_guarantee(job: Job, day: datetime.date) -> bool:
    """Whether the shop's guarantee on a set that has gone home still ran that day."""
    months = Workshop.ours().guarantee_months
    return job.left_at is not None and months > 0 and day <= guarantee_ends(timezone.localdate(job.left_at), months)


class TwiceOnADay(Refused):
    """The same keys of a set are written down for that day already; again=True says that it is a second time."""


@transaction.atomic
def comeback_keep(
    comeback: Comeback,
    *,
    by: Person,
    keys: Sequence[int],
    reported_on: datetime.date,
    cause: str,
    stage: str = "",
    lot: Lot | None = None,
    done: str = "",
    visit: Job | None = None,
    again: bool = False,
    at: datetime.datetime | None = None,
) -> Comeback:
    """Keeps a comeback, new or corrected. Refused for a set that has not gone home, and for a day before it did;
    a new one of the same keys on the same day raises TwiceOnADay unless it is told that they came back again."""
    job, at = stages.lock(comeback.job), at or timezone.now()
    if job.left_at is None:
        raise Refused(_("This set has not gone home yet."))
    if reported_on < timezone.localdate(job.left_at):
        raise Refused(_("That day lies before the day the set went home."))
    if reported_on > timezone.localdate(at):
        raise Refused(_("That day has not come yet."))
    that_day = [] if again or comeback.pk else Comeback.objects.filter(job=job, reported_on=reported_on)
    if any(set(row.keys) == set(keys) for row in that_day):
        raise TwiceOnADay(_("These keys are written down for that day already. Did they come back a second time?"))
    what = "comeback_corrected" if comeback.pk else "comeback_recorded"
    facts: dict[str, Any] = {
        "reported_on": reported_on,
        "keys": sorted(set(keys)),
        "cause": cause,
        "stage": stage,
        "lot": lot,
        "done": done.strip(),
        "visit": visit,
    }
    for name, value in facts.items():
        setattr(comeback, name, value)
    comeback.under_guarantee = is_under_guarantee(job, reported_on)
    if not comeback.pk:
        comeback.by, comeback.at = by, at
    comeback.save()
    record(what, by=by, job=job, at=at, comeback=comeback.pk, keys=len(comeback.keys), cause=cause)
    return comeback

"""Keys and boxes are counted whenever a set comes in, goes out or comes back; what is missing is told everywhere."""

import datetime

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.core import route
from shop.models import Branch, Count, CountKind, Job, Person, Spell, Stage
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused


def _keep(
    job: Job,
    kind: CountKind,
    *,
    by: Person,
    keys: int,
    boxes: int,
    at: datetime.datetime,
    place: str = "",
    note: str = "",
) -> Count:
    """Writes the count down; what it misses stays on the set until a later count finds it."""
    count = Count.objects.create(
        job=job,
        kind=kind,
        at=at,
        by=by,
        keys=keys,
        boxes=boxes,
        keys_due=job.keys_here,
        boxes_due=job.boxes,
        place=place.strip(),
        note=note.strip(),
    )
    job.keys_short, job.boxes_short = count.keys_short, count.boxes_short
    job.save(update_fields=["keys_short", "boxes_short"])
    if count.keys != count.keys_due or count.boxes != count.boxes_due:
        record(
            "count_differed",
            by=by,
            job=job,
            at=at,
            keys=keys,
            boxes=boxes,
            keys_logged=count.keys_due,
            boxes_logged=count.boxes_due,
        )
    return count


@transaction.atomic
def count_in(job: Job, *, by: Person, keys: int, boxes: int, at: datetime.datetime | None = None) -> bool:
    """Compares what was counted with what was logged in; finishes the stage where both agree.

    Says whether they did. A count that differs is written down and the stage stays open: either the count or the
    log is wrong, and one of them must be put right before anybody takes a key in hand.
    """
    at = at or timezone.now()
    job = stages.lock(job)
    stage = job.current_stage
    if stage is None or stage.kind != "count_in":
        raise Refused(_("This set has been counted in already."))
    _keep(job, CountKind.IN, by=by, keys=keys, boxes=boxes, at=at)
    if (keys, boxes) != (job.keys_here, job.boxes):
        return False
    stages.stage_finish(stage, by=by, at=at)
    record("job_counted", by=by, job=job, at=at, keys=keys, boxes=boxes)
    return True


@transaction.atomic
def count_again(
    job: Job, *, by: Person, keys: int, boxes: int, note: str = "", at: datetime.datetime | None = None
) -> Count:
    """A count in between, in the shop: nothing moves, what was missing may be found."""
    at = at or timezone.now()
    job = stages.lock(job)
    _refuse_gone(job)
    if job.away_to:
        raise Refused(_("The set is away. It is counted when it comes back."))
    if job.stage == "count_in":
        raise Refused(_("This set has not been counted in yet."))
    count = _keep(job, CountKind.AGAIN, by=by, keys=keys, boxes=boxes, at=at, note=note)
    record("job_counted_again", by=by, job=job, at=at, keys=keys, boxes=boxes)
    return count


@transaction.atomic
def go_away(
    job: Job,
    *,
    by: Person,
    place: str,
    keys: int,
    boxes: int,
    note: str = "",
    branch: Branch | None = None,
    at: datetime.datetime | None = None,
) -> Count:
    """The set leaves: for a while, to somebody who does a part of the work, or for another branch, to stay there."""
    at = at or timezone.now()
    job = stages.lock(job)
    _refuse_gone(job)
    if job.away_to:
        raise Refused(_("The set is away already: %(place)s.") % {"place": job.away_to})
    if not place.strip():
        raise Refused(_("Say where it goes."))
    if Spell.objects.filter(stage__job=job, minutes__isnull=True).exists():
        raise Refused(_("Somebody has this set in hand. It must be put down before it goes away."))
    count = _keep(job, CountKind.AWAY, by=by, keys=keys, boxes=boxes, at=at, place=place, note=note)
    job.away_to, job.away_since, job.bound_for = count.place, at, branch
    job.save(update_fields=["away_to", "away_since", "bound_for"])
    record("job_went_away", by=by, job=job, at=at, place=count.place, keys=keys, boxes=boxes, note=count.note)
    return count


@transaction.atomic
def come_back(
    job: Job, *, by: Person, keys: int, boxes: int, note: str = "", at: datetime.datetime | None = None
) -> Count:
    """The set is back, or at the branch it went to, and counted. What did not come is told until it is found."""
    at = at or timezone.now()
    job = stages.lock(job)
    if not job.away_to:
        raise Refused(_("This set is not away."))
    count = _keep(job, CountKind.BACK, by=by, keys=keys, boxes=boxes, at=at, place=job.away_to, note=note)
    arrived = job.bound_for is not None
    job.branch, job.bound_for = job.bound_for or job.branch, None
    job.away_to, job.away_since = "", None
    job.save(update_fields=["away_to", "away_since", "branch", "bound_for"])
    record(
        "job_arrived" if arrived else "job_came_back",
        by=by,
        job=job,
        at=at,
        place=count.place,
        keys=keys,
        boxes=boxes,
        note=count.note,
    )
    return count


@transaction.atomic
def count_out(
    stage: Stage, *, by: Person, keys: int, boxes: int, note: str = "", at: datetime.datetime | None = None
) -> Stage:
    """The set is counted and packed. A count that differs needs a word why; it stands on the report."""
    at = at or timezone.now()
    job = stages.lock(stage.job)
    if (keys, boxes) != (job.keys_here, job.boxes) and not note.strip():
        raise Refused(_("Say why the count differs."))
    count = _keep(job, CountKind.OUT, by=by, keys=keys, boxes=boxes, at=at, note=note)
    stage = stages.stage_finish(stage, by=by, at=at, note=count.words)
    if stage.kind != "pack" or stage.state != route.DONE:
        raise Refused(_("This stage packs nothing."))
    return stage


def _refuse_gone(job: Job) -> None:
    if job.left_at:
        raise Refused(_("This set has gone home."))

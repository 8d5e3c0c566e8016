"""Bought parts: their figures, kept beside a set to be held against its original buttons."""

import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.models import BoughtPart
from shop.models import Job, Person
from shop.workflow.events import record
from shop.workflow.refusal import Refused

FIGURES = ("length", "width", "height", "mortise_width", "mortise_length", "skew", "offset")


@transaction.atomic
def part_keep(
    *,
    job: Job,
    by: Person,
    title: str,
    wood: str,
    figures: dict[str, int],
    part: BoughtPart | None = None,
    at: datetime.datetime | None = None,
) -> BoughtPart:
    """Keeps the figures of a bought part, new or put right. `figures`: um and mdeg by the names of FIGURES."""
    if job.left_at:
        raise Refused(_("This set has gone home."))
    kept = part or BoughtPart(job=job)
    before = _told(kept) if part else {}
    kept.title, kept.wood = title.strip(), wood
    for name in FIGURES:
        setattr(kept, name, figures[name])
    kept.at, kept.by = at or timezone.now(), by
    changed = sorted(name for name, value in _told(kept).items() if before.get(name) != value)
    if part and not changed:
        return kept
    kept.save()
    record("part_changed" if part else "part_added", by=by, job=job, at=at, part=kept.title, **figures)
    return kept


def _told(part: BoughtPart) -> dict[str, Any]:
    return {"title": part.title, "wood": part.wood, **{name: getattr(part, name) for name in FIGURES}}

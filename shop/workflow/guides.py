"""How the shop does its stages: guides are written by the owner, their steps ticked at the bench."""

import datetime
from collections.abc import Collection

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.core import route
from shop.models import Guide, Person, Stage, Tick
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused


@transaction.atomic
def guide_keep(*, kind: str, note: str, steps: str, by: Person) -> Guide:
    """Keeps the guide of a kind of stage. What was ticked before stays as it stood."""
    guide, _made = Guide.objects.update_or_create(kind=kind, defaults={"note": note.strip(), "steps": steps.strip()})
    record("guide_changed", by=by, stage=kind)
    return guide


@transaction.atomic
def ticks_keep(
    stage: Stage, *, ticked: Collection[str], unticked: Collection[str], by: Person, at: datetime.datetime | None = None
) -> None:
    """Keeps what changed of a stage's list, so that two people never undo each other's ticks."""
    at = at or timezone.now()
    stages.lock(stage.job)
    stage.refresh_from_db(fields=["state"])
    if stage.state in (route.DONE, route.SKIPPED):
        raise Refused(_("This stage is not open any more."))
    guide = Guide.objects.filter(kind=stage.kind).first()
    steps = set(guide.step_list) if guide else set()
    Tick.objects.filter(stage=stage, step__in=set(unticked)).delete()
    for step in ticked:
        if step in steps:
            Tick.objects.get_or_create(stage=stage, step=step, defaults={"by": by, "at": at})

"""Keys of a stage are done, or not after all."""

import datetime
from collections.abc import Collection

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.core.keys import format_keys
from keyboards.models import Compass, KeyDone
from shop.core import route
from shop.models import Person, Stage
from shop.workflow import stages
from shop.workflow.refusal import Refused


@transaction.atomic
def progress_keep(
    stage: Stage,
    *,
    done: Collection[int],
    undone: Collection[int],
    by: Person,
    wanted: int | None = None,
    at: datetime.datetime | None = None,
) -> int:
    """Keeps what changed: keys that are done now, keys that are not after all; of how many, where that is known.

    Only changes are given, so that two people at one set never undo each other. The stage's own counts follow. Answers
    how many are done in all.
    """
    at = at or timezone.now()
    job = stages.lock(stage.job)
    stage.refresh_from_db(fields=["state"])
    if stage.state in (route.DONE, route.SKIPPED):
        raise Refused(_("This stage is not open any more."))
    present = set(Compass.objects.get(job=job).present)
    strangers = sorted((set(done) | set(undone)) - present)
    if strangers:
        raise Refused(_("This set has no keys %(keys)s.") % {"keys": format_keys(strangers)})
    KeyDone.objects.filter(stage=stage, key__in=set(undone)).delete()
    for key in sorted(set(done)):
        KeyDone.objects.update_or_create(stage=stage, key=key, defaults={"by": by, "at": at})
    stage.keys_done = KeyDone.objects.filter(stage=stage).count()
    stage.keys_wanted = wanted or stage.keys_wanted
    stage.save(update_fields=["keys_done", "keys_wanted"])
    return stage.keys_done

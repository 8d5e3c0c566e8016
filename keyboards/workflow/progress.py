"""Keys of a stage are done, or not after all."""

import datetime
from collections.abc import Collection

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.core.keys import format_keys
from keyboards.models import Compass, KeyDone
from keyboards.progressing import progress_of, recount
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
    at: datetime.datetime | None = None,
) -> None:
    """Keeps what changed: keys that are done now, keys that are not after all. The counts of lists follow.

    Only changes are given, so that two people at one set never undo each other. What was done stays written down: a key
    that is taken back or done again closes its earlier row.
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
    stage.job = job
    before = progress_of(stage)
    # A key that stands as done already, and was not sent back, was done by whoever did it first.
    again = {key.number for key in before.keys if key.again} if before else set()
    standing = KeyDone.objects.standing().filter(stage=stage)
    had = set(standing.values_list("key", flat=True))
    new = {key for key in done if key not in had or key in again}
    standing.filter(key__in=set(undone) | (new & had)).update(undone_at=at, undone_by=by)
    KeyDone.objects.bulk_create(KeyDone(stage=stage, key=key, by=by, at=at) for key in sorted(new))
    if stage.keys_done is None:
        stage.keys_done = 0
        stage.save(update_fields=["keys_done"])
    recount(job)

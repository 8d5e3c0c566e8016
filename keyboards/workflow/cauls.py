"""Which final caul was really used on a set."""

import datetime
from collections.abc import Mapping

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.models import Caul
from keyboards.pins import cauls_of
from shop.models import Job, Person
from shop.workflow.events import record
from shop.workflow.refusal import Refused


@transaction.atomic
def cauls_keep(job: Job, widths: Mapping[str, int], *, by: Person, at: datetime.datetime | None = None) -> None:
    """Notes the caul of each rail named, in micrometres; one that is noted so already stays as it is."""
    at = at or timezone.now()
    if job.left_at:
        raise Refused(_("This set has gone home."))
    noted = cauls_of(job)
    for rail, width in widths.items():
        if rail not in noted or noted[rail].width != width:
            Caul.objects.create(job=job, rail=rail, width=width, by=by, at=at)
            record("caul_used", by=by, job=job, at=at, rail=rail, width=width)

"""An angle read from a photo becomes a reading of its key, the tapped points beside it as evidence."""

import datetime
import uuid
from typing import Any

from django.db import transaction
from django.utils import timezone

from keyboards.core.protractor import PhotoSkew
from keyboards.models import Check, Photo, PhotoAngle
from keyboards.workflow.entries import entries_apply
from shop.models import Person
from shop.workflow.refusal import Refused


@transaction.atomic
def angle_keep(
    *,
    photo: Photo,
    check: Check,
    key: int,
    found: PhotoSkew,
    by: Person,
    at: datetime.datetime | None = None,
    **evidence: Any,
) -> PhotoAngle:
    """Keeps the skew as a reading of the check. evidence: taps, card, turn, reference_is, bass_on, click_sd (px)."""
    at = at or timezone.now()
    op = str(uuid.uuid4())
    sent = {
        "op": op,
        "kind": "reading",
        "key": key,
        "quantity": "skew",
        "value": f"{round(found.skew, 2) + 0.0:.2f}",
        "unit": "deg",
        "taken_at": at.isoformat(),
    }
    refused = entries_apply(check, [sent], by=by, at=at).refused
    if refused:
        raise Refused(refused[0].why)
    click_sd = round(evidence.pop("click_sd") * 100)
    return PhotoAngle.objects.create(photo=photo, entry_id=op, u=round(found.u * 1000), click_sd=click_sd, **evidence)

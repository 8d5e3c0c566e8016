"""The workshop's settings change."""

import hashlib
from collections.abc import Iterable

from django.core.files.base import ContentFile
from django.db import transaction

from shop.models import Person, Workshop
from shop.workflow.events import record


@transaction.atomic
def workshop_change(
    workshop: Workshop, *, by: Person, fields: Iterable[str], logo: bytes | None = None, logo_off: bool = False
) -> Workshop:
    """Keeps the changed row; fields: the names of what changed. logo: a new one as PNG; logo_off takes it off."""
    before = workshop.logo.name
    if logo is not None:
        # Named by its contents, so that no paper shows another logo than the one it was made with.
        name = f"{hashlib.sha256(logo).hexdigest()[:16]}.png"
        workshop.logo.save(name, ContentFile(logo), save=False)
    elif logo_off:
        workshop.logo = ""
    workshop.save()
    if before and before != workshop.logo.name:
        transaction.on_commit(lambda: workshop.logo.storage.delete(before))
    if names := list(fields):
        record("workshop_changed", by=by, fields=names)
    return workshop

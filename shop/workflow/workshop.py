"""The workshop's settings change."""

from collections.abc import Iterable

from django.db import transaction

from shop.models import Person, Workshop
from shop.workflow.events import record


@transaction.atomic
def workshop_change(workshop: Workshop, *, by: Person, fields: Iterable[str]) -> Workshop:
    """Keeps the changed row; fields: the names of what changed."""
    workshop.save()
    if names := list(fields):
        record("workshop_changed", by=by, fields=names)
    return workshop

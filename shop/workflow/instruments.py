"""What is known about instruments changes."""

from collections.abc import Iterable

from django.db import transaction

from shop.models import Instrument, Person
from shop.workflow.events import record


@transaction.atomic
def instrument_change(instrument: Instrument, *, by: Person, fields: Iterable[str]) -> Instrument:
    """Keeps a changed instrument; fields: the names of what changed."""
    instrument.save()
    if names := list(fields):
        record("instrument_changed", by=by, instrument=instrument.pk, fields=names)
    return instrument

"""The price list changes. Every change leaves an event with what it was and what it is."""

import datetime
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from shop.models import Operation, Person
from shop.workflow.events import record

FIELDS = (
    "title",
    "unit",
    "minutes",
    "material",
    "material_price",
    "stage",
    "wait_hours",
    "cautions",
    "position",
    "retired",
)


def _plain(value: Any) -> Any:
    """A value as an event keeps it: money and minutes as text without needless zeros."""
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")
    return value if isinstance(value, (int, list)) else str(value)


@transaction.atomic
def price_change(code: str, values: Mapping[str, Any], *, by: Person, at: datetime.datetime | None = None) -> Operation:
    """Adds the operation with this code, or changes it: values by the names in FIELDS. Nothing changed, no event."""
    at = at or timezone.now()
    row = Operation.objects.select_for_update().filter(code=code).first()
    fresh = row is None
    row = row or Operation(code=code)
    changes = []
    for name, value in values.items():
        before = row.retired_at is not None if name == "retired" else getattr(row, name)
        if before == value:
            continue
        if name == "retired":
            row.retired_at = at if value else None
        else:
            setattr(row, name, value)
        changes.append([name, *([] if fresh else [_plain(before)]), _plain(value)])
    if not fresh and not changes:
        return row
    row.full_clean()
    row.save()
    record("price_changed", by=by, at=at, code=code, changes=[["added"]] if fresh else changes)
    return row


@transaction.atomic
def prices_import(rows: Mapping[str, Mapping[str, Any]], *, by: Person, at: datetime.datetime | None = None) -> int:
    """Many at once, all or none; how many were added or changed."""
    at = at or timezone.now()
    for code, values in rows.items():
        price_change(code, values, by=by, at=at)
    return len(rows)

"""The price list changes. Every change leaves an event with what it was and what it is.

A price (minutes and material) is never overwritten: a new one begins on a day, today or later, and the one before
stays in the list's history. Everything else about a kind of work changes at once.
"""

import datetime
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import formats, timezone
from django.utils.translation import gettext as _

from shop.models import Operation, Person, Price, TaxClass
from shop.workflow.events import record
from shop.workflow.refusal import Refused

PRICED = ("minutes", "material_price")
FIELDS = (
    "title",
    "unit",
    "minutes",
    "material",
    "material_price",
    "tax",
    "stage",
    "wait_hours",
    "cautions",
    "proves",
    "position",
    "retired",
)


def _plain(value: Any) -> Any:
    """A value as an event keeps it: money and minutes as text without needless zeros."""
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")
    return value if isinstance(value, (int, list)) else "" if value is None else str(value)


@transaction.atomic
def price_change(
    code: str,
    values: Mapping[str, Any],
    *,
    by: Person,
    starts_on: datetime.date | None = None,
    at: datetime.datetime | None = None,
) -> Operation:
    """Adds the operation with this code, or changes it: values by the names in FIELDS. Nothing changed, no event.

    starts_on is the day that new minutes or a new material price begin on (None: today); Refused for a day that has
    passed. Later prices that were entered before stay.
    """
    at = at or timezone.now()
    today = timezone.localdate(at)
    starts_on = starts_on or today
    row = Operation.objects.select_for_update(of=("self",)).filter(code=code).first()
    fresh = row is None
    row = row or Operation(code=code)
    had = dict(zip(PRICED, row.price_on(starts_on) if not fresh else (), strict=False))
    changes = []
    for name, value in values.items():
        before = row.retired_at is not None if name == "retired" else had.get(name, getattr(row, name))
        if before == value:
            continue
        if name == "retired":
            row.retired_at = at if value else None
        elif fresh or name not in PRICED:
            setattr(row, name, value)
        changes.append([name, *([] if fresh else [_plain(before)]), _plain(value)])
    if not fresh and not changes:
        return row
    row.full_clean()
    row.save()
    later: dict[str, Any] = {}
    if not fresh and any(change[0] in PRICED for change in changes):
        if starts_on < today:
            raise Refused(_("A new price begins today or later: what was charged before stays."))
        price = {name: values.get(name, had[name]) for name in PRICED}
        Price.objects.update_or_create(operation=row, starts_on=starts_on, defaults=price)
        later = {"starts_on": starts_on.isoformat()} if starts_on > today else {}
    record("price_changed", by=by, at=at, code=code, changes=[["added"]] if fresh else changes, **later)
    return row


@transaction.atomic
def price_drop(price: Price, *, by: Person, at: datetime.datetime | None = None) -> None:
    """Takes back a price whose day has not come; one that has held is history."""
    at = at or timezone.now()
    row = Price.objects.select_for_update(of=("self",)).select_related("operation").filter(pk=price.pk).first()
    if row is None:
        return
    if row.starts_on <= timezone.localdate(at):
        raise Refused(_("This price has begun already: enter a new one."))
    row.delete()
    record("price_dropped", by=by, at=at, code=row.operation.code, starts_on=row.starts_on.isoformat())


@transaction.atomic
def prices_import(
    rows: Iterable[tuple[str, datetime.date | None, Mapping[str, Any]]],
    *,
    by: Person,
    at: datetime.datetime | None = None,
) -> int:
    """Many at once, (code, day it begins or None for today, values) each, all or none; how many there were."""
    at = at or timezone.now()
    count = 0
    for code, starts_on, values in rows:
        try:
            price_change(code, values, by=by, starts_on=starts_on, at=at)
        except Refused as refusal:
            day = formats.date_format(starts_on) if starts_on else ""
            raise Refused(f"{code} {day}: {refusal}") from None
        count += 1
    return count


@transaction.atomic
def tax_keep(tax: TaxClass, *, by: Person, at: datetime.datetime | None = None) -> TaxClass:
    """Adds a class of tax, or changes one. Lines that are written keep the name and rate they were written with."""
    fresh = tax.pk is None
    tax.full_clean()
    tax.save()
    record("tax_class_added" if fresh else "tax_class_changed", by=by, at=at, tax=str(tax))
    return tax


@transaction.atomic
def tax_remove(tax: TaxClass, *, by: Person, at: datetime.datetime | None = None) -> None:
    """Takes a class off the list, unless work stands under it."""
    if (used := tax.operations.count()) > 0:
        raise Refused(_("Work stands under this tax (%(count)d): give it another first.") % {"count": used})
    named = str(tax)
    tax.delete()
    record("tax_class_removed", by=by, at=at, tax=named)

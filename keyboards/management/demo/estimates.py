"""Prices over time, prices for technicians, and what stripping found, in the demonstration. All invented."""

import datetime
from decimal import Decimal

from django.utils import timezone

from keyboards.workflow import pricing
from shop.models import Estimate, Job, LineKind, Person, TaxClass, Workshop
from shop.workflow.estimates import DraftLine, estimate_send, line_add
from shop.workflow.prices import price_change, tax_keep

TRADE = {
    "trade_discount": Decimal(10),
    "trade_terms": (
        "For piano technicians: payable within 14 days of the bill. The set comes back with"
        " the readings before and after, and every material with its lot."
    ),
}


def prices(*, by: Person, now: datetime.datetime) -> None:
    """Cloth got dearer half a year ago and gets dearer again next month; packing stands under a reduced tax."""
    workshop = Workshop.ours()
    for name, value in TRADE.items():
        setattr(workshop, name, value)
    workshop.save(update_fields=list(TRADE))
    past = now - datetime.timedelta(days=180)
    price_change("cloth", {"minutes": Decimal("4.25"), "material_price": Decimal("0.30")}, by=by, at=past)
    next_month = (timezone.localdate(now).replace(day=1) + datetime.timedelta(days=32)).replace(day=1)
    price_change("cloth", {"material_price": Decimal("0.36")}, by=by, starts_on=next_month, at=now)
    tax = tax_keep(TaxClass(name=f"{workshop.tax_name}, reduced"[:30], rate=Decimal(5)), by=by, at=past)
    price_change("pack", {"tax": tax}, by=by, at=past)
    price_change(
        "drop",
        {
            "title": "Drop test of every key",
            "unit": "set",
            "minutes": Decimal(20),
            "stage": "final_check",
            "position": 155,
            "proves": ["drop"],
        },
        by=by,
        at=past,
    )


def drop_test(estimate: Estimate, *, by: Person) -> int:
    """The drop test as an extra of a draft; the line that the client says yes to."""
    return line_add(estimate, DraftLine("drop", Decimal(1), kind=LineKind.EXTRA), by=by).pk


def favour(estimate: Estimate, percent: int, *, by: Person) -> None:
    """A share taken off whatever the client chooses."""
    off = DraftLine("", Decimal(1), title="For the house band", percent=Decimal(percent), kind=LineKind.DISCOUNT)
    line_add(estimate, off, by=by)


def after_stripping(job: Job, *, by: Person, at: datetime.datetime) -> bool:
    """Settles what stripping found as an owner would; whether the bench may go on."""
    found = pricing.found_beyond(job)
    if found is None:
        return True
    to = job.client.email
    if found.within:
        pricing.go_on_within(job, to=to, message=pricing.allowance_letter(found), by=by, at=at)
        return True
    estimate_send(pricing.revise(job, by=by, at=at), to=to, by=by, at=at)
    return False

"""What the bookkeeper gets: bills and payments of a period as CSV.

UTF-8, a comma between columns, a point before decimals, days as 2026-11-25: the same in every country. Dates are the
shop's. A cell of text that a spreadsheet would take for a formula gets an apostrophe in front.
"""

import csv
import datetime
import io
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from shop.models import Bill, Payment

BILL_COLUMNS = {
    "number": _("number of the bill (B) or credit note (C)"),
    "date": _("day it was issued"),
    "kind": _("bill or credit"),
    "cancels": _("the bill that a credit note takes back"),
    "job": _("tag of the set"),
    "client": _("name of the client"),
    "currency": _("ISO 4217"),
    "tax": _("name of the tax"),
    "tax_rate": _("in percent"),
    "net": _("sum of the lines under this rate, before tax; below zero on a credit note"),
    "tax_amount": _("tax on it"),
    "gross": _("both together: the rows of one number add up to the bill"),
    "due": _("day it is to be paid by"),
}
PAYMENT_COLUMNS = {
    "number": _("number of the receipt (P)"),
    "date": _("day it was received or paid back"),
    "kind": _("deposit, payment, refund or correction"),
    "method": _("cash, transfer or other"),
    "job": _("tag of the set"),
    "client": _("name of the client"),
    "currency": _("ISO 4217"),
    "amount": _("below zero where money went back or a payment was taken back"),
    "corrects": _("the payment that a correction takes back"),
    "note": _("as it was written down"),
    "written_by": _("who wrote it down"),
    "written_at": _("when"),
}
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe(text: str) -> str:
    """Text that no spreadsheet runs as a formula, and none breaks a line with."""
    text = " ".join(text.split(" ")).replace("\x00", "")
    return f"'{text}" if text.lstrip().startswith(_FORMULA) or text.startswith(_FORMULA) else text


def _plain(amount: Decimal) -> str:
    """A number, with no needless zeros beyond two decimals: it must stay a number for the spreadsheet."""
    text = format(amount.normalize(), "f")
    whole, _point, decimals = text.partition(".")
    return f"{whole}.{decimals.ljust(2, '0')}" if decimals else whole


def _table(columns: dict[str, Any], rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(columns), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _moment(day: datetime.date) -> datetime.datetime:
    return timezone.make_aware(datetime.datetime.combine(day, datetime.time.min))


def _bills(start: datetime.date, end: datetime.date) -> list[Bill]:
    after = end + datetime.timedelta(days=1)
    rows = Bill.objects.issued().filter(issued_at__gte=_moment(start), issued_at__lt=_moment(after))
    return list(
        rows.select_related("job__client", "cancels").prefetch_related("lines__bill").order_by("issued_at", "pk")
    )


def _payments(start: datetime.date, end: datetime.date) -> list[Payment]:
    rows = Payment.objects.filter(received_on__range=(start, end)).order_by("received_on", "number")
    return list(rows.select_related("job__client", "corrects", "by"))


def bills_csv(start: datetime.date, end: datetime.date) -> str:
    """Bills and credit notes issued from start to end, a row for each tax class of each. Columns: BILL_COLUMNS."""
    rows = []
    for bill in _bills(start, end):
        common = {
            "number": bill.title,
            "date": timezone.localdate(bill.issued_at).isoformat(),
            "kind": bill.kind,
            "cancels": bill.cancels.title if bill.cancels else "",
            "job": bill.job.tag,
            "client": safe(bill.addressee.partition("\n")[0]),
            "currency": bill.currency,
            "due": bill.due_on.isoformat() if bill.due_on else "",
        }
        rows += [
            {
                **common,
                "tax": safe(part.name),
                "tax_rate": _plain(part.rate),
                "net": _plain(part.net),
                "tax_amount": _plain(part.tax),
                "gross": _plain(part.net + part.tax),
            }
            for part in bill.totals.parts
        ]
    return _table(BILL_COLUMNS, rows)


def payments_csv(start: datetime.date, end: datetime.date) -> str:
    """Payments received from start to end, a row each. Columns: PAYMENT_COLUMNS."""
    rows = [
        {
            "number": row.title,
            "date": row.received_on.isoformat(),
            "kind": row.kind,
            "method": row.method,
            "job": row.job.tag,
            "client": safe(row.job.client.name),
            "currency": row.currency,
            "amount": _plain(row.amount),
            "corrects": row.corrects.title if row.corrects else "",
            "note": safe(row.note),
            "written_by": safe(row.by.short_name),
            "written_at": timezone.localtime(row.at).strftime("%Y-%m-%d %H:%M"),
        }
        for row in _payments(start, end)
    ]
    return _table(PAYMENT_COLUMNS, rows)


@dataclass(frozen=True)
class Sum:
    """What a period comes to in one currency: bills less credit notes, and what came in."""

    currency: str
    bills: int
    credits: int
    net: Decimal
    tax: Decimal
    gross: Decimal
    received: Decimal


def sums(start: datetime.date, end: datetime.date) -> list[Sum]:
    """The period's sums by currency, from the sums as they were issued."""
    issued, paid = _bills(start, end), _payments(start, end)
    zero = Decimal(0)
    out = []
    for currency in sorted({bill.currency for bill in issued} | {row.currency for row in paid}):
        rows = [bill for bill in issued if bill.currency == currency]
        out.append(
            Sum(
                currency,
                sum(not bill.is_credit for bill in rows),
                sum(bill.is_credit for bill in rows),
                sum((bill.net or zero for bill in rows), zero),
                sum((bill.tax or zero for bill in rows), zero),
                sum((bill.gross or zero for bill in rows), zero),
                sum((row.amount for row in paid if row.currency == currency), zero),
            )
        )
    return out

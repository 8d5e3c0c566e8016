"""The bill on paper, the credit note that takes one back, and the receipt for a payment."""

from decimal import Decimal

from django.template.loader import render_to_string
from django.utils import timezone

from shop.core import money
from shop.documents.pdf import make_pdf, render_pdf
from shop.models import Bill, Job, Payment, Workshop


def addressee(job: Job) -> str:
    """Whom a bill is made out to, a line each: name, contact, address."""
    client = job.client
    return "\n".join(part for part in (client.name, client.contact, client.address) if part)


def bill_context(bill: Bill) -> dict:
    """What the paper says. What came after the bill was issued, a payment or the handing over, is none of its
    business: the same rows give the same paper for ever."""
    left_at = bill.job.left_at
    before = [row for row in bill.job.payments.all() if bill.issued_at is None or row.at <= bill.issued_at]
    totals = bill.totals
    rest = money.owed(totals.gross, [row.amount for row in before], bill.currency)
    return {
        "workshop": Workshop.ours(),
        "bill": bill,
        "job": bill.job,
        "currency": bill.currency,
        "addressee": bill.addressee or addressee(bill.job),
        "left_at": left_at if left_at and (bill.issued_at is None or left_at <= bill.issued_at) else None,
        "lines": bill.billed,
        "totals": totals,
        "payments": [] if bill.is_credit else before,
        "rest": rest,
        "too_much": -rest if rest < 0 else Decimal(0),
        "made_at": timezone.localtime(bill.issued_at or bill.created_at),
    }


def bill_html(bill: Bill) -> str:
    """The document that becomes the PDF. The same rows give the same text."""
    return render_to_string("documents/bill.html", bill_context(bill))


def bill_pdf(bill: Bill) -> bytes:
    """The bytes as they were issued, or the draft as it stands."""
    if bill.pdf:
        with bill.pdf.open("rb") as kept:
            return kept.read()
    return render_pdf(bill_html(bill))


def payment_receipt(payment: Payment) -> bytes:
    """The receipt for one payment, or for money that went back; one that was taken back says so."""
    corrected = getattr(payment, "corrected_by", None)
    return make_pdf(
        "documents/payment.html",
        {
            "payment": payment,
            "job": payment.job,
            "sum": abs(payment.amount),
            "back": payment.amount < 0,
            "corrected": corrected,
            "made_at": timezone.localtime(corrected.at if corrected else payment.at),
        },
    )

"""Money: what comes in for a job, and the bill for it. A payment is never changed, nor a bill once it is issued."""

import datetime
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.core.files.base import ContentFile
from django.db import transaction
from django.db.models import Max, QuerySet
from django.utils import formats, timezone
from django.utils.translation import gettext as _

from shop import seams
from shop.core import money
from shop.core.errors import MeasurementError
from shop.documents.bill import addressee, bill_html
from shop.documents.pdf import render_pdf
from shop.models import (
    Bill,
    BillKind,
    BillLine,
    BillLineKind,
    Estimate,
    EstimateState,
    Job,
    LineKind,
    Payment,
    PaymentKind,
    PaymentMethod,
    Person,
    Unit,
    Workshop,
)
from shop.workflow import letters, stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused

MOST_LINES = 100
MOST_UNITS = 9999
MOST_MONEY = Decimal(10**9)
# Somebody else may take the number while a bill is laid out; after so many times something else is wrong.
_TRIES = 5


# --- payments ------------------------------------------------------------------------------------


def currency_of(job: Job) -> str:
    """The currency in which a job is paid: its bill's, what was agreed in, what was paid in, else the shop's."""
    live = job.bills.live().first()
    if live is not None:
        return live.currency
    agreed = job.estimates.filter(state=EstimateState.ACCEPTED).first()
    if agreed is not None:
        return agreed.currency
    paid = job.payments.last()
    return paid.currency if paid is not None else Workshop.ours().currency


def received(job: Job, currency: str) -> Decimal:
    """What came in for a job so far, less what went back."""
    return -money.owed(Decimal(0), [row.amount for row in job.payments.all()], currency)


def payment_keep(
    job: Job,
    *,
    kind: str,
    amount: Decimal,
    method: str,
    received_on: datetime.date,
    by: Person,
    at: datetime.datetime,
    note: str = "",
    op: uuid.UUID | None = None,
    corrects: Payment | None = None,
) -> Payment:
    """Adds the row of a payment with the next number. Call it with the job locked, in the step's transaction, which
    records the event."""
    currency = corrects.currency if corrects is not None else currency_of(job)
    if received_on > timezone.localdate(at):
        raise Refused(_("This day is still to come."))
    try:
        money.exact("amount", amount, currency)
    except MeasurementError:
        places = money.decimals(currency)
        raise Refused(
            _("An amount in %(currency)s has at most %(places)d decimals.") % {"currency": currency, "places": places}
        ) from None
    if not 0 < abs(amount) <= MOST_MONEY:
        raise Refused(_("Enter an amount above zero and of a believable size."))
    list(Workshop.objects.select_for_update())  # the lock that makes numbers unique on any database
    highest = Payment.objects.aggregate(highest=Max("number"))["highest"] or 0
    payment = Payment.objects.create(
        op=op or uuid.uuid4(),
        number=highest + 1,
        job=job,
        kind=kind,
        method=method,
        amount=amount,
        currency=currency,
        received_on=received_on,
        note=" ".join(note.split())[:200],
        corrects=corrects,
        at=at,
        by=by,
    )
    _keep_owed(job)
    return payment


def _keep_owed(job: Job) -> None:
    """Keeps with the job what its live bill has open, so that lists of what is owed read no settled bill. Call it in
    the transaction of whatever changed that, with the job locked."""
    live = Bill.objects.live().filter(job=job.pk).first()  # with the payments as they stand, not as somebody read them
    Job.objects.filter(pk=job.pk).update(owed=(live.owed or None) if live is not None else None)


def _told(payment: Payment) -> dict[str, str]:
    """What an event says of a payment."""
    return {"payment": payment.title, "amount": format(payment.amount, "f"), "currency": payment.currency}


@transaction.atomic
def payment_take(
    job: Job,
    *,
    amount: Decimal,
    by: Person,
    method: str = PaymentMethod.TRANSFER,
    received_on: datetime.date | None = None,
    note: str = "",
    op: uuid.UUID | None = None,
    at: datetime.datetime | None = None,
) -> Payment:
    """Money has come in for a job, before or after its bill. (A deposit: workflow/estimates.py, deposit_receive.)

    op: made with the page; the same op again gives back the payment that the first time made.
    """
    at = at or timezone.now()
    job = stages.lock(job)
    if op is not None and (before := Payment.objects.filter(op=op).first()):
        return before
    if amount <= 0:
        raise Refused(_("Enter an amount above zero and of a believable size."))
    payment = payment_keep(
        job,
        kind=PaymentKind.PAYMENT,
        amount=amount,
        method=method,
        received_on=received_on or timezone.localdate(at),
        note=note,
        op=op,
        by=by,
        at=at,
    )
    record("payment_received", by=by, job=job, at=at, **_told(payment))
    return payment


@transaction.atomic
def payment_return(
    job: Job,
    *,
    amount: Decimal,
    reason: str,
    by: Person,
    method: str = PaymentMethod.TRANSFER,
    received_on: datetime.date | None = None,
    op: uuid.UUID | None = None,
    at: datetime.datetime | None = None,
) -> Payment:
    """Money goes back to the client; amount above zero, at most what came in. A reason is asked for."""
    at = at or timezone.now()
    job = stages.lock(job)
    if op is not None and (before := Payment.objects.filter(op=op).first()):
        return before
    if not reason.strip():
        raise Refused(_("Say why the money goes back."))
    if amount <= 0:
        raise Refused(_("Enter an amount above zero and of a believable size."))
    if amount > received(job, currency_of(job)):
        raise Refused(_("More would go back than came in for this set."))
    payment = payment_keep(
        job,
        kind=PaymentKind.REFUND,
        amount=-amount,
        method=method,
        received_on=received_on or timezone.localdate(at),
        note=reason,
        op=op,
        by=by,
        at=at,
    )
    record("payment_returned", by=by, job=job, at=at, reason=payment.note, **_told(payment))
    return payment


@transaction.atomic
def payment_correct(payment: Payment, *, reason: str, by: Person, at: datetime.datetime | None = None) -> Payment:
    """Takes back a payment that was written down wrongly, by a counter entry of the same day. A deposit is open
    again then; a promise that was given stands until somebody changes it."""
    at = at or timezone.now()
    job = stages.lock(payment.job)
    row = Payment.objects.select_for_update().get(pk=payment.pk)
    if not reason.strip():
        raise Refused(_("Say what was wrong."))
    if row.kind == PaymentKind.CORRECTION:
        raise Refused(_("A correction is not corrected: write the payment down again."))
    if Payment.objects.filter(corrects=row).exists():
        raise Refused(_("This payment has been taken back already."))
    counter = payment_keep(
        job,
        kind=PaymentKind.CORRECTION,
        amount=-row.amount,
        method=row.method,
        received_on=row.received_on,
        note=reason,
        corrects=row,
        by=by,
        at=at,
    )
    if row.kind == PaymentKind.DEPOSIT:
        job.estimates.filter(state=EstimateState.ACCEPTED).update(deposit_paid_at=None)
    record("payment_corrected", by=by, job=job, at=at, corrected=row.title, reason=counter.note, **_told(counter))
    return counter


# --- drafts --------------------------------------------------------------------------------------


def read(pk: int, rows: QuerySet[Bill] | None = None) -> Bill:
    """A bill with all that its page and its paper show."""
    found = Bill.objects.all() if rows is None else rows
    return (
        found.select_related("job__client", "job__instrument", "estimate", "credit", "cancels", "issued_by")
        .prefetch_related("lines__line", "lines__bill", "job__payments__by")
        .get(pk=pk)
    )


def _agreed(job: Job) -> Estimate | None:
    return job.estimates.filter(state=EstimateState.ACCEPTED).with_lines().first()


def keys_beyond(job: Job, estimate: Estimate) -> int:
    """How many keys more than quoted had their wood repaired, as far as the bench wrote it down; at most the allowance.

    Where the allowance was used after the stripped check, those keys; else the bench's count of keys done at the stage
    of repairs less the lines agreed for that stage.
    """
    if estimate.hidden_keys:
        return estimate.hidden_keys
    stage = job.stages.filter(kind="repairs").first()
    agreed = estimate.agreed
    if stage is None or agreed is None:
        return 0
    worked = next((keys for ask in seams.worked if (keys := ask(stage)) is not None), 0)
    quoted = sum(
        (line.quantity for line in agreed.lines if line.stage == "repairs" and line.unit == Unit.KEY), Decimal(0)
    )
    return max(0, min(worked - int(quoted), estimate.allowance_keys))


@transaction.atomic
def bill_draft(job: Job, *, by: Person, at: datetime.datetime | None = None) -> Bill:
    """A draft with the lines that were agreed; the one that is being written already, where there is one.

    What hidden damage came to is proposed from what the bench counted. A set without an agreed estimate gets an empty
    draft: what is added to it says who agreed.
    """
    at = at or timezone.now()
    job = stages.lock(job)
    if (writing := job.bills.filter(issued_at__isnull=True).first()) is not None:
        return writing
    if (live := job.bills.live().first()) is not None:
        raise Refused(
            _("%(bill)s has been issued for this set. Cancel it by a credit note before writing another.")
            % {"bill": live.title}
        )
    workshop = Workshop.ours()
    estimate = _agreed(job)
    bill = Bill.objects.create(
        job=job,
        estimate=estimate,
        currency=currency_of(job),
        terms=workshop.bill_terms,
        created_at=at,
        created_by=by,
    )
    lines: list[BillLine] = []
    if estimate is not None and estimate.agreed is not None:
        for line in estimate.agreed.lines:
            discount = line.kind == LineKind.DISCOUNT
            lines.append(
                BillLine(
                    bill=bill,
                    line=line,
                    kind=BillLineKind.DISCOUNT if discount else BillLineKind.WORK,
                    title=line.title if line.base is None else f"{line.title[:100]} ({line.amount})"[:160],
                    section=line.section,
                    quantity=line.quantity,
                    unit=line.unit,
                    unit_price=line.unit_price,
                    tax_name=line.tax[0],
                    tax_rate=line.tax[1],
                    position=len(lines) + 1,
                )
            )
        if estimate.allowance_keys:
            lines.append(
                BillLine(
                    bill=bill,
                    kind=BillLineKind.ALLOWANCE,
                    title=_("Mortise wood repaired, seen when the cloth was out"),
                    quantity=Decimal(keys_beyond(job, estimate)),
                    unit=Unit.KEY,
                    unit_price=estimate.allowance_price,
                    tax_name=estimate.tax_name,
                    tax_rate=estimate.tax_rate,
                    position=len(lines) + 1,
                )
            )
    BillLine.objects.bulk_create(lines)
    record("bill_drafted", by=by, job=job, at=at, bill=bill.pk)
    return bill


def _draft(bill: Bill) -> Bill:
    """The draft with its lines, its row locked. What was issued is never changed."""
    Job.objects.select_for_update().get(pk=bill.job_id)
    row = read(bill.pk)
    if not row.is_draft:
        raise Refused(_("This bill has been issued and cannot be changed any more. Cancel it by a credit note."))
    return row


def most(line: BillLine) -> Decimal:
    """The largest amount that may be billed on a line without asking the client again."""
    if line.kind == BillLineKind.ALLOWANCE:
        return Decimal(line.bill.estimate.allowance_keys if line.bill.estimate else 0)
    if line.line is not None:
        return line.line.quantity
    return Decimal(MOST_UNITS)


def _check_line(line: BillLine) -> None:
    if line.kind == BillLineKind.DISCOUNT and line.line is not None and line.quantity != line.line.quantity:
        raise Refused(_("The discount “%(line)s” was agreed and stays as it is.") % {"line": line.title})
    if line.kind == BillLineKind.ALLOWANCE and line.quantity != line.quantity.to_integral_value():
        raise Refused(_("Hidden damage is billed in whole keys."))
    if not 0 <= line.quantity <= most(line):
        raise Refused(
            _(
                "“%(line)s”: at most %(most)s was agreed. More needs a new yes: add a line and write down who agreed"
                " and when."
            )
            % {"line": line.title, "most": formats.number_format(most(line).normalize())}
        )


def _check_sums(bill: Bill) -> None:
    """Refuses amounts that no bill can hold, and hidden damage above its ceiling, before they are kept."""
    row = read(bill.pk)
    if row.lines.count() > MOST_LINES:
        raise Refused(_("A bill holds at most %(most)d lines.") % {"most": MOST_LINES})
    try:
        gross = row.totals.gross
        hidden = sum((line.total for line in row.lines.all() if line.kind == BillLineKind.ALLOWANCE), Decimal(0))
    except MeasurementError:
        gross = hidden = 2 * MOST_MONEY
    if abs(gross) > MOST_MONEY:
        raise Refused(_("These amounts are too large to add up."))
    if row.estimate is not None and hidden > row.estimate.allowance_ceiling:
        raise Refused(_("Hidden damage would come to more than the client agreed to."))


@transaction.atomic
def draft_change(bill: Bill, *, values: Mapping[str, str], quantities: Mapping[int, Decimal], by: Person) -> Bill:
    """Keeps the words and terms of a draft, and how much of each line is billed (by primary key of the line).

    A draft leaves no event until it is issued, since nobody outside has seen it.
    """
    row = _draft(bill)
    for name in ("words", "terms"):
        setattr(row, name, values.get(name, getattr(row, name)).strip())
    row.save(update_fields=["words", "terms"])
    for line in row.lines.all():
        if line.pk in quantities and quantities[line.pk] != line.quantity:
            line.quantity = quantities[line.pk]
            _check_line(line)
            line.save(update_fields=["quantity"])
    _check_sums(row)
    return row


@dataclass(frozen=True)
class Added:
    """A line to add: work that somebody agreed to (agreed_by, agreed_on), or a discount (unit_price is taken off)."""

    title: str
    quantity: Decimal
    unit_price: Decimal
    unit: str = Unit.PIECE
    section: str = ""
    agreed_by: str = ""
    agreed_on: datetime.date | None = None
    discount: bool = False


@transaction.atomic
def line_add(bill: Bill, added: Added, *, by: Person, at: datetime.datetime | None = None) -> BillLine:
    """Adds a line to a draft. Work asks who agreed to it and when; a discount asks nobody."""
    at = at or timezone.now()
    row = _draft(bill)
    if not added.discount:
        if not added.agreed_by.strip() or added.agreed_on is None:
            raise Refused(_("Write down who agreed to this work, and when."))
        if added.agreed_on > timezone.localdate(at):
            raise Refused(_("This day is still to come."))
    if not 0 < added.quantity <= MOST_UNITS or not 0 < added.unit_price <= MOST_MONEY / 10:
        raise Refused(_("Enter an amount above zero and of a believable size."))
    rates = row.estimate or Workshop.ours()
    last = max((line.position for line in row.lines.all()), default=0)
    line = BillLine.objects.create(
        bill=row,
        kind=BillLineKind.DISCOUNT if added.discount else BillLineKind.ADDED,
        title=added.title.strip()[:160],
        section=added.section.strip()[:80],
        quantity=added.quantity,
        unit=added.unit,
        unit_price=-added.unit_price if added.discount else added.unit_price,
        tax_name=rates.tax_name,
        tax_rate=rates.tax_rate,
        agreed_by=added.agreed_by.strip()[:120],
        agreed_on=added.agreed_on,
        position=last + 1,
    )
    _check_sums(row)
    return line


@transaction.atomic
def draft_add(
    bill: Bill, added: Added, *, values: Mapping[str, str], quantities: Mapping[int, Decimal], by: Person
) -> BillLine:
    """Keeps what was typed on the draft's page and adds a line, or neither."""
    draft_change(bill, values=values, quantities=quantities, by=by)
    return line_add(bill, added, by=by)


@transaction.atomic
def line_remove(bill: Bill, line_id: int, *, by: Person) -> None:
    """Takes an added line off a draft. What was agreed in the estimate stays and may be billed as 0."""
    _draft(bill).lines.filter(pk=line_id, line__isnull=True).exclude(kind=BillLineKind.ALLOWANCE).delete()


@transaction.atomic
def bill_discard(bill: Bill, *, by: Person, at: datetime.datetime | None = None) -> None:
    """Throws a draft away. It has no number, so none is missing afterwards."""
    row = _draft(bill)
    job = row.job
    row.delete()
    record("bill_discarded", by=by, job=job, at=at)


# --- issuing -------------------------------------------------------------------------------------


def why_not_ready(bill: Bill) -> str:
    """A sentence that says what a draft still lacks before it can be issued, or ""."""
    if not bill.billed:
        return _("Nothing is billed yet.")
    if bill.totals.gross < 0:
        return _("The discounts come to more than the work.")
    other = [row for row in bill.job.payments.all() if row.currency != bill.currency]
    if other:
        return _("%(payment)s was paid in another currency: take it back and write it down in %(currency)s.") % {
            "payment": other[0].title,
            "currency": bill.currency,
        }
    return ""


def _next_number(kind: str) -> int:
    return (Bill.objects.filter(kind=kind).aggregate(highest=Max("number"))["highest"] or 0) + 1


def _dress(bill: Bill, *, number: int, by: Person, at: datetime.datetime) -> None:
    """Gives a draft what an issued bill has; nothing is saved."""
    totals = bill.totals
    bill.number, bill.issued_at, bill.issued_by = number, at, by
    bill.net, bill.tax, bill.gross = totals.net, totals.tax, totals.gross
    bill.addressee = addressee(bill.job)
    if not bill.is_credit:
        bill.due_on = timezone.localdate(at) + datetime.timedelta(days=Workshop.ours().bill_days)


def _freeze(bill: Bill, pdf: bytes) -> None:
    bill.lines.filter(quantity=0).delete()
    bill.pdf.save(f"{bill.title}.pdf", ContentFile(pdf), save=False)
    bill.save()
    _keep_owed(bill.job)


def bill_issue(bill: Bill, *, by: Person, at: datetime.datetime | None = None) -> Bill:
    """The draft gets its number, its day and its PDF, and is frozen.

    The PDF is made before anything is locked; number and text must then still be the same. Numbers have no gaps: one
    is given in the transaction that keeps the bill.
    """
    at = at or timezone.now()
    for _try in range(_TRIES):
        shown = read(bill.pk)
        if not shown.is_draft:
            raise Refused(_("This bill has been issued already."))
        if sentence := why_not_ready(shown):
            raise Refused(sentence)
        _dress(shown, number=_next_number(shown.kind), by=by, at=at)
        html = bill_html(shown)
        pdf = render_pdf(html)
        with transaction.atomic():
            row = _draft(bill)
            list(Workshop.objects.select_for_update())
            if _next_number(row.kind) != shown.number:
                continue
            _dress(row, number=_next_number(row.kind), by=by, at=at)
            if bill_html(row) != html:
                raise Refused(_("Somebody has just changed this bill. Look at it again, then issue it."))
            _freeze(row, pdf)
            record(
                "bill_issued",
                by=by,
                job=row.job,
                at=at,
                bill=row.title,
                gross=format(row.gross or 0, "f"),
                currency=row.currency,
            )
            return row
    raise Refused(_("Other bills are being issued just now. Try again."))


@transaction.atomic
def bill_cancel(bill: Bill, *, reason: str, by: Person, at: datetime.datetime | None = None) -> Bill:
    """Takes an issued bill back by a credit note over the same lines, with a number of its own. Payments stay where
    they are and count for the bill that comes next."""
    at = at or timezone.now()
    job = stages.lock(bill.job)
    row = read(bill.pk)
    if row.is_draft or row.is_credit:
        raise Refused(_("Only an issued bill is cancelled by a credit note."))
    if row.cancelled_by is not None:
        raise Refused(_("%(bill)s is cancelled already.") % {"bill": row.title})
    if not reason.strip():
        raise Refused(_("Say why the bill is cancelled."))
    credit = Bill.objects.create(
        kind=BillKind.CREDIT,
        cancels=row,
        job=job,
        estimate=row.estimate,
        currency=row.currency,
        words=reason.strip()[:2000],
        created_at=at,
        created_by=by,
    )
    lines = list(row.lines.all())
    for line in lines:
        line.pk, line.bill, line.unit_price = None, credit, -line.unit_price
        line._state.adding = True
    BillLine.objects.bulk_create(lines)
    list(Workshop.objects.select_for_update())
    credit = read(credit.pk)
    _dress(credit, number=_next_number(BillKind.CREDIT), by=by, at=at)
    credit.addressee = row.addressee
    _freeze(credit, render_pdf(bill_html(credit)))
    record("bill_cancelled", by=by, job=job, at=at, bill=row.title, credit=credit.title, reason=reason.strip()[:200])
    return credit


def usual_message(bill: Bill) -> str:
    """The words a letter begins with, for the person to change."""
    names = {
        "name": bill.job.client.contact or bill.job.client.name,
        "bill": bill.title,
        "tag": bill.job.tag,
        "instrument": bill.job.instrument.title,
    }
    if bill.is_credit:
        return (
            _("Dear %(name)s,\n\nhere is our credit note %(bill)s for your keyboard %(tag)s (%(instrument)s).") % names
        )
    return _("Dear %(name)s,\n\nhere is our bill %(bill)s for your keyboard %(tag)s (%(instrument)s).") % names


@transaction.atomic
def bill_send(bill: Bill, *, to: str, by: Person, message: str = "", at: datetime.datetime | None = None) -> Any:
    """Queues a letter with the PDF as it was issued; as often as it is asked for. Gives back the letter."""
    at = at or timezone.now()
    row = read(bill.pk)
    if row.is_draft:
        raise Refused(_("This bill has not been issued yet."))
    workshop = Workshop.ours()
    reach = " · ".join(part for part in (workshop.phone, workshop.email) if part)
    kind = _("Credit note") if row.is_credit else _("Bill")
    letter = letters.letter_queue(
        to=to,
        subject=_("%(kind)s %(bill)s for your keyboard %(tag)s")
        % {"kind": kind, "bill": row.title, "tag": row.job.tag},
        text="\n\n".join(
            part
            for part in (
                (message or usual_message(row)).strip(),
                _("It is attached as a PDF."),
                "\n".join(part for part in (workshop.name, reach) if part),
            )
            if part
        ),
        by=by,
        enclosures=[letters.Enclosure(f"{row.title}.pdf", stored=row.pdf.name)],
    )
    row.letters.add(letter)
    record("bill_sent", by=by, job=row.job, at=at, bill=row.title)
    return letter

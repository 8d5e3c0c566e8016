"""Bills and payments: written, issued, sent, cancelled; what is owed; the bookkeeper's files."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import DESK, OWNER, PersonRequest, allowed, fetch, job_for, may
from shop.documents import books
from shop.documents.bill import bill_pdf, payment_receipt
from shop.documents.pdf import pdf_response
from shop.downloads import download
from shop.forms.bills import AddLineForm, CancelForm, CorrectForm, DraftForm, PaymentForm, PeriodForm, SendForm
from shop.models import Bill, Estimate, EstimateState, Job, Payment, PaymentKind, Workshop
from shop.workflow import bills, estimates
from shop.workflow.letters import state_of
from shop.workflow.refusal import Refused

_PAGE = 50


@dataclass(frozen=True)
class Owed:
    """A bill on which something is owed, or was paid too much: how much, since how many days it is late."""

    bill: Bill
    owed: Decimal
    late: int


def owed_by(rows: list[Bill], today: datetime.date) -> list[Owed]:
    """The bills on which something is open, overdue first, then by the day they are due. Reads job.payments.all()."""
    found = [Owed(bill, bill.owed, bill.days_late(today)) for bill in rows]
    return sorted(
        (row for row in found if row.owed > 0), key=lambda row: (-row.late, row.bill.due_on or today, row.bill.pk)
    )


def sums(rows: list[Owed]) -> dict[str, Decimal]:
    """What is owed together, by currency: no two are ever added."""
    out: dict[str, Decimal] = {}
    for row in rows:
        out[row.bill.currency] = out.get(row.bill.currency, Decimal(0)) + row.owed
    return out


@require_safe
@allowed(DESK)
def bill_list(request: PersonRequest) -> HttpResponse:
    """What is owed by whom, overdue first; with ?show=all every bill and credit note, the newest first."""
    today = timezone.localdate()
    unsettled = list(Bill.objects.unsettled().with_payments())
    owed = owed_by(unsettled, today)
    context: dict[str, Any] = {
        "today": today,
        "owed": owed,
        "sums": sums(owed),
        "late_sums": sums([row for row in owed if row.late]),
        "too_much": [(bill, -bill.owed) for bill in unsettled if bill.owed < 0],
        "drafts": Bill.objects.filter(issued_at__isnull=True).select_related("job__client"),
        "owner": may(request.user, OWNER),
        "all": request.GET.get("show") == "all",
    }
    if context["all"]:
        rows = Bill.objects.issued().with_payments().order_by("-issued_at", "-pk")
        context["page"] = Paginator(rows, _PAGE).get_page(request.GET.get("page"))
    return render(request, "shop/bills/list.html", context)


@require_POST
@allowed(DESK)
def bill_new(request: PersonRequest, number: int) -> HttpResponse:
    """A draft with what was agreed."""
    job = job_for(number)
    try:
        return redirect(bills.bill_draft(job, by=request.user))
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("job_detail", job.number)


def _read(bill_id: int) -> Bill:
    return bills.read(fetch(Bill.objects.only("pk"), pk=bill_id).pk)


def _page(bill: Bill) -> dict[str, Any]:
    return {
        "bill": bill,
        "job": bill.job,
        "currency": bill.currency,
        "payments": list(bill.job.payments.all()),
        "late": bill.late,
        "workshop": Workshop.ours(),
    }


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK)
def bill_detail(request: PersonRequest, bill_id: int) -> HttpResponse:
    """A draft to write on; an issued bill or credit note with what has become of it."""
    bill = _read(bill_id)
    if request.method == "POST":
        if not bill.is_draft:
            messages.error(request, _("This bill has been issued and cannot be changed any more."))
            return redirect(bill)
        return _keep(request, bill)
    return _draft(request, bill) if bill.is_draft else _issued(request, bill)


def _draft(
    request: PersonRequest,
    bill: Bill,
    form: DraftForm | None = None,
    add: AddLineForm | None = None,
    refusal: str = "",
) -> HttpResponse:
    context = {
        **_page(bill),
        "form": form or DraftForm(bill=bill),
        "add": add or AddLineForm(),
        "refusal": refusal,
        "totals": bill.totals,
        "rest": bill.totals.gross - bills.received(bill.job, bill.currency),
    }
    return render(request, "shop/bills/draft.html", context)


def _keep(request: PersonRequest, bill: Bill) -> HttpResponse:
    """Everything on the draft's page is kept, whatever button was pressed; then the button does its own."""
    form = DraftForm(request.POST, bill=bill)
    add = AddLineForm(request.POST) if "add" in request.POST or AddLineForm.filled_in(request.POST) else None
    good = form.is_valid()
    if add is not None and not add.is_valid():
        good = False
    if not good:
        return _draft(request, bill, form, add)
    try:
        typed = form.cleaned_data
        words = {"words": typed["words"], "terms": typed["terms"]}
        if add is not None:
            bills.draft_add(bill, add.added, values=words, quantities=form.quantities, by=request.user)
        else:
            bills.draft_change(bill, values=words, quantities=form.quantities, by=request.user)
        if "remove" in request.POST:
            bills.line_remove(bill, _whole(request.POST["remove"]), by=request.user)
    except Refused as refusal:
        return _draft(request, _read(bill.pk), form, add, str(refusal))
    if request.POST.get("then") in ("issue", "pdf"):
        return redirect(f"bill_{request.POST['then']}", bill.pk)
    messages.success(request, _("Kept."))
    return redirect(bill)


def _whole(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 0


def _issued(request: PersonRequest, bill: Bill, **forms: Any) -> HttpResponse:
    client = bill.job.client
    owner = may(request.user, OWNER)
    letters = bill.letters.prefetch_related("logs").order_by("-pk")
    start = {"to": client.email, "message": bills.usual_message(bill)}
    context = {
        **_page(bill),
        "totals": bill.totals,
        "owner": owner,
        "letters": [(letter, state_of(letter)) for letter in letters],
        "send": forms.get("send") or SendForm(initial=start, auto_id="send_%s"),
        "cancel": forms.get("cancel") or CancelForm(auto_id="cancel_%s"),
        "may_cancel": owner and not bill.is_credit and bill.cancelled_by is None,
    }
    return render(request, "shop/bills/detail.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK)
def bill_issue(request: PersonRequest, bill_id: int) -> HttpResponse:
    """The last look before a bill gets its number and is frozen."""
    bill = _read(bill_id)
    if not bill.is_draft:
        return redirect(bill)
    refusal = bills.why_not_ready(bill)
    if request.method == "POST" and not refusal:
        try:
            bill = bills.bill_issue(bill, by=request.user)
        except Refused as sentence:
            refusal = str(sentence)
        else:
            messages.success(request, _("%(bill)s is issued. Send it or print it.") % {"bill": bill.title})
            return redirect(bill)
    context = {
        **_page(bill),
        "refusal": refusal,
        "totals": bill.totals,
        "rest": bill.totals.gross - bills.received(bill.job, bill.currency) if not refusal else None,
    }
    return render(request, "shop/bills/issue.html", context)


def _change(request: PersonRequest, to: Any, change: Callable[[], Any], told: str) -> HttpResponse:
    """Does it, says so, or says why not."""
    try:
        change()
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, told)
    return redirect(to)


@require_POST
@allowed(DESK)
def bill_discard(request: PersonRequest, bill_id: int) -> HttpResponse:
    """Throws a draft away."""
    bill = _read(bill_id)
    try:
        bills.bill_discard(bill, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect(bill)
    messages.success(request, _("The draft is gone."))
    return redirect("job_detail", bill.job.number)


@require_POST
@allowed(OWNER)
def bill_cancel(request: PersonRequest, bill_id: int) -> HttpResponse:
    """Takes an issued bill back by a credit note."""
    bill = _read(bill_id)
    form = CancelForm(request.POST, auto_id="cancel_%s")
    if not form.is_valid():
        return redirect(bill) if bill.is_draft else _issued(request, bill, cancel=form)
    try:
        credit = bills.bill_cancel(bill, reason=form.cleaned_data["reason"], by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect(bill)
    messages.success(request, _("%(bill)s is cancelled by %(credit)s.") % {"bill": bill.title, "credit": credit.title})
    return redirect(credit)


@require_POST
@allowed(DESK)
def bill_send(request: PersonRequest, bill_id: int) -> HttpResponse:
    """Sends an issued bill, or sends it again."""
    bill = _read(bill_id)
    form = SendForm(request.POST, auto_id="send_%s")
    if not form.is_valid():
        return redirect(bill) if bill.is_draft else _issued(request, bill, send=form)
    typed = form.cleaned_data
    return _change(
        request,
        bill,
        lambda: bills.bill_send(bill, to=typed["to"], message=typed["message"], by=request.user),
        _("The letter is on its way."),
    )


@require_safe
@allowed(DESK)
def bill_pdf_view(request: PersonRequest, bill_id: int) -> HttpResponse:
    """The PDF as it was issued, or of the draft as it stands."""
    bill = _read(bill_id)
    name = bill.title if bill.number else f"{bill.job.tag}-draft-bill"
    return pdf_response(bill_pdf(bill), f"{name}.pdf")


# --- payments ------------------------------------------------------------------------------------


def _open_deposit(job: Job) -> Estimate | None:
    row = job.estimates.filter(state=EstimateState.ACCEPTED).with_lines().first()
    return row if row is not None and row.waits_for_deposit else None


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK)
def payment_new(request: PersonRequest, number: int) -> HttpResponse:
    """Money that came in for a set; for the owner also money that goes back."""
    job = job_for(number)
    currency = bills.currency_of(job)
    deposit = _open_deposit(job)
    paid = bills.received(job, currency)
    bill = job.bills.live().with_payments().first()
    kinds = [PaymentKind.DEPOSIT] if deposit else []
    kinds.append(PaymentKind.PAYMENT)
    if may(request.user, OWNER) and paid > 0:
        kinds.append(PaymentKind.REFUND)
    start: dict[str, Any] = {}
    if deposit is not None and deposit.agreed is not None:
        start["amount"] = deposit.agreed.totals.deposit
    elif bill is not None and bill.owed:
        start["amount"] = abs(bill.owed)
        if bill.owed < 0 and PaymentKind.REFUND in kinds:
            start["kind"] = PaymentKind.REFUND
    owed = max(bill.owed, Decimal(0)) if bill is not None else None
    names = [str(kind) for kind in kinds]
    form = PaymentForm(request.POST or None, currency=currency, kinds=names, owed=owed, initial=start)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        try:
            _pay(job, deposit, form.cleaned_data, request)
        except Refused as sentence:
            refusal = str(sentence)
        else:
            messages.success(request, _("Written down."))
            return redirect(bill if bill is not None else job_address(job))
    context = {"job": job, "form": form, "currency": currency, "paid": paid, "bill": bill, "refusal": refusal}
    return render(request, "shop/bills/payment.html", context)


def job_address(job: Job) -> str:
    """The part of a job's page about money."""
    return f"{redirect('job_detail', job.number)['Location']}#money"


def _pay(job: Job, deposit: Estimate | None, typed: dict[str, Any], request: PersonRequest) -> None:
    common = {name: typed[name] for name in ("amount", "method", "received_on", "op")}
    if typed["kind"] == PaymentKind.REFUND:
        bills.payment_return(job, reason=typed["note"], by=request.user, **common)
    elif typed["kind"] == PaymentKind.DEPOSIT and deposit is not None:
        estimates.deposit_receive(deposit, note=typed["note"], by=request.user, **common)
    else:
        bills.payment_take(job, note=typed["note"], by=request.user, **common)


def _payment(payment_id: int) -> Payment:
    rows = Payment.objects.select_related("job__client", "job__instrument", "by", "corrects", "corrected_by")
    return fetch(rows, pk=payment_id)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def payment_correct(request: PersonRequest, payment_id: int) -> HttpResponse:
    """Takes back a payment that was written down wrongly."""
    payment = _payment(payment_id)
    form = CorrectForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        return _change(
            request,
            job_address(payment.job),
            lambda: bills.payment_correct(payment, reason=form.cleaned_data["reason"], by=request.user),
            _("Taken back by a counter entry. Write the payment down again where it was another."),
        )
    return render(request, "shop/bills/correct.html", {"payment": payment, "job": payment.job, "form": form})


@require_safe
@allowed(DESK)
def payment_receipt_pdf(request: PersonRequest, payment_id: int) -> HttpResponse:
    """The receipt for one payment."""
    payment = _payment(payment_id)
    return pdf_response(payment_receipt(payment), f"{payment.title}.pdf")


# --- the bookkeeper's files ----------------------------------------------------------------------


def _last_month() -> tuple[datetime.date, datetime.date]:
    end = timezone.localdate().replace(day=1) - datetime.timedelta(days=1)
    return end.replace(day=1), end


@require_safe
@allowed(OWNER)
def book_export(request: PersonRequest) -> HttpResponse:
    """The period of the files, what its sums are, what stands in which column."""
    start, end = _last_month()
    form = PeriodForm(request.GET if "start" in request.GET else {"start": start, "end": end})
    period = (form.cleaned_data["start"], form.cleaned_data["end"]) if form.is_valid() else None
    context = {
        "form": form,
        "period": period,
        "sums": books.sums(*period) if period else [],
        "bill_columns": books.BILL_COLUMNS,
        "payment_columns": books.PAYMENT_COLUMNS,
    }
    return render(request, "shop/bills/books.html", context)


def _file(request: PersonRequest, name: str, make: Callable[[datetime.date, datetime.date], str]) -> HttpResponse:
    form = PeriodForm(request.GET)
    if not form.is_valid():
        back = redirect("book_export")
        back["Location"] += f"?{request.GET.urlencode()}" if request.GET else ""
        return back
    start, end = form.cleaned_data["start"], form.cleaned_data["end"]
    return download(make(start, end), f"{name}-{start:%Y-%m-%d}-{end:%Y-%m-%d}.csv")


@require_safe
@allowed(OWNER)
def bills_csv(request: PersonRequest) -> HttpResponse:
    """Bills and credit notes of a period, a row a tax class."""
    return _file(request, "bills", books.bills_csv)


@require_safe
@allowed(OWNER)
def payments_csv(request: PersonRequest) -> HttpResponse:
    """Payments of a period, a row each."""
    return _file(request, "payments", books.payments_csv)

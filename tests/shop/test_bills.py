"""Payments, bills, credit notes: what they come to, what never changes, what is refused."""

import contextlib
import csv
import datetime
import importlib
import io
import random
import re
import uuid
from decimal import Decimal

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction
from django.urls import reverse
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st
from post_office.models import Email
from pypdf import PdfReader

from shop import seams
from shop.core import money
from shop.documents import books
from shop.documents.bill import bill_html, bill_pdf
from shop.documents.pdf import render_pdf
from shop.models import Bill, BillLine, Estimate, Event, Job, Operation, Payment, Role, TaxClass
from shop.workflow import bills, estimates, stages
from shop.workflow.bills import Added
from shop.workflow.opening import open_shop
from shop.workflow.refusal import Refused
from tests.factories import make_draft, make_job, make_person, make_sent, make_workshop
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]

TODAY = timezone.localdate


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK)
    client.force_login(person)
    return person


def agreed(*, by, option="A", deposit=False, **fields) -> Estimate:
    """An estimate the client said yes to: option A is cloth 374.00, strip 44.00 (88 keys) and what is common."""
    sent = make_sent(by=by, **fields)
    estimates.estimate_accept(sent, option=option, name="Ilse Varga")
    if deposit:
        estimates.deposit_receive(sent, by=by)
    return Estimate.objects.with_lines().get(pk=sent.pk)


def issued(*, by, at=None, **fields) -> Bill:
    return bills.bill_issue(bills.bill_draft(agreed(by=by, **fields).job, by=by, at=at), by=by, at=at)


def fresh(bill: Bill) -> Bill:
    return bills.read(bill.pk)


# --- payments ------------------------------------------------------------------------------------


def test_the_deposit_is_a_payment_of_the_sum_that_was_asked_for(owner):
    estimate = agreed(by=owner, deposit=True)
    payment = estimate.job.payments.get()
    assert (payment.kind, payment.amount, payment.title) == ("deposit", estimate.agreed.totals.deposit, "P-0001")
    assert Estimate.objects.get(pk=estimate.pk).deposit_paid_at is not None


def test_a_deposit_taken_back_is_open_again(owner):
    estimate = agreed(by=owner, deposit=True)
    payment = estimate.job.payments.get()
    counter = bills.payment_correct(payment, reason="another client's", by=owner)
    assert counter.amount == -payment.amount
    assert bills.received(estimate.job, "EUR") == 0
    assert Estimate.objects.get(pk=estimate.pk).waits_for_deposit
    with pytest.raises(Refused, match="already"):
        bills.payment_correct(payment, reason="again", by=owner)
    with pytest.raises(Refused, match="not corrected"):
        bills.payment_correct(counter, reason="again", by=owner)


@pytest.mark.parametrize("change", ["UPDATE shop_payment SET amount = 1", "DELETE FROM shop_payment"])
def test_the_database_lets_nobody_change_a_payment(owner, change):
    agreed(by=owner, deposit=True)
    with pytest.raises(DatabaseError, match="only ever added"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(change)


@pytest.mark.parametrize("change", ["UPDATE shop_bill SET gross = 1", "DELETE FROM shop_bill"])
def test_the_database_lets_nobody_change_an_issued_bill(owner, change):
    issued(by=owner)
    with pytest.raises(DatabaseError, match="only ever added"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(change)


def test_the_same_page_sent_twice_takes_the_money_once(owner):
    job, op = make_job(), uuid.uuid4()
    first = bills.payment_take(job, amount=Decimal("50"), by=owner, op=op)
    assert bills.payment_take(job, amount=Decimal("50"), by=owner, op=op) == first
    assert Payment.objects.count() == 1


@pytest.mark.parametrize("amount", ["0", "-5", "0.001", "10000000000"])
def test_an_amount_that_is_no_payment_is_refused(owner, amount):
    with pytest.raises(Refused):
        bills.payment_take(make_job(), amount=Decimal(amount), by=owner)
    assert not Payment.objects.exists()


def test_money_of_tomorrow_is_refused(owner):
    with pytest.raises(Refused, match="still to come"):
        bills.payment_take(make_job(), amount=Decimal(5), by=owner, received_on=TODAY() + datetime.timedelta(days=1))


def test_no_more_goes_back_than_came_in(owner):
    job = make_job()
    bills.payment_take(job, amount=Decimal("50"), by=owner)
    with pytest.raises(Refused, match="More would go back"):
        bills.payment_return(job, amount=Decimal("50.01"), reason="too much", by=owner)
    with pytest.raises(Refused, match="Say why"):
        bills.payment_return(job, amount=Decimal("50"), reason=" ", by=owner)
    bills.payment_return(job, amount=Decimal("20"), reason="too much", by=owner)
    assert bills.received(job, "EUR") == Decimal("30")


def test_a_deposit_from_before_there_were_payments_becomes_one(owner):
    first = make_sent(by=owner)
    estimates.estimate_accept(first, option="A", name="Ilse", extras=[line.pk for line in first.extras])
    Estimate.objects.filter(pk=first.pk).update(deposit_paid_at=timezone.now())
    agreed(by=owner)
    keep = importlib.import_module("shop.migrations.0005_deposits_as_payments").keep
    keep(apps, None)
    keep(apps, None)
    payment = Payment.objects.get()
    assert payment.amount == Estimate.objects.with_lines().get(pk=first.pk).agreed.totals.deposit
    assert (payment.job, payment.kind, payment.received_on) == (first.job, "deposit", TODAY())


# --- drafts --------------------------------------------------------------------------------------


def test_a_discount_in_percent_is_billed_as_the_sum_that_was_agreed(owner):
    draft = make_draft(by=owner)
    share = estimates.DraftLine("", Decimal(1), title="For a colleague", percent=Decimal(10), kind="discount")
    estimates.line_add(draft, share, by=owner)
    estimates.estimate_send(draft, to="", by=owner)
    estimates.estimate_accept(draft, option="A", name="Ilse", by=owner)
    agreed = Estimate.objects.with_lines().get(pk=draft.pk).agreed
    bill = fresh(bills.bill_draft(draft.job, by=owner))
    line = next(line for line in bill.lines.all() if line.kind == "discount")
    assert (bill.totals.gross, line.total) == (agreed.totals.gross, -agreed.lines[-1].base / 10)
    assert line.title == f"For a colleague (10 % of {agreed.lines[-1].base})"
    assert estimates.estimate_new_version(draft, by=owner).offer[0].totals == agreed.totals


def test_a_draft_bills_what_was_agreed_to_the_cent(owner):
    estimate = agreed(by=owner)
    bill = fresh(bills.bill_draft(estimate.job, by=owner))
    assert bill.totals.net == estimate.agreed.totals.net
    assert bill.totals.gross == estimate.agreed.totals.gross
    assert bills.bill_draft(estimate.job, by=owner).pk == bill.pk


def allowance(bill: Bill) -> BillLine:
    return bill.lines.get(kind="allowance")


def test_hidden_damage_is_proposed_from_the_keys_the_bench_worked_on(owner, monkeypatch):
    estimate = agreed(by=owner)
    stages.add_work(estimate.job, {"repairs": Decimal(20)})
    monkeypatch.setattr(seams, "worked", [lambda stage: 5])
    bill = bills.bill_draft(estimate.job, by=owner)
    assert allowance(bill).quantity == 5
    monkeypatch.setattr(seams, "worked", [lambda stage: 50])
    bills.bill_discard(bill, by=owner)
    assert allowance(bills.bill_draft(estimate.job, by=owner)).quantity == estimate.allowance_keys == 8


def test_hidden_damage_is_never_billed_above_its_ceiling(owner):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    line = allowance(bill)
    bills.draft_change(bill, values={}, quantities={line.pk: Decimal(8)}, by=owner)
    for keys in (Decimal(9), Decimal("8.5"), Decimal(-1)):
        with pytest.raises(Refused):
            bills.draft_change(bill, values={}, quantities={line.pk: keys}, by=owner)
    row = fresh(bill)
    hidden = sum(line.total for line in row.lines.all() if line.kind == "allowance")
    assert hidden == row.estimate.allowance_ceiling


def test_less_than_agreed_may_be_billed_but_not_more(owner):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    line = bill.lines.get(title__icontains="cloth", kind="work", quantity=88, line__operation__code="cloth")
    bills.draft_change(bill, values={}, quantities={line.pk: Decimal(80)}, by=owner)
    with pytest.raises(Refused, match="at most 88 was agreed"):
        bills.draft_change(bill, values={}, quantities={line.pk: Decimal(89)}, by=owner)
    line.refresh_from_db()
    assert line.quantity == 80


def test_work_added_later_names_who_agreed_and_when(owner):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    added = {"title": "New front rail felt", "quantity": Decimal(1), "unit_price": Decimal("40")}
    with pytest.raises(Refused, match="who agreed"):
        bills.line_add(bill, Added(**added), by=owner)
    before = fresh(bill).totals.net
    line = bills.line_add(bill, Added(**added, agreed_by="Ilse Varga", agreed_on=TODAY()), by=owner)
    assert fresh(bill).totals.net == before + 40
    bills.line_add(bill, Added("Regular client", Decimal(1), Decimal("15"), discount=True), by=owner)
    assert fresh(bill).totals.net == before + 25
    bills.line_remove(bill, line.pk, by=owner)
    assert fresh(bill).totals.net == before - 15


def test_what_was_agreed_cannot_be_taken_off_the_draft(owner):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    before = bill.lines.count()
    for line in bill.lines.all():
        bills.line_remove(bill, line.pk, by=owner)
    assert bill.lines.count() == before


# --- issuing -------------------------------------------------------------------------------------


def test_tax_stands_by_rate_on_the_bill_and_in_the_file(owner):
    open_shop(name="Testing Key Works")
    reduced = TaxClass.objects.create(name="Reduced", rate=Decimal(5))
    Operation.objects.filter(code="pins").update(tax=reduced)
    bill = fresh(issued(by=owner))
    parts = {part.name: part for part in bill.totals.parts}
    assert parts["Reduced"].tax == money.tax(parts["Reduced"].net, Decimal(5), "EUR")
    assert parts["Reduced"].net == bill.lines.get(line__operation__code="pins").total
    assert sum(part.tax for part in bill.totals.parts) == bill.tax
    assert "5 % on" in bill_html(bill)
    rows = rows_of(books.bills_csv(TODAY(), TODAY()))
    assert [row["tax_rate"] for row in rows] == ["20", "5"]
    assert sum(Decimal(row["gross"]) for row in rows) == bill.gross


def test_numbers_have_no_gaps_whatever_is_thrown_away(owner):
    first = issued(by=owner)
    thrown = bills.bill_draft(agreed(by=owner).job, by=owner)
    bills.bill_discard(thrown, by=owner)
    second = issued(by=owner)
    credit = bills.bill_cancel(first, reason="wrong client", by=owner)
    third = issued(by=owner)
    assert [row.title for row in (first, second, credit, third)] == ["B-0001", "B-0002", "C-0001", "B-0003"]


def test_an_issued_bill_is_due_after_the_days_the_shop_sets(owner):
    make_workshop(bill_days=10)
    bill = issued(by=owner)
    assert bill.due_on == TODAY() + datetime.timedelta(days=10)
    assert (fresh(bill).late, fresh(bill).owed) == (0, bill.gross)


def test_nothing_of_an_issued_bill_changes_any_more(owner):
    bill = issued(by=owner)
    with pytest.raises(Refused, match="issued"):
        bills.draft_change(bill, values={"words": "more"}, quantities={}, by=owner)
    with pytest.raises(Refused, match="issued"):
        bills.line_add(bill, Added("x", Decimal(1), Decimal(1), discount=True), by=owner)
    with pytest.raises(Refused, match="issued"):
        bills.bill_issue(bill, by=owner)
    with pytest.raises(Refused, match="B-0001 has been issued"):
        bills.bill_draft(bill.job, by=owner)


def test_lines_that_come_to_nothing_do_not_stand_on_the_bill(owner):
    bill = issued(by=owner)
    assert not bill.lines.filter(quantity=0).exists()
    assert "seen when the cloth was out" not in bill_html(fresh(bill))


def test_the_kept_pdf_is_made_again_byte_by_byte(owner, monkeypatch):
    monkeypatch.setattr("shop.workflow.bills.render_pdf", render_pdf)
    make_workshop(payment="Account 00 1470", bill_terms="Two weeks.")
    estimate = agreed(by=owner, deposit=True)
    bill = bills.bill_issue(bills.bill_draft(estimate.job, by=owner), by=owner)
    kept = bill_pdf(bill)
    assert render_pdf(bill_html(fresh(bill))) == kept
    bills.payment_take(estimate.job, amount=Decimal("1"), by=owner)
    Job.objects.filter(pk=estimate.job.pk).update(left_at=timezone.now())
    assert render_pdf(bill_html(fresh(bill))) == kept
    read = PdfReader(io.BytesIO(kept))
    text = " ".join(" ".join(page.extract_text().split()) for page in read.pages)
    for words in ("Bill B-0001", "Ilse Varga", "Deposit P-0001", "Still to pay", "Account 00 1470", "Two weeks."):
        assert words.lower() in text.lower()
    assert read.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in read.trailer["/Root"]


def test_a_credit_note_takes_back_the_same_sum_and_the_payments_stay_for_the_next_bill(owner):
    bill = issued(by=owner, deposit=True)
    credit = fresh(bills.bill_cancel(bill, reason="an extra was forgotten", by=owner))
    assert (credit.net, credit.tax, credit.gross) == (-bill.net, -bill.tax, -bill.gross)
    assert fresh(bill).owed == 0
    with pytest.raises(Refused, match="cancelled already"):
        bills.bill_cancel(bill, reason="again", by=owner)
    with pytest.raises(Refused):
        bills.bill_cancel(credit, reason="again", by=owner)
    again = bills.bill_issue(bills.bill_draft(bill.job, by=owner), by=owner)
    assert fresh(again).owed == bill.gross - bill.job.payments.get().amount


def test_paid_is_reckoned_and_too_much_is_said(client, owner):
    bill = issued(by=owner)
    bills.payment_take(bill.job, amount=bill.gross - 1, by=owner)
    assert fresh(bill).owed == 1
    bills.payment_take(bill.job, amount=Decimal("3.50"), by=owner)
    assert fresh(bill).too_much == Decimal("2.50")
    assert "Paid too much" in client.get(bill.get_absolute_url()).content.decode()
    bills.payment_return(bill.job, amount=Decimal("2.50"), reason="paid too much", by=owner)
    assert fresh(bill).owed == 0


def test_a_bill_goes_out_as_it_was_issued(owner, mailoutbox, django_capture_on_commit_callbacks):
    bill = issued(by=owner)
    with django_capture_on_commit_callbacks(execute=True):
        bills.bill_send(bill, to="ilse@example.org", by=owner)
    sent = mailoutbox[-1]
    assert "B-0001" in sent.subject
    assert sent.attachments[0][1] == bill_pdf(bill)
    assert fresh(bill).letters.count() == 1


def test_a_set_without_a_yes_is_billed_only_for_what_somebody_agreed_to(owner):
    bill = bills.bill_draft(make_job(), by=owner)
    assert bill.lines.count() == 0
    with pytest.raises(Refused, match="Nothing is billed"):
        bills.bill_issue(bill, by=owner)
    bills.line_add(
        bill, Added("Carrier home", Decimal(1), Decimal("35"), agreed_by="Ilse", agreed_on=TODAY()), by=owner
    )
    assert bills.bill_issue(bill, by=owner).gross == Decimal("42.00")


def test_discounts_beyond_the_work_are_refused(owner):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    bills.line_add(bill, Added("gift", Decimal(1), Decimal(99999), discount=True), by=owner)
    with pytest.raises(Refused, match="more than the work"):
        bills.bill_issue(bill, by=owner)


# --- laws ----------------------------------------------------------------------------------------

CURRENCIES = st.sampled_from(["EUR", "JPY", "KWD"])


@st.composite
def a_bill_and_its_payments(draw):
    currency = draw(CURRENCIES)
    unit = Decimal(1).scaleb(-money.decimals(currency))
    gross = draw(st.integers(0, 10**9)) * unit
    payments = [whole * unit for whole in draw(st.lists(st.integers(-(10**8), 10**8), max_size=12))]
    return currency, gross, payments, draw(st.permutations(payments))


@given(a_bill_and_its_payments())
def test_what_is_owed_is_gross_less_payments_in_any_order(case):
    currency, gross, payments, shuffled = case
    rest = money.owed(gross, payments, currency)
    assert rest == money.owed(gross, shuffled, currency) == gross - sum(payments, Decimal(0))
    assert money.owed(rest, [rest], currency) == 0


@pytest.mark.parametrize(("currency", "odd"), [("JPY", "0.5"), ("KWD", "0.0001"), ("EUR", "0.005")])
def test_an_amount_without_coins_is_refused(currency, odd):
    with pytest.raises(Exception, match="at most"):
        money.owed(Decimal(1), [Decimal(odd)], currency)


@pytest.mark.parametrize(("currency", "rate"), [("JPY", "3333"), ("KWD", "12.345")])
def test_a_bill_in_other_coins_adds_up(owner, currency, rate):
    make_workshop(currency=currency, hourly_rate=Decimal(rate))
    bill = fresh(issued(by=owner, deposit=True))
    paid = bill.job.payments.get().amount
    assert bill.gross == bill.net + bill.tax
    assert bill.owed + paid == bill.gross
    unit = Decimal(1).scaleb(-money.decimals(currency))
    assert bill.gross % unit == 0
    bills.payment_take(bill.job, amount=bill.owed, by=owner)
    assert fresh(bill).owed == 0


# --- the bookkeeper ------------------------------------------------------------------------------


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_the_bookkeepers_rows_add_up_to_the_bills(owner):
    """The second way: the file's rows, added up from text, against the sums frozen in the rows of the bills."""
    first = issued(by=owner, deposit=True)
    issued(by=owner, option="B")
    bills.bill_cancel(first, reason="wrong", by=owner)
    day = TODAY()
    rows = rows_of(books.bills_csv(day, day))
    assert list(rows[0]) == list(books.BILL_COLUMNS)
    for bill in Bill.objects.issued():
        mine = [row for row in rows if row["number"] == bill.title]
        assert sum(Decimal(row["gross"]) for row in mine) == bill.gross
        assert sum(Decimal(row["net"]) + Decimal(row["tax_amount"]) for row in mine) == bill.gross
    payments = rows_of(books.payments_csv(day, day))
    assert sum(Decimal(row["amount"]) for row in payments) == sum(row.amount for row in Payment.objects.all())
    (total,) = books.sums(day, day)
    assert total.gross == sum(Decimal(row["gross"]) for row in rows)
    assert (total.bills, total.credits) == (2, 1)
    assert rows_of(books.bills_csv(day - datetime.timedelta(days=9), day - datetime.timedelta(days=1))) == []


@pytest.mark.parametrize("name", ['=HYPERLINK("x")', "+1", "-1", "@SUM(A1)", "\t=1", " =1"])
def test_no_cell_of_text_is_a_formula(owner, name):
    """OWASP, CSV Injection: cells beginning with = + - @, tab or return."""
    job = make_job()
    job.client.name = name
    job.client.save()
    bills.payment_take(job, amount=Decimal(5), note=f"{name}", by=owner)
    (row,) = rows_of(books.payments_csv(TODAY(), TODAY()))
    assert row["client"].startswith("'")
    assert row["note"].startswith("'")
    assert row["amount"] == "5"


def test_the_files_begin_with_the_mark_of_utf_8(client, owner):
    day = TODAY().isoformat()
    for name in ("bills_csv", "payments_csv"):
        response = client.get(reverse(name), {"start": day, "end": day})
        assert response.content.startswith(b"\xef\xbb\xbfnumber,date,kind,")
        assert client.get(reverse(name), {"start": "nonsense", "end": day}).status_code == 302
    page = client.get(reverse("book_export"), {"start": day, "end": "2020-01-01"})
    assert "comes before the first one" in page.content.decode()


# --- pages ---------------------------------------------------------------------------------------


@pytest.mark.once
def test_the_ladder(owner):
    both = {Role.DESK, Role.OWNER}
    bill = issued(by=owner, deposit=True)
    payment = bill.job.payments.get()
    job = make_job()
    climb("bill_list", roles=both)
    climb("book_export", roles={Role.OWNER})
    climb("bills_csv", roles={Role.OWNER})
    climb("payments_csv", roles={Role.OWNER})
    climb("bill_new", job.number, roles=both, methods={"POST"})
    draft = job.bills.get()
    climb("bill_detail", draft.pk, roles=both, methods={"GET", "POST"})
    climb("bill_issue", draft.pk, roles=both, methods={"GET", "POST"})
    climb("bill_cancel", bill.pk, roles={Role.OWNER}, methods={"POST"})
    climb("bill_send", bill.pk, roles=both, methods={"POST"})
    climb("bill_pdf", bill.pk, roles=both)
    climb("payment_new", job.number, roles=both, methods={"GET", "POST"})
    climb("payment_correct", payment.pk, roles={Role.OWNER}, methods={"GET", "POST"})
    climb("payment_receipt", payment.pk, roles=both)
    for name in ("bill_detail", "bill_issue", "bill_pdf", "payment_correct", "payment_receipt"):
        gone(name, 99_999)
    for name in ("bill_discard", "bill_cancel", "bill_send"):
        gone(name, 99_999, method="POST")
    gone("payment_new", 9_999)


def typed(bill: Bill, **more) -> dict[str, str]:
    lines = {f"q{line.pk}": line.quantity for line in bill.lines.all()}
    return {"words": "", "terms": "", **lines, **more}


def test_the_desk_writes_issues_and_prints_a_bill(client, desk):
    estimate = agreed(by=make_person(role=Role.OWNER), deposit=True)
    bill = Bill.objects.get(pk=client.post(reverse("bill_new", args=[estimate.job.number]))["Location"].split("/")[2])
    line = {
        "add": "1",
        "title": "Front rail felt",
        "quantity": "1",
        "unit": "set",
        "unit_price": "40",
        "agreed_by": "Ilse Varga",
        "agreed_on": TODAY().isoformat(),
    }
    assert client.post(bill.get_absolute_url(), typed(bill, **line)).status_code == 302
    assert bill.lines.get(kind="added").unit_price == 40
    half = typed(bill, then="issue", title="Postage", quantity="1", unit="piece", unit_price="8")
    assert b"Write down who agreed" in client.post(bill.get_absolute_url(), half).content  # and it is not left out
    thanks = typed(bill, then="pdf", title="Thanks", quantity="1", unit="piece", unit_price="4", discount="on")
    assert client.post(bill.get_absolute_url(), thanks)["Location"] == reverse("bill_pdf", args=[bill.pk])
    bills.line_remove(bill, bill.lines.get(title="Thanks").pk, by=desk)
    page = client.get(bill.get_absolute_url()).content.decode()
    buttons = [button for button in re.findall("<button[^>]*>", page) if 'form="draft"' in button or "name=" in button]
    assert "name=" not in buttons[0]  # what Enter presses takes no line off
    answer = client.post(bill.get_absolute_url(), typed(bill, then="issue", words="Thank you."))
    assert answer["Location"] == reverse("bill_issue", args=[bill.pk])
    assert "Issue it" in client.get(answer["Location"]).content.decode()
    client.post(answer["Location"])
    bill = fresh(bill)
    assert (bill.title, bill.words) == ("B-0001", "Thank you.")
    page = client.get(bill.get_absolute_url()).content.decode()
    assert "Still to pay" in page
    assert "Cancel it by a credit note" not in page
    assert client.get(reverse("bill_pdf", args=[bill.pk])).content == bill_pdf(bill)
    assert "B-0001" in client.get(reverse("job_detail", args=[bill.job.number])).content.decode()
    assert "B-0001" in client.get(reverse("client_detail", args=[bill.job.client_id])).content.decode()


@pytest.mark.parametrize("wrong", ["", "nan", "1e9", "9999999", "-1", "٣", "\x00", "89"])
def test_a_wrong_amount_on_the_draft_is_said_beside_its_field(client, owner, wrong):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    line = bill.lines.get(line__operation__code="cloth")
    page = client.post(bill.get_absolute_url(), typed(bill, **{f"q{line.pk}": wrong, "words": "kept words"}))
    assert page.status_code == 200
    assert f'id="id_q{line.pk}_error"' in page.content.decode()
    assert "kept words" in page.content.decode()
    line.refresh_from_db()
    assert line.quantity == 88


def test_a_line_nobody_agreed_to_is_not_added(client, owner):
    bill = bills.bill_draft(agreed(by=owner).job, by=owner)
    before = bill.lines.count()
    page = client.post(
        bill.get_absolute_url(), typed(bill, add="1", title="Felt", quantity="1", unit="set", unit_price="40")
    )
    assert "Write down who agreed" in page.content.decode()
    assert bill.lines.count() == before


def paid(**more) -> dict[str, str]:
    day = TODAY().isoformat()
    return {"op": str(uuid.uuid4()), "kind": "payment", "amount": "12,50", "method": "cash", "received_on": day, **more}


def test_the_desk_takes_a_payment_and_prints_its_receipt(client, desk):
    job = make_job()
    address = reverse("payment_new", args=[job.number])
    assert client.post(address, paid(note="part")).status_code == 302
    payment = job.payments.get()
    assert (payment.amount, payment.by, payment.method) == (Decimal("12.50"), desk, "cash")
    pdf = client.get(reverse("payment_receipt", args=[payment.pk]))
    text = PdfReader(io.BytesIO(pdf.content)).pages[0].extract_text()
    assert "P-0001" in text
    assert "12.50" in text


def test_more_than_is_owed_is_asked_about_once(client, owner):
    bill = issued(by=owner)
    address = reverse("payment_new", args=[bill.job.number])
    slip = paid(amount=str(bill.totals.gross * 10))
    asked = client.post(address, slip).content.decode()
    assert f"That is {bill.totals.gross * 9:.2f} EUR more than is still to be paid." in asked
    sure = re.search('name="sure" value="([^"]+)"', asked)[1]
    assert client.post(address, {**slip, "amount": "1234567", "sure": sure}).status_code == 200  # another slip
    assert not bill.job.payments.exists()
    assert client.post(address, {**slip, "sure": sure}).status_code == 302
    assert client.post(address, paid(amount="1", sure="1")).status_code == 302


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("amount", ""), ("amount", "0"), ("amount", "-3"), ("amount", "1.005"), ("amount", "NaN"), ("amount", "1" * 40),
        ("received_on", "2999-01-01"), ("received_on", "0001-01-01"), ("received_on", "yesterday"),
        ("method", "card"), ("kind", "refund"), ("note", "x" * 300), ("note", "a\x00b"), ("op", "7"),
    ],
)  # fmt: skip
def test_a_payment_that_cannot_be_is_not_kept(client, desk, field, value):
    job = make_job()
    page = client.post(reverse("payment_new", args=[job.number]), paid(**{field: value}))
    assert page.status_code == 200
    assert not Payment.objects.exists()


def test_the_form_takes_the_deposit_of_another_amount_as_the_deposit(client, desk):
    estimate = agreed(by=make_person(role=Role.OWNER))
    page = client.get(reverse("payment_new", args=[estimate.job.number]))
    assert page.context["form"].initial["amount"] == estimate.agreed.totals.deposit
    client.post(reverse("payment_new", args=[estimate.job.number]), paid(kind="deposit", amount="100"))
    assert estimate.job.payments.get().kind == "deposit"
    estimate = Estimate.objects.get(pk=estimate.pk)
    assert not estimate.waits_for_deposit
    assert estimate.job.promised_on is not None


@pytest.mark.once
def test_only_the_owner_pays_back(client, desk):
    job = make_job()
    bills.payment_take(job, amount=Decimal(50), by=desk)
    address = reverse("payment_new", args=[job.number])
    assert client.post(address, paid(kind="refund", note="why")).status_code == 200
    client.force_login(make_person(role=Role.OWNER))
    assert "Say why" in client.post(address, paid(kind="refund")).content.decode()
    assert client.post(address, paid(kind="refund", note="why")).status_code == 302
    assert bills.received(job, "EUR") == Decimal("37.50")


def test_the_owner_cancels_with_a_reason(client, owner):
    bill = issued(by=owner)
    assert "This field is required" in client.post(reverse("bill_cancel", args=[bill.pk])).content.decode()
    answer = client.post(reverse("bill_cancel", args=[bill.pk]), {"reason": "wrong sum"})
    credit = Bill.objects.get(kind="credit")
    assert answer["Location"] == credit.get_absolute_url()
    assert "wrong sum" in client.get(credit.get_absolute_url()).content.decode()
    assert Event.objects.get(what="bill_cancelled").details["credit"] == "C-0001"


def test_a_bill_is_sent_from_its_page(client, desk):
    bill = issued(by=make_person(role=Role.OWNER))
    assert "valid email" in client.post(reverse("bill_send", args=[bill.pk]), {"to": "nobody"}).content.decode()
    client.post(reverse("bill_send", args=[bill.pk]), {"to": "ilse@example.org", "message": "{{ 7 }} Dear Ilse"})
    assert Email.objects.latest("pk").message.startswith("{{ 7 }} Dear Ilse")


def test_the_list_of_what_is_owed_shows_the_overdue_first(client, owner):
    long_ago = timezone.now() - datetime.timedelta(days=40)
    make_workshop(bill_days=14)
    new = issued(by=owner)
    old = issued(by=owner, at=long_ago)
    settled = issued(by=owner)
    bills.payment_take(settled.job, amount=settled.gross, by=owner)
    context = client.get(reverse("bill_list")).context
    assert [row.bill.pk for row in context["owed"]] == [old.pk, new.pk]
    assert [row.late for row in context["owed"]] == [26, 0]
    assert context["sums"] == {"EUR": old.gross + new.gross}
    assert context["late_sums"] == {"EUR": old.gross}
    assert "26 days overdue" in client.get(reverse("bill_list")).content.decode()


def test_what_is_owed_is_read_without_the_bills_that_are_paid(owner):
    """Thirds of a coin and two payments: whatever is open or too much by a cent is read, what is even is not."""
    paid, short, beyond, nothing = (issued(by=owner) for _ in range(4))
    cent = Decimal("0.01")
    for bill, sums in ((paid, [100 * cent, paid.gross - 100 * cent]), (short, [short.gross - cent])):
        for amount in sums:
            bills.payment_take(bill.job, amount=amount, by=owner)
    bills.payment_take(beyond.job, amount=beyond.gross + cent, by=owner)
    assert set(Bill.objects.unsettled()) == {short, beyond, nothing}


def owed_anew() -> dict[int, Decimal]:
    """What is owed, reckoned from every bill and payment there is."""
    live = Bill.objects.filter(kind="bill", issued_at__isnull=False, credit__isnull=True)
    return {bill.job_id: bill.owed for bill in live if bill.owed}


def owed_kept() -> dict[int, Decimal]:
    return dict(Job.objects.filter(owed__isnull=False).values_list("pk", "owed"))


@pytest.mark.once
def test_what_is_kept_as_owed_is_what_bills_and_payments_come_to_after_any_work(owner):
    chance = random.Random(3)
    job = agreed(by=owner, deposit=True).job

    def work(what: str) -> None:
        live, paid = job.bills.live().first(), list(job.payments.filter(corrected_by=None).exclude(kind="correction"))
        if what == "issue":
            bills.bill_issue(bills.bill_draft(job, by=owner), by=owner)
        elif what == "pay":
            rest = [live.owed] if live is not None and live.owed > 0 else []
            bills.payment_take(job, amount=chance.choice([Decimal("0.01"), Decimal(500), *rest]), by=owner)
        elif what == "return":
            bills.payment_return(job, amount=Decimal(20), reason="too much", by=owner)
        elif what == "correct" and paid:
            bills.payment_correct(chance.choice(paid), reason="misread", by=owner)
        elif what == "cancel" and live is not None:
            bills.bill_cancel(live, reason="wrong address", by=owner)

    seen = set()
    for _step in range(25):
        with contextlib.suppress(Refused):
            work(chance.choice(["issue", "issue", "pay", "pay", "return", "correct", "cancel"]))
        assert owed_kept() == owed_anew()
        seen |= {value > 0 for value in owed_kept().values()} or {None}
    assert seen == {True, False, None}  # owed, paid beyond, nothing open
    bills.bill_issue(bills.bill_draft(job, by=owner), by=owner)
    kept = owed_kept()
    Job.objects.update(owed=None)
    importlib.import_module("shop.migrations.0019_owed_and_found").keep(apps, None)
    assert owed_kept() == kept


@pytest.mark.parametrize("show", ["", "all"])
def test_the_list_asks_as_often_for_twenty_as_for_two(client, owner, django_assert_max_num_queries, show):
    def queries() -> int:
        with django_assert_max_num_queries(20) as seen:
            client.get(reverse("bill_list"), {"show": show})
        return len(seen)

    for _ in range(2):
        issued(by=owner, deposit=True)
    queries()
    before = queries()
    for _ in range(5):
        issued(by=owner, deposit=True)
    assert queries() == before

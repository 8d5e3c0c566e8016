"""Taxes by class and prices for technicians on estimates: what a client adds up on paper is what stands there.

Worked by hand: 88 keys at 4.25 are 374.00, 20 % of it 74.80; 2 pieces at 19.00 are 38.00, 5 % of it 1.90.
"""

import datetime
from decimal import Decimal
from io import BytesIO

import pytest
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from shop.documents.estimate import estimate_html, taxes_of
from shop.documents.pdf import render_pdf
from shop.models import ClientKind, Estimate, Operation, Role, TaxClass
from shop.workflow import bills, estimates
from shop.workflow.estimates import DraftLine, DraftOption
from shop.workflow.opening import open_shop
from shop.workflow.prices import price_change
from tests.factories import make_client, make_job, make_person, make_workshop

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def owner(client):
    open_shop(name="Testing Key Works", tax_name="VAT", deposit_rate=Decimal(30))
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


@pytest.fixture
def reduced(owner):
    tax = TaxClass.objects.create(name="VAT, reduced", rate=Decimal(5))
    price_change("pack", {"tax": tax}, by=owner)
    return tax


def read(estimate) -> Estimate:
    rows = Estimate.objects.with_lines().select_related("job__client", "job__instrument")
    return rows.get(pk=estimate.pk)


def drafted(owner, *lines, job=None, **fields) -> Estimate:
    option = DraftOption("New cloth", lines=lines or (DraftLine("cloth", Decimal(88)), DraftLine("pack", Decimal(2))))
    return read(estimates.estimate_draft(job=job or make_job(), options=[option], by=owner, **fields))


def test_each_tax_is_taken_once_on_its_own_lines(owner, reduced):
    (priced,) = drafted(owner).offer
    assert [(part.name, part.rate, part.net, part.tax) for part in priced.taxes] == [
        ("VAT", 20, Decimal("374.00"), Decimal("74.80")),
        ("VAT, reduced", 5, Decimal("38.00"), Decimal("1.90")),
    ]
    totals = priced.totals
    assert (totals.net, totals.tax, totals.gross) == (Decimal("412.00"), Decimal("76.70"), Decimal("488.70"))
    assert totals.deposit == Decimal("146.61")


def test_screen_and_paper_print_a_row_for_each_tax(client, owner, reduced):
    estimate = drafted(owner)
    pages = [client.get(reverse("estimate_preview", args=[estimate.number])).content.decode(), estimate_html(estimate)]
    for page in pages:
        text = " ".join(page.split())
        assert "VAT 20 %" in text
        assert "VAT, reduced 5 %" in text
        assert "74.80" in text
        assert "1.90" in text
    assert "with VAT, VAT, reduced" in " ".join(pages[0].split())
    pdf = PdfReader(BytesIO(render_pdf(pages[1])))
    words = " ".join(" ".join(page.extract_text() for page in pdf.pages).split())
    for figure in ("374.00", "74.80", "38.00", "1.90", "412.00", "488.70"):
        assert figure in words
    assert len(pdf.pages) <= 2


def test_a_line_keeps_its_tax_when_the_class_changes_and_a_bill_takes_it_over(owner, reduced):
    estimate = drafted(owner)
    reduced.rate = Decimal(9)
    reduced.save()
    assert [row.rate for row in taxes_of(read(estimate).offer)] == [20, 5]
    estimates.estimate_send(estimate, to="", by=owner)
    estimates.estimate_accept(estimate, option="A", name="Ilse")
    bill = bills.bill_draft(estimate.job, by=owner)
    assert {(line.title, line.tax_rate) for line in bill.lines.all()} == {
        ("New bushing cloth, both rails", Decimal(20)),
        ("Count out, pack for the carrier", Decimal(5)),
    }
    assert bills.read(bill.pk).totals.gross == read(estimate).agreed.totals.gross


def test_where_nothing_is_taxed_no_tax_is_printed(owner):
    make_workshop(tax_rate=Decimal(0))
    estimate = drafted(owner)
    assert estimate.offer[0].taxes == ()
    assert "VAT" not in estimate_html(estimate)


def test_the_tax_of_free_text_and_of_a_line_is_chosen_on_the_draft(client, owner, reduced):
    estimate = drafted(owner)
    line = estimate.lines.get(operation__code="cloth")
    page = client.get(estimate.get_absolute_url())
    form = page.context["forms"]
    data = {}
    for part in form._forms():
        for field in part:
            data[field.html_name] = field.value() if field.value() is not None else ""
    data[f"l{line.pk}-tax"] = str(reduced.pk)
    data |= {
        "add": "common", "ncommon-title": "Carriage", "ncommon-quantity": "1", "ncommon-unit_price": "30",
        "ncommon-tax": str(reduced.pk),
    }  # fmt: skip
    answer = client.post(estimate.get_absolute_url(), data)
    assert answer.status_code == 302
    estimate = read(estimate)
    assert {line.tax for line in estimate.lines.all()} == {("VAT, reduced", Decimal(5))}
    line = estimate.lines.get(operation__code="cloth")
    price_change("pack", {"tax": None}, by=owner)
    TaxClass.objects.all().delete()
    TaxClass.objects.create(name="None", rate=Decimal(0))
    page = client.get(estimate.get_absolute_url())
    shown = next(f for group in page.context["forms"].groups for f in group.lines if f.instance.pk == line.pk)
    assert shown["tax"].value() == "own"  # a class that is gone stays with the line


# --- prices for technicians ----------------------------------------------------------------------


def technician(**fields):
    return make_job(client=make_client(name="Perrin Vale", kind=ClientKind.TECHNICIAN, **fields))


def test_technicians_pay_less_and_see_the_list_beside_it(client, owner):
    make_workshop(trade_discount=Decimal(10), trade_terms="Within 30 days.", terms="Two weeks.")
    estimate = drafted(owner, job=technician(), allowance_keys=6)
    line = estimate.lines.get(operation__code="cloth")
    assert (line.list_price, line.unit_price) == (Decimal("4.25"), Decimal("3.83"))  # 3.825, halves up
    assert estimate.allowance_price == Decimal("7.56")  # 8.40 less 10 %
    (priced,) = estimate.offer
    assert priced.saved == 88 * Decimal("0.42") + 2 * Decimal("1.90")
    assert estimate.terms == "Within 30 days."
    for page in (
        client.get(estimate.get_absolute_url()).content.decode(),
        client.get(reverse("estimate_preview", args=[estimate.number])).content.decode(),
        estimate_html(estimate),
    ):
        assert "10 %" in page
    assert "(list 4.25)" in estimate_html(estimate)


@pytest.mark.parametrize("kind", [ClientKind.OWNER, ClientKind.INSTITUTION])
def test_others_pay_the_list(owner, kind):
    make_workshop(trade_discount=Decimal(10), trade_terms="Within 30 days.", terms="Two weeks.")
    estimate = drafted(owner, job=make_job(client=make_client(kind=kind)))
    assert (estimate.trade_discount, estimate.terms) == (0, "Two weeks.")
    assert {line.list_price for line in estimate.lines.all()} == {None}


def test_a_price_typed_by_hand_is_no_share_of_the_list(client, owner):
    make_workshop(trade_discount=Decimal(10))
    estimate = drafted(owner, job=technician())
    estimates.line_add(estimate, DraftLine("", Decimal(1), title="Carriage", unit_price=Decimal(30)), by=owner)
    assert read(estimate).lines.get(title="Carriage").unit_price == 30
    line = estimate.lines.get(operation__code="cloth")
    data = {f.html_name: f.value() if f.value() is not None else ""
            for part in client.get(estimate.get_absolute_url()).context["forms"]._forms() for f in part}  # fmt: skip
    client.post(estimate.get_absolute_url(), {**data, f"l{line.pk}-unit_price": "4"})
    line.refresh_from_db()
    assert (line.unit_price, line.list_price) == (4, None)
    other = estimate.lines.get(operation__code="pack")
    assert other.list_price == 19


def test_a_sent_estimate_keeps_what_a_technician_was_offered(owner):
    make_workshop(trade_discount=Decimal(10))
    estimate = drafted(owner, job=technician())
    before = read(estimate).offer[0].totals
    make_workshop(trade_discount=Decimal(25))
    Operation.objects.update(minutes=99)
    assert read(estimate).offer[0].totals == before
    estimates.estimate_send(estimate, to="", by=owner)
    copy = read(estimates.estimate_new_version(read(estimate), by=owner))
    assert (copy.trade_discount, copy.offer[0].totals.net) == (10, before.net)


def test_an_estimate_takes_the_price_of_its_day(owner):

    price_change(
        "cloth", {"minutes": Decimal(6)}, by=owner, starts_on=timezone.localdate() + datetime.timedelta(days=5)
    )
    today = drafted(owner)
    later = drafted(owner, at=timezone.now() + datetime.timedelta(days=6))
    prices = [row.lines.get(operation__code="cloth").unit_price for row in (today, later)]
    assert prices == [Decimal("4.25"), Decimal("6.25")]

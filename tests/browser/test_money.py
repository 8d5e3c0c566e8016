"""Money in a browser: a payment, a bill from draft to paid, the office's pages on four screens."""

import datetime
from decimal import Decimal

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from shop.models import Bill, Job, Role
from shop.workflow import bills, estimates, stages
from shop.workflow.opening import open_shop
from tests.factories import make_person, make_sent

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def owner(sign_in):
    open_shop(name="Testing Key Works", payment="Account 00 1470")
    person = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    sign_in(person)
    return person


def agreed(owner) -> Job:
    sent = make_sent(by=owner)
    estimates.estimate_accept(sent, option="B", name="Ilse Varga")
    return sent.job


def test_from_the_deposit_to_the_paid_bill(page, owner, axe):
    job = agreed(owner)
    page.goto(f"/jobs/{job.tag}/")
    page.get_by_role("link", name="Write down a payment").click()
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator("#money")).to_contain_text("Deposit")
    page.get_by_role("button", name="Write the bill").click()
    page.get_by_label("Amount: Mortise wood").fill("9")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.get_by_text("At most 8 was agreed")).to_be_visible()
    axe(page)
    page.get_by_label("Amount: Mortise wood").fill("3")
    page.get_by_role("button", name="Keep, then issue…").click()
    page.get_by_role("button", name="Issue it").click()
    expect(page.get_by_role("heading", name="Bill B-0001")).to_be_visible()
    page.get_by_role("link", name="Write down a payment").click()
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_text("Paid", exact=True)).to_be_visible()
    assert bills.read(Bill.objects.get().pk).owed == 0


def test_the_pages_about_money_read_well_everywhere(page, screen, owner, axe, fits):
    before = timezone.now() - datetime.timedelta(days=40)
    late = bills.bill_issue(bills.bill_draft(agreed(owner), by=owner, at=before), by=owner, at=before)
    payment = bills.payment_take(late.job, amount=Decimal("120.50"), note="first part", by=owner)
    again = bills.bill_issue(bills.bill_draft(agreed(owner), by=owner), by=owner)
    credit = bills.bill_cancel(again, reason="An extra was forgotten.", by=owner)
    draft = bills.bill_draft(agreed(owner), by=owner)
    stage = late.job.stages.get(kind="cloth")
    stages.hours_book(stage, by=owner, minutes=stage.minutes * 2)
    Job.objects.filter(pk=late.job.pk).update(left_at=timezone.now())
    for address in (
        "/office/",
        "/office/bills/",
        "/office/bills/?show=all",
        "/office/books/",
        "/office/hours/",
        late.get_absolute_url(),
        again.get_absolute_url(),
        credit.get_absolute_url(),
        draft.get_absolute_url(),
        f"/bills/{draft.pk}/issue/",
        f"/jobs/{late.job.tag}/",
        f"/jobs/{late.job.tag}/payments/new/",
        f"/payments/{payment.pk}/correct/",
        f"/records/clients/{late.job.client_id}/",
    ):
        page.goto(address)
        axe(page)
        fits(page)

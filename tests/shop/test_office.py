"""The office: what waits for whom, with its numbers."""

import datetime
import re
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from shop.models import Estimate, Role
from shop.workflow import bills, estimates
from shop.workflow.events import record
from tests.factories import make_draft, make_job, make_person, make_sent, make_workshop
from tests.ladder import climb

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


@pytest.mark.once
def test_only_the_owner_opens_the_office():
    climb("office", roles={Role.OWNER})


def test_an_empty_office_says_that_nothing_waits(client, owner):
    page = client.get(reverse("office")).content.decode()
    assert "No estimate is with a client." in page
    assert "Nothing is late." in page


def test_everything_that_waits_stands_in_its_place(client, owner):
    make_workshop()
    now = timezone.now()
    draft = make_draft(by=owner)
    waiting = make_sent(by=owner, at=now - datetime.timedelta(days=9))
    asked = make_sent(by=owner)
    estimates.question_ask(asked, text="Is glue included?", name="Ilse")
    agreed = make_sent(by=owner)
    estimates.estimate_accept(agreed, option="A", name="Ilse")
    to_price = make_job()
    to_price.stage = "estimate"
    to_price.save()
    late = make_job()
    late.promised_on = timezone.localdate() - datetime.timedelta(days=3)
    late.save()
    context = client.get(reverse("office")).context
    assert [row.pk for row in context["drafts"]] == [draft.pk]
    first = context["waiting"][0]
    assert (first.estimate.pk, first.days, first.seen, first.late) == (waiting.pk, 9, None, True)
    assert [question.text for question in context["questions"]] == ["Is glue included?"]
    assert [row.pk for row, _ in context["agreed"]] == [agreed.pk]
    net = Estimate.objects.with_lines().get(pk=agreed.pk).agreed.totals.net
    assert context["sums"] == {"EUR": net}
    assert [row.pk for row, _ in context["deposits"]] == [agreed.pk]
    assert context["to_price"] == [to_price]
    assert context["late"] == [(late, 3)]
    assert context["letters"] == 4  # three estimates and the yes confirmed
    text = client.get(reverse("office")).content.decode()
    assert "3 days late" in text
    assert "4 letters wait to be sent" in text


def test_last_months_yes_is_not_counted_now(client, owner):
    make_workshop()
    before = timezone.now().replace(day=1) - datetime.timedelta(days=2)
    old = make_sent(by=owner, at=before)
    estimates.estimate_accept(old, option="A", name="Ilse", at=before)
    context = client.get(reverse("office")).context
    assert context["agreed"] == []
    assert context["sums"] == {}


def test_sums_of_two_currencies_are_not_added(client, owner):
    for currency in ("EUR", "JPY"):
        make_workshop(currency=currency)
        row = make_sent(by=owner)
        estimates.estimate_accept(row, option="A", name="Ilse")
    sums = client.get(reverse("office")).context["sums"]
    assert set(sums) == {"EUR", "JPY"}
    assert all(isinstance(amount, Decimal) for amount in sums.values())


def make_and_agree(owner):
    row = make_sent(by=owner)
    estimates.estimate_accept(row, option="A", name="Ilse")
    return row


def stand(estimate, *, stage: str = "pack", left_at=None) -> None:
    estimate.job.stage, estimate.job.left_at = stage, left_at
    estimate.job.save()


def test_a_set_that_is_ready_or_gone_waits_for_its_bill_until_it_is_written(client, owner):
    make_workshop()
    now = timezone.now()
    ready, gone, long_gone, at_work = (make_sent(by=owner) for _ in range(4))
    for row in (ready, gone, long_gone, at_work):
        estimates.estimate_accept(row, option="A", name="Ilse")
    stand(ready)
    stand(gone, stage="", left_at=now - datetime.timedelta(days=3))
    stand(long_gone, stage="", left_at=now - datetime.timedelta(days=200))
    stand(at_work, stage="cloth")
    assert {job.pk for job in client.get(reverse("office")).context["to_bill"]} == {ready.job.pk, gone.job.pk}
    bill = bills.bill_issue(bills.bill_draft(ready.job, by=owner), by=owner)
    bills.bill_draft(gone.job, by=owner)
    context = client.get(reverse("office")).context
    assert context["to_bill"] == []
    assert context["owed_sums"] == {"EUR": bill.gross}
    assert context["overdue"] == []
    bills.bill_cancel(bill, reason="wrong", by=owner)
    context = client.get(reverse("office")).context
    assert [job.pk for job in context["to_bill"]] == [ready.job.pk]
    assert context["owed_sums"] == {}


def test_an_overdue_bill_is_said_with_its_days(client, owner):
    make_workshop(bill_days=14)
    row = make_sent(by=owner)
    estimates.estimate_accept(row, option="A", name="Ilse")
    before = timezone.now() - datetime.timedelta(days=20)
    bills.bill_issue(bills.bill_draft(row.job, by=owner, at=before), by=owner, at=before)
    page = client.get(reverse("office")).content.decode()
    assert "6 days overdue" in page
    assert "1 bill overdue" in page


def test_an_estimate_past_its_day_is_to_be_revised_and_one_opened_says_when(client, owner):
    make_workshop()
    row = make_sent(by=owner)
    estimates.estimate_seen(row.links.get())
    Estimate.objects.filter(pk=row.pk).update(valid_until=timezone.localdate() - datetime.timedelta(days=1))
    response = client.get(reverse("office"))
    assert [one.pk for one in response.context["to_revise"]] == [row.pk]
    assert response.context["waiting"][0].seen is not None
    assert "needs a new version" in response.content.decode()


def test_every_tile_leads_somewhere(client, owner):
    make_workshop()
    row = make_sent(by=owner)
    estimates.question_ask(row, text="?", name="Ilse")
    other = make_sent(by=owner)
    estimates.estimate_accept(other, option="A", name="Ilse")
    page = client.get(reverse("office")).content.decode()
    targets = re.findall(r'<dt><a href="#([a-z-]+)"', page)
    assert len(targets) == 7
    for name in targets:
        assert f'id="{name}"' in page, name


def test_the_office_asks_as_often_for_twenty_as_for_two(client, owner, django_assert_max_num_queries):
    make_workshop()

    def more(count: int) -> None:
        for _ in range(count):
            make_draft(by=owner)
            question = make_sent(by=owner)
            estimates.question_ask(question, text="?", name="Ilse")
            estimates.estimate_accept(make_sent(by=owner), option="A", name="Ilse")
            billed = make_sent(by=owner)
            estimates.estimate_accept(billed, option="A", name="Ilse")
            bills.bill_issue(bills.bill_draft(billed.job, by=owner), by=owner)
            stand(make_and_agree(owner))

    def queries() -> int:
        with django_assert_max_num_queries(60) as seen:
            client.get(reverse("office"))
        return len(seen)

    more(2)
    queries()
    before = queries()
    more(5)
    assert queries() == before


def test_a_set_that_stripping_found_worse_than_agreed_is_to_be_revised(client):
    job = make_job()
    record("check_closed", by=None, job=job, kind="stripped")
    client.force_login(make_person(role=Role.OWNER))
    assert client.get(reverse("office")).context["found_worse"] == []  # it has gone on
    job.stage = "stripped_check"
    job.save()
    record("check_closed", by=None, job=job, kind="stripped")
    assert client.get(reverse("office")).context["found_worse"] == [job]
    assert "To be revised after stripping" in client.get(reverse("office")).content.decode()
    make_sent(job=job)
    job.stage = "stripped_check"
    job.save()
    assert client.get(reverse("office")).context["found_worse"] == []  # the client has it now

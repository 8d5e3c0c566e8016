"""The office: what waits for whom, with its numbers."""

import datetime
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from shop.models import Estimate, Role
from shop.workflow import estimates
from tests.factories import make_draft, make_job, make_person, make_sent, make_workshop
from tests.ladder import climb

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


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
    assert (first.estimate.pk, first.days, first.seen, first.late) == (waiting.pk, 9, False, True)
    assert [question.text for question in context["questions"]] == ["Is glue included?"]
    assert [row.pk for row, _ in context["agreed"]] == [agreed.pk]
    net = Estimate.objects.with_lines().get(pk=agreed.pk).agreed.totals.net
    assert context["sums"] == {"EUR": net}
    assert [row.pk for row in context["deposits"]] == [agreed.pk]
    assert context["to_price"] == [to_price]
    assert context["late"] == [(late, 3)]
    assert context["letters"] == 3
    text = client.get(reverse("office")).content.decode()
    assert "3 days late" in text
    assert "3 letters wait to be sent" in text


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


def test_the_office_asks_as_often_for_twenty_as_for_two(client, owner, django_assert_max_num_queries):
    make_workshop()

    def more(count: int) -> None:
        for _ in range(count):
            make_draft(by=owner)
            question = make_sent(by=owner)
            estimates.question_ask(question, text="?", name="Ilse")
            estimates.estimate_accept(make_sent(by=owner), option="A", name="Ilse")

    def queries() -> int:
        with django_assert_max_num_queries(60) as seen:
            client.get(reverse("office"))
        return len(seen)

    more(2)
    queries()
    before = queries()
    more(5)
    assert queries() == before

"""An estimate without an answer is due for a reminder after the days the shop sets; a person sends it."""

import datetime

import pytest
from django.core import mail
from django.urls import reverse
from django.utils import timezone

from shop.models import Estimate, Event, Role
from shop.workflow import estimates
from shop.workflow.refusal import Refused
from tests.factories import make_person, make_sent, make_workshop, token_of
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def ago(days: int) -> datetime.datetime:
    return timezone.now() - datetime.timedelta(days=days)


@pytest.mark.parametrize(("days", "asked", "due"), [(6, 7, False), (7, 7, True), (8, 7, True), (8, 14, False)])
def test_a_reminder_is_due_after_the_days_the_shop_sets(client, owner, days, asked, due):
    make_workshop(reminder_days=asked)
    sent = make_sent(by=owner, at=ago(days))
    page = client.get(reverse("office"))
    assert page.context["waiting"][0].remind is due
    assert (reverse("estimate_remind", args=[sent.number]) in page.content.decode()) is due


def test_nothing_is_sent_before_somebody_sends_it_and_then_the_days_begin_anew(
    client, owner, django_capture_on_commit_callbacks
):
    make_workshop()
    sent = make_sent(by=owner, at=ago(9))
    estimates.estimate_seen(sent.links.get(), at=ago(3))
    first = token_of(sent)
    address = f"{reverse('estimate_remind', args=[sent.number])}?version=1"
    page = client.get(address).content.decode()
    assert "have not heard from you yet" in page
    assert f"{timezone.localtime(ago(3)):%H:%M}" in page.split("Last opened")[1][:80]
    mail.outbox.clear()
    assert sent.links.count() == 1
    with django_capture_on_commit_callbacks(execute=True):
        client.post(address, {"to": "ilse@example.org", "message": "Dear Ilse, what do you say?"})
    (letter,) = mail.outbox
    assert letter.body.startswith("Dear Ilse, what do you say?")
    assert len(letter.attachments) == 1
    sent.refresh_from_db()
    assert timezone.localdate(sent.reminded_at) == timezone.localdate()
    assert Event.objects.get(what="estimate_reminded").by == owner
    assert not client.get(reverse("office")).context["waiting"][0].remind
    for token in (first, token_of(sent)):  # the first letter's link goes on opening
        assert client.get(reverse("estimate_answer", args=[token])).status_code == 200
    assert first != token_of(sent)


@pytest.mark.parametrize("bad", [{"to": ""}, {"to": "ilse"}, {"to": "ilse@example.org", "message": "x\x00"}])
def test_a_reminder_that_cannot_go_is_told_beside_the_field(client, owner, bad):
    sent = make_sent(by=owner, at=ago(9))
    page = client.post(reverse("estimate_remind", args=[sent.number]), {"message": "Dear Ilse", **bad})
    assert 'class="error"' in page.content.decode()
    assert sent.links.count() == 1


def test_an_estimate_that_is_answered_or_over_is_not_reminded_of(client, owner):
    make_workshop()
    sent = make_sent(by=owner, at=ago(9))
    Estimate.objects.filter(pk=sent.pk).update(valid_until=timezone.localdate() - datetime.timedelta(days=1))
    with pytest.raises(Refused, match="has passed"):
        estimates.estimate_remind(sent, to="ilse@example.org", by=owner)
    assert "make a new version" in client.get(reverse("estimate_remind", args=[sent.number])).content.decode()
    assert not client.get(reverse("office")).context["waiting"][0].remind
    Estimate.objects.filter(pk=sent.pk).update(valid_until=timezone.localdate())
    estimates.estimate_decline(sent, name="Ilse")
    with pytest.raises(Refused, match="with the client"):
        estimates.estimate_remind(sent, to="ilse@example.org", by=owner)
    assert client.get(reverse("estimate_remind", args=[sent.number])).status_code == 302


def test_withdrawing_the_link_ends_the_reminders_too(owner):
    sent = make_sent(by=owner, at=ago(9))
    estimates.estimate_remind(sent, to="ilse@example.org", by=owner)
    estimates.link_withdraw(sent, by=owner)
    assert not sent.links.filter(withdrawn_at__isnull=True).exists()


@pytest.mark.once
def test_only_the_owner_reminds(owner):
    sent = make_sent(by=owner, at=ago(9))
    climb("estimate_remind", sent.number, roles={Role.OWNER}, methods={"GET", "POST"})
    gone("estimate_remind", 4711)

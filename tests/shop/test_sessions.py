"""Where people are signed in: listed on their page and the owner's, ended one by one or all at once."""

import datetime

import pytest
import time_machine
from django.apps import apps
from django.contrib.sessions.backends.db import SessionStore as DjangosOwn
from django.contrib.sessions.models import Session as DjangosRow
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shop.models import Event, Role, Session
from shop.sessions import SessionStore, device
from shop.workflow.sessions import signed_in
from tests.factories import make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

PASSWORD = "long enough for a test"
TABLET = "Mozilla/5.0 (Linux; Android 14; K) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/120.0.0.0 Safari/537.36"
MORNING = datetime.datetime(2026, 11, 25, 8, 0, tzinfo=datetime.UTC)


def come_in(person, agent: str = TABLET, **more) -> Client:
    visitor = Client(headers={"user-agent": agent})
    sent = {"username": person.username, "password": PASSWORD, **more}
    assert visitor.post(reverse("sign_in"), sent).status_code == 302
    return visitor


def is_in(visitor: Client) -> bool:
    return visitor.get(reverse("counter")).status_code == 200


def queries(visitor: Client, address: str) -> int:
    with CaptureQueriesContext(
        connection,
    ) as asked:
        assert visitor.get(address).status_code == 200
    return len(asked)


@pytest.mark.once
def test_everybody_ends_their_own_sessions_and_the_owner_anybodys():
    climb("session_end", "nothing", methods={"POST"})
    person = make_person()
    for name, arguments in (("person_session_end", ["nothing"]), ("person_signed_out", [])):
        climb(name, person.pk, *arguments, roles={Role.OWNER}, methods={"POST"})
        gone(name, 999_999, *arguments, method="POST")


def test_a_person_sees_where_they_are_signed_in_and_ends_one_of_them():
    person, other = make_person(), make_person()
    with time_machine.travel(MORNING, tick=False) as clock:
        here = come_in(person, "Mozilla/5.0 (Windows NT 10.0; Win64; x64) <x-mark>")
        there, somebody = come_in(person, shared="on"), come_in(other)
        assert is_in(here)
        before = queries(here, reverse("factor"))
        for _again in range(8):
            come_in(person)
        assert queries(here, reverse("factor")) == before
        clock.shift(6 * 60)
        assert is_in(there)  # seen now
        clock.shift(60)
        page = here.get(reverse("factor")).content.decode()
    assert page.count("Sign out there") == 9
    assert page.count("this one") == 1
    assert "Computer, Windows NT 10.0" in page
    assert "Tablet, Android 14" in page
    assert "shared tablet</span>" in page
    with time_machine.travel(MORNING + datetime.timedelta(minutes=8), tick=False):
        first, second, *_rest = signed_in(person, here=here.session.session_key)
        assert (first.here, first.seen, second.shared) == (True, MORNING + datetime.timedelta(minutes=7), True)
        assert (second.since, second.seen) == (MORNING, MORNING + datetime.timedelta(minutes=6))
        # Nothing that opens a session stands on the page, and nobody else's can be ended.
        keys = Session.objects.values_list("session_key", flat=True)
        assert not [key for key in keys if key in page]
        theirs = signed_in(other)[0].which
        here.post(reverse("session_end", args=[theirs]), {"password": PASSWORD})
        assert is_in(somebody)
        for name, arguments in (("session_end", [second.which]), ("signed_out_everywhere", [])):
            answer = here.post(reverse(name, args=arguments), {"password": "wrong"})
            assert "This is not your password." in answer.content.decode()
        assert is_in(there)
        here.post(reverse("session_end", args=[second.which]), {"password": PASSWORD})
        assert (is_in(there), is_in(here), is_in(somebody)) == (False, True, True)
        assert Event.objects.get(what="session_ended").by == person
        here.post(reverse("signed_out_everywhere"), {"password": PASSWORD})
        person.refresh_from_db()
        assert [one.here for one in signed_in(person, here=here.session.session_key)] == [True]
        assert is_in(here)


def test_the_owner_signs_somebody_out(client):
    person = make_person()
    first, second = come_in(person), come_in(person)
    client.force_login(make_person(role=Role.OWNER))
    address = reverse("person_edit", args=[person.pk])
    assert client.get(address).content.decode().count("Sign out there") == 2
    client.post(reverse("person_session_end", args=[person.pk, signed_in(person)[0].which]))
    assert sorted([is_in(first), is_in(second)]) == [False, True]
    client.post(reverse("person_signed_out", args=[person.pk]))
    assert not is_in(first)
    assert not is_in(second)
    assert "Nowhere." in client.get(address).content.decode()
    assert set(Event.objects.filter(what__startswith="session").values_list("what", flat=True)) == {
        "session_ended",
        "sessions_ended",
    }


def test_what_a_new_password_or_time_has_ended_is_not_listed_and_goes(client):
    person = make_person()
    with time_machine.travel(MORNING) as clock:
        come_in(person)
        assert len(signed_in(person)) == 1
        clock.shift(13 * 60 * 60)
        assert signed_in(person) == []
        come_in(person)
        assert Session.objects.filter(person=person).count() == 1
        person.set_password("another long password")
        person.save()
        assert signed_in(person) == []


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        ("", "unknown device"),
        (TABLET, "Tablet, Android 14"),
        ("Mozilla/5.0 (Linux; Android 14; K) AppleWebKit/537.36 Chrome/1 Mobile Safari/537.36", "Phone, Android 14"),
        ("Mozilla/5.0 (iPad; CPU OS 17_1 like Mac OS X) AppleWebKit/605.1.15", "Tablet, iPad"),
        ("Mozilla/5.0 (X11; Linux x86_64; rv:121.0) Gecko/20100101 Firefox/121.0", "Computer, Linux x86_64"),
        ("curl/8", "Computer"),
        ("(<script>;" + "x" * 999, "Computer"),
        ("(<b>" + "x" * 99 + ")", "Computer, b" + "x" * 29),
    ],
)
def test_a_device_is_told_in_words(agent, words):
    """Agents as RFC 9110, section 10.1.5, has them, and as browsers send them (from memory)."""
    assert device(agent) == words


def test_an_update_signs_nobody_out():
    """What Django's own table held comes over, and is read with the same key."""
    from importlib import import_module

    person, old = make_person(), DjangosOwn()
    visitor = Client()
    visitor.force_login(person)
    old.update(SessionStore(visitor.session.session_key).load())
    old.save()
    visitor.cookies["sessionid"] = old.session_key
    Session.objects.all().delete()
    assert not is_in(visitor)
    visitor.cookies["sessionid"] = old.session_key
    import_module("shop.migrations.0014_sessions").bring_over(apps, None)
    assert is_in(visitor)
    assert not DjangosRow.objects.exists()
    assert [one.device for one in signed_in(person)] == ["unknown device"]

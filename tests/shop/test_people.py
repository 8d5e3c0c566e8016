"""People: signing in, working their own way, coming and going."""

import datetime
import re
from html import unescape

import pytest
import time_machine
from django.contrib.auth import authenticate
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from shop.models import Event, Person, Role
from shop.workflow import people
from shop.workflow.events import record
from shop.workflow.refusal import Refused
from tests.factories import make_person, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

PASSWORD = "long enough for a test"
NEW = "eighty-eight buttons"


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore", username="ada")
    client.force_login(person)
    return person


def fields(**changed) -> dict:
    return {
        "first_name": "Rosa",
        "last_name": "Amsel",
        "username": "rosa",
        "role": "technician",
        "units": "mm",
        "password": NEW,
        **changed,
    }


@pytest.mark.once
@pytest.mark.parametrize(
    ("name", "methods", "about_somebody"),
    [
        ("person_list", {"GET"}, False),
        ("person_add", {"GET", "POST"}, False),
        ("person_edit", {"GET", "POST"}, True),
        ("person_password", {"POST"}, True),
        ("person_deactivate", {"POST"}, True),
        ("person_reactivate", {"POST"}, True),
    ],
)
def test_only_the_owner_says_who_works_here(name, methods, about_somebody):
    climb(name, *([make_person().pk] if about_somebody else []), roles={Role.OWNER}, methods=methods)
    if about_somebody:
        gone(name, 999_999, method="GET" if "GET" in methods else "POST")


def test_everybody_has_their_own_page_and_password():
    climb("person_settings", methods={"GET", "POST"})
    climb("password_change", methods={"GET", "POST"})


# --- signing in and out --------------------------------------------------------------------------


def test_a_name_and_a_password_open_the_shop(client):
    make_person(username="rosa")
    answer = client.post(reverse("sign_in"), {"username": "rosa", "password": PASSWORD, "next": "/counter/"})
    assert answer["Location"] == "/counter/"


@pytest.mark.parametrize(
    ("username", "password"), [("rosa", "wrong"), ("nobody", PASSWORD), ("rosa\x00", PASSWORD), ("", "")]
)
def test_a_wrong_name_and_a_wrong_password_read_the_same(client, username, password):
    make_person(username="rosa")
    page = client.post(reverse("sign_in"), {"username": username, "password": password})
    assert page.status_code == 200
    assert "_auth_user_id" not in client.session


def test_guessing_has_to_wait_for_one_name_from_one_place_alone(client):
    make_person(username="rosa")
    make_person(username="tom")

    def ask(password: str, username: str = "rosa", place: str = "10.0.0.5") -> int:
        sent = {"username": username, "password": password}
        status = client.post(reverse("sign_in"), sent, REMOTE_ADDR=place).status_code
        client.logout()
        return status

    assert ask("wrong") == 200
    assert ask(PASSWORD) == 302  # a right one in between counts anew
    for _ in range(10):
        ask("wrong")
    assert ask(PASSWORD) == 200
    assert ask(PASSWORD, username="ROSA") == 200
    assert ask(PASSWORD, username="tom") == 302
    assert ask(PASSWORD, place="10.0.0.6") == 302
    with time_machine.travel(datetime.datetime.now(datetime.UTC) + datetime.timedelta(minutes=16)):
        assert ask(PASSWORD) == 302


def test_one_place_cannot_try_a_password_on_every_name_and_holds_up_nobody_who_works_there(client, monkeypatch):
    monkeypatch.setattr("shop.forms.people._TRIES_OF_A_PLACE", 3)
    for name in ("rosa", "tom"):
        make_person(username=name)

    def ask(username: str, password: str, place: str = "2001:db8::5") -> bool:
        client.post(reverse("sign_in"), {"username": username, "password": password}, REMOTE_ADDR=place)
        came_in = "_auth_user_id" in client.session
        client.logout()
        return came_in

    for _again in range(3):  # what is right counts for nothing
        assert ask("rosa", PASSWORD)
    for number in range(3):
        ask(f"name{number}", "eighty-eight keys", place=f"2001:db8::{number:x}")
    assert not ask("tom", PASSWORD)
    assert not ask("tom", PASSWORD, place="2001:db8::ffff:1")  # the same network
    assert ask("rosa", PASSWORD)
    assert ask("tom", PASSWORD, place="2001:db8:0:1::5")  # the control: next door they are not held up
    ask("name4", "eighty-eight keys")
    assert Event.objects.filter(what="sign_ins_slowed").count() == 1
    page = client.post(reverse("sign_in"), {"username": "tom", "password": PASSWORD}, REMOTE_ADDR="2001:db8::5")
    assert "came from this network" in page.content.decode()
    with time_machine.travel(datetime.datetime.now(datetime.UTC) + datetime.timedelta(minutes=16)):
        assert ask("tom", PASSWORD)


def test_one_name_tried_from_everywhere_waits_for_strangers_alone(client, monkeypatch):
    """Devices are told apart as in OWASP's "Slow Down Online Guessing Attacks with Device Cookies" (from memory)."""
    monkeypatch.setattr("shop.forms.people._TRIES_OF_A_NAME", 3)
    for name in ("rosa", "tom"):
        make_person(username=name)

    def ask(password: str, place: str, visitor: Client, username: str = "rosa") -> bool:
        page = visitor.post(reverse("sign_in"), {"username": username, "password": password}, REMOTE_ADDR=place)
        came_in = page.status_code == 302
        visitor.post(reverse("sign_out"))
        return came_in

    own, borrowed = Client(), Client()
    assert ask(PASSWORD, "10.0.0.1", own)
    assert ask(PASSWORD, "10.0.0.1", borrowed, "tom")
    for number in range(20):
        assert not ask("wrong", f"198.51.100.{number}", Client(), "ROSA")
    assert not ask(PASSWORD, "203.0.113.1", Client())
    assert not ask(PASSWORD, "203.0.113.1", borrowed)  # a device, but not one that rosa came in on
    forged = Client()
    forged.cookies["device"] = own.cookies["device"].value.replace(":", ":x", 1)
    assert not ask(PASSWORD, "203.0.113.1", forged)
    assert ask(PASSWORD, "203.0.113.1", own)
    assert ask(PASSWORD, "10.0.0.1", Client())  # a new device at a place where she came in
    assert ask(PASSWORD, "203.0.113.2", Client(), "tom")
    assert Event.objects.get(what="name_slowed").details == {"person": Person.objects.get(username="rosa").pk}
    for _again in range(10):
        ask("wrong", "10.0.0.1", Client())  # somebody in the shop's own network
    assert not ask(PASSWORD, "10.0.0.1", Client())
    assert ask(PASSWORD, "10.0.0.1", own)
    for number in range(10):  # the control: a device that guesses waits, wherever it goes
        ask("wrong", f"203.0.113.{number}", own)
    assert not ask(PASSWORD, "203.0.113.99", own)
    with time_machine.travel(datetime.datetime.now(datetime.UTC) + datetime.timedelta(days=1, minutes=1)):
        assert ask(PASSWORD, "203.0.113.1", Client())


def test_signing_in_never_leads_away(client):
    make_person(username="rosa")
    sent = {"username": "rosa", "password": PASSWORD, "next": "https://elsewhere.example/"}
    assert client.post(reverse("sign_in"), sent)["Location"] == reverse("home")


def test_signing_out_takes_a_button_not_a_link(client):
    client.force_login(make_person())
    assert client.get(reverse("sign_out")).status_code == 405
    assert "_auth_user_id" in client.session
    client.post(reverse("sign_out"))
    assert "_auth_user_id" not in client.session


@pytest.mark.parametrize(("role", "place"), [("desk", "counter"), ("technician", "bench"), ("owner", "office")])
def test_everybody_lands_where_their_work_is(client, role, place):
    client.force_login(make_person(role=role))
    assert client.get("/")["Location"] == reverse(place)


# --- one's own page ------------------------------------------------------------------------------


def test_a_person_works_their_own_way(client):
    person = make_person()
    client.force_login(person)
    client.post(reverse("person_settings"), {"units": "in", "sound": "on"})
    person.refresh_from_db()
    assert (person.units, person.sound, person.left_handed) == ("in", True, False)
    assert client.post(reverse("person_settings"), {"units": "ells"}).status_code == 200


def test_a_new_password_takes_the_old_one_and_keeps_one_signed_in(client):
    person = make_person(username="rosa")
    client.force_login(person)
    address = reverse("password_change")
    wrong = {"old_password": "wrong", "new_password1": NEW, "new_password2": NEW}
    assert client.post(address, wrong).status_code == 200
    short = {"old_password": PASSWORD, "new_password1": "short", "new_password2": "short"}
    assert client.post(address, short).status_code == 200
    assert authenticate(username="rosa", password=PASSWORD) == person
    client.post(address, {"old_password": PASSWORD, "new_password1": NEW, "new_password2": NEW})
    assert authenticate(username="rosa", password=NEW) == person
    assert client.get(reverse("person_settings")).status_code == 200


def test_the_old_password_is_guessed_slowly_too(client):
    person = make_person(username="rosa")
    client.force_login(person)
    for _again in range(5):
        client.post(reverse("password_change"), {"old_password": "wrong"})
    page = client.post(
        reverse("password_change"), {"old_password": PASSWORD, "new_password1": NEW, "new_password2": NEW}
    )
    assert "Too many wrong passwords" in page.content.decode()
    assert authenticate(username="rosa", password=PASSWORD) == person


# --- coming and going ----------------------------------------------------------------------------


def test_the_owner_adds_a_person_who_can_sign_in(client, owner):
    assert client.post(reverse("person_add"), fields()).status_code == 302
    person = Person.objects.get(username="rosa")
    assert (person.role, person.short_name) == ("technician", "R. Amsel")
    assert authenticate(username="rosa", password=NEW) == person
    event = Event.objects.get(what="person_added")
    assert (event.by, event.details) == (owner, {"person": person.pk, "role": "technician"})
    assert "Rosa Amsel" in client.get(reverse("person_list")).content.decode()


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"password": "short"}, {"password"}),
        ({"password": "password123"}, {"password"}),
        ({"username": "rosa.amsel", "password": "rosa.amsel1"}, {"password"}),
        ({"password": ""}, {"password"}),
        ({"password": "x" * 201}, {"password"}),
        ({"username": "ADA"}, {"username"}),
        ({"username": "rosa amsel"}, {"username"}),
        ({"username": "x" * 10_000}, {"username"}),
        ({"first_name": ""}, {"first_name"}),
        ({"last_name": "\x00"}, {"last_name"}),
        ({"role": "god"}, {"role"}),
        ({"units": "ells"}, {"units"}),
    ],
)
def test_a_person_that_cannot_be_is_not_added(client, owner, changed, wrong):
    page = client.post(reverse("person_add"), fields(**changed))
    assert set(page.context["form"].errors) == wrong
    assert Person.objects.count() == 1
    assert NEW not in page.content.decode()


def test_a_person_changes_under_the_owners_hand(client, owner):
    person = make_person(username="rosa", first_name="Rosa", last_name="Amsel")
    client.post(reverse("person_edit", args=[person.pk]), fields(role="desk", password=""))
    person.refresh_from_db()
    assert person.role == "desk"
    assert Event.objects.get(what="person_changed").details["fields"] == ["role"]


def test_a_closed_access_ends_at_once_and_can_be_opened_again(client, owner, client_of):
    person = make_person(username="rosa")
    theirs = client_of(person)
    assert theirs.get(reverse("counter")).status_code == 200
    client.post(reverse("person_deactivate", args=[person.pk]))
    assert theirs.get(reverse("counter")).status_code == 302
    assert authenticate(username="rosa", password=PASSWORD) is None
    assert "access closed" in client.get(reverse("person_list")).content.decode()
    client.post(reverse("person_reactivate", args=[person.pk]))
    assert authenticate(username="rosa", password=PASSWORD) == person
    assert list(Event.objects.order_by("id").values_list("what", flat=True)) == [
        "person_deactivated",
        "person_reactivated",
    ]


@pytest.fixture
def client_of():
    def make(person):
        who = Client()
        who.force_login(person)
        return who

    return make


def test_nobody_closes_their_own_access_and_the_last_owner_stays(client, owner):
    answer = client.post(reverse("person_deactivate", args=[owner.pk]), follow=True)
    assert "your own access" in answer.content.decode()
    page = client.post(
        reverse("person_edit", args=[owner.pk]), fields(username="ada", first_name="Ada", role="desk", password="")
    )
    assert "only owner" in page.content.decode()
    owner.refresh_from_db()
    assert (owner.is_active, owner.role) == (True, Role.OWNER)
    with pytest.raises(Refused):
        people.person_deactivate(owner, by=make_person(role=Role.OWNER, is_active=False))


def test_with_two_owners_one_may_step_down(client, owner):
    make_person(role=Role.OWNER)
    client.post(
        reverse("person_edit", args=[owner.pk]), fields(username="ada", first_name="Ada", role="desk", password="")
    )
    owner.refresh_from_db()
    assert owner.role == Role.DESK


def test_a_new_password_for_somebody_ends_their_sessions(client, owner, client_of):
    person = make_person(username="rosa")
    theirs = client_of(person)
    address = reverse("person_password", args=[person.pk])
    assert client.post(address, {"password": "short"}).status_code == 200
    client.post(address, {"password": NEW})
    assert authenticate(username="rosa", password=NEW) == person
    assert theirs.get(reverse("counter")).status_code == 302


def test_an_owner_changes_their_own_password_by_the_old_one_alone(client, owner):
    answer = client.post(reverse("person_password", args=[owner.pk]), {"password": NEW})
    assert answer["Location"] == reverse("password_change")
    assert authenticate(username="ada", password=PASSWORD) == owner
    assert 'name="password"' not in client.get(reverse("person_edit", args=[owner.pk])).content.decode()


def test_whoever_left_the_office_open_types_the_password_again_before_access_is_given_or_taken(client, owner):
    person = make_person(username="rosa")
    edit, add = reverse("person_edit", args=[person.pk]), reverse("person_add")
    now = datetime.datetime.now(datetime.UTC)
    with time_machine.travel(now + datetime.timedelta(minutes=16)):
        assert client.get(reverse("person_list")).status_code == 200
        assert client.get(add)["Location"] == f"{reverse('sign_in')}?next={add}"
        assert "asked for once more" in client.get(f"{reverse('sign_in')}?next={add}").content.decode()
        # A page that was opened in time may be sent.
        assert client.post(add, fields(username="anna")).status_code == 302
        assert Person.objects.filter(username="anna").exists()
    with time_machine.travel(now + datetime.timedelta(minutes=61)):
        for name in ("person_password", "person_deactivate", "person_reactivate", "person_signed_out"):
            sent = client.post(
                reverse(name, args=[person.pk]), {"password": NEW}, headers={"referer": f"http://testserver{edit}"}
            )
            assert sent["Location"].endswith(f"?next=http%3A//testserver{edit}"), name
        assert "%3A//" not in client.post(add, fields(), headers={"referer": "https://elsewhere.example/"})["Location"]
        client.post(reverse("factor_demand"), {"on": "1"})
        assert set(Event.objects.values_list("what", flat=True)) == {"person_added"}
        assert (
            client.post(reverse("sign_in"), {"username": "ada", "password": PASSWORD, "next": edit})["Location"] == edit
        )
        assert client.get(edit).status_code == 200


def test_the_owner_reads_what_of_late_gave_took_or_guarded_access(client, owner):
    person = make_person(first_name="Rosa", last_name="Amsel")
    record("shop_opened", by=owner)
    record("name_slowed", by=None, person=person.pk)
    client.post(reverse("person_deactivate", args=[person.pk]))
    page = " ".join(re.sub("<[^>]+>", "", client.get(reverse("person_list")).content.decode()).split())
    assert "A. Fennimore closed a person's access: Rosa Amsel" in unescape(page)
    assert "The program let one name wait in new places: many wrong passwords came for it from elsewhere: Rosa" in page
    assert "opened the workshop" not in page

    def queries() -> int:
        with CaptureQueriesContext(connection) as asked:
            client.get(reverse("person_list"))
        return len(asked)

    few = queries()
    for _again in range(15):
        record("person_added", by=make_person(), person=make_person().pk)
    assert queries() == few


def test_no_event_holds_a_password(client, owner):
    make_workshop()
    client.post(reverse("person_add"), fields())
    client.post(reverse("person_password", args=[Person.objects.get(username="rosa").pk]), {"password": NEW})
    assert NEW not in str(list(Event.objects.values_list("details", flat=True)))

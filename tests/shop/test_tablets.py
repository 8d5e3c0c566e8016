"""A tablet that several people share: whose PIN opens it, what a PIN does not open, when it signs out by itself."""

import datetime

import pytest
import time_machine
from django.conf import settings
from django.test import Client
from django.urls import reverse

from shop.models import Event, Person, Role
from shop.workflow.factors import sign_out_everywhere
from shop.workflow.pins import pin_set
from shop.workflow.refusal import Refused
from tests.factories import make_person

pytestmark = pytest.mark.django_db

PASSWORD, PIN = "long enough for a test", "730184"
MORNING = datetime.datetime(2026, 11, 25, 8, 0, tzinfo=datetime.UTC)


@pytest.fixture
def clock():
    with time_machine.travel(MORNING, tick=False) as traveller:
        yield traveller


@pytest.fixture
def rosa(clock):
    person = make_person(username="rosa", first_name="Rosa", last_name="Amsel")
    pin_set(person, PIN)
    return person


@pytest.fixture
def ada(clock):
    person = make_person(username="ada", role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    pin_set(person, PIN)
    return person


def with_password(client, username, **more):
    return client.post(reverse("sign_in"), {"username": username, "password": PASSWORD, "shared": "on", **more})


def with_pin(client, person, pin=PIN, page=""):
    return client.post(reverse("change_person_to", args=[person.pk]) + f"?next={page}", {"pin": pin})


def who(client) -> str:
    return client.session.get("_auth_user_id", "")


def test_whoever_signed_in_here_with_the_password_changes_over_by_pin(client, rosa, ada):
    for username in ("rosa", "ada"):
        with_password(client, username)
        client.post(reverse("sign_out"))
    with_password(client, "rosa")
    names = client.get(reverse("change_person")).content.decode()
    assert "Rosa Amsel" in names
    assert "Ada Fennimore" in names
    client.post(reverse("sign_out"))
    assert reverse("change_person") in client.get(reverse("sign_in")).content.decode()
    with_password(client, "rosa")
    before = client.session.session_key
    assert with_pin(client, ada, page="/bench/")["Location"] == "/bench/"
    assert who(client) == str(ada.pk)
    assert not client.session.exists(before)


@pytest.mark.parametrize(
    "page", ["/office/people/", "https://elsewhere.example/", "//elsewhere.example", "/nowhere/", ""]
)
def test_who_comes_by_pin_lands_where_they_may_be(client, rosa, page):
    with_password(client, "rosa")
    assert with_pin(client, rosa, page=page)["Location"] == reverse("home")


def test_a_pin_opens_nothing_on_a_tablet_that_does_not_know_the_person(client, rosa, ada, clock):
    assert with_pin(client, rosa)["Location"] == reverse("change_person")
    client.post(reverse("sign_in"), {"username": "rosa", "password": PASSWORD})  # not said to be shared
    assert with_pin(client, rosa)["Location"] == reverse("change_person")
    client.post(reverse("sign_out"))
    with_password(client, "rosa")
    assert with_pin(client, ada)["Location"] == reverse("change_person")
    client.cookies[settings.TABLET_COOKIE_NAME] = client.cookies[settings.TABLET_COOKIE_NAME].value[:-1] + "x"
    assert with_pin(client, rosa)["Location"] == reverse("change_person")


@pytest.mark.parametrize("end", ["password", "everywhere", "closed", "late", "taken off"])
def test_the_tablet_forgets_a_person(client, rosa, clock, end):
    with_password(client, "rosa")
    if end == "password":
        rosa.set_password("another long password")
    elif end == "everywhere":
        sign_out_everywhere(rosa)
    elif end == "closed":
        rosa.is_active = False
    elif end == "taken off":
        pin_set(rosa, "")
    else:
        clock.shift(datetime.timedelta(days=31))
    rosa.save()
    assert with_pin(client, rosa)["Location"] == reverse("change_person")


def test_pins_are_guessed_five_times_until_the_password_is_typed(client, rosa, clock):
    with_password(client, "rosa")
    for _again in range(5):
        with_pin(client, rosa, pin="000001")
    assert "Sign in with your password" in with_pin(client, rosa).content.decode()
    clock.shift(60 * 60)
    assert with_pin(client, rosa).status_code == 200
    with_password(client, "rosa")
    assert with_pin(client, rosa).status_code == 302


def test_for_what_is_the_owners_alone_a_pin_is_not_enough(client, ada):
    with_password(client, "ada")
    assert client.get(reverse("office")).status_code == 200
    with_pin(client, ada)
    assert client.get(reverse("counter")).status_code == 200
    for name in ("office", "person_list", "price_list"):
        assert client.get(reverse(name))["Location"] == f"{reverse('sign_in')}?next={reverse(name)}"
    assert 'value="ada"' in client.get(reverse("sign_in")).content.decode()
    assert with_password(client, "ada", next="/office/people/")["Location"] == "/office/people/"
    assert client.get(reverse("person_list")).status_code == 200


def test_a_shared_tablet_signs_out_when_it_lies_idle_and_after_a_day_of_work(client, rosa, clock):
    with_password(client, "rosa")
    for _again in range(30):
        assert client.get(reverse("counter")).status_code == 200
        clock.shift(25 * 60)
    assert client.get(reverse("counter")).status_code == 302
    with_password(client, "rosa")
    clock.shift(31 * 60)
    assert client.get(reverse("counter")).status_code == 302
    client.post(reverse("sign_in"), {"username": "rosa", "password": PASSWORD})
    clock.shift(5 * 60 * 60)
    assert client.get(reverse("counter")).status_code == 200


@pytest.mark.parametrize("pin", ["111111", "123456", "987654", "12345", "1234567", "١٢٣٤٥٦", "abcdef"])
def test_a_pin_that_anybody_would_try_is_not_taken(client, rosa, pin):
    client.force_login(rosa)
    kept = rosa.quick_pin
    page = client.post(reverse("quick_pin"), {"pin": pin, "password": PASSWORD})
    assert page.status_code == 200
    with pytest.raises(Refused):
        pin_set(rosa, pin)
    assert Person.objects.get(pk=rosa.pk).quick_pin == kept


def test_a_pin_is_chosen_with_the_password_and_only_its_hash_is_kept(client, rosa):
    client.force_login(rosa)
    client.post(reverse("quick_pin"), {"pin": "402913", "password": "wrong"})
    assert not Event.objects.filter(what="quick_pin_set", by=rosa).exclude(pk=Event.objects.earliest("pk").pk).exists()
    client.post(reverse("quick_pin"), {"pin": "402913", "password": PASSWORD})
    assert "402913" not in str(Person.objects.filter(pk=rosa.pk).values())
    elsewhere = Client()
    with_password(elsewhere, "rosa")
    assert with_pin(elsewhere, rosa, pin="402913").status_code == 302

"""What is known about an instrument changes."""

import pytest
from django.urls import reverse

from shop.models import Event, Instrument, Role
from tests.factories import make_instrument, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK)
    client.force_login(person)
    return person


def fields(**changed) -> dict:
    return {"maker": "Thornquist", "kind": "upright", "year": "1928", "serial": "48 213", **changed}


@pytest.mark.once
def test_the_page_asks_who_is_there():
    climb("instrument_edit", make_instrument().pk, methods={"GET", "POST"})
    gone("instrument_edit", 999_999)


def test_a_change_is_kept_and_told(client, desk):
    row = make_instrument()
    client.post(reverse("instrument_edit", args=[row.pk]), fields(serial="77 001", keytops="ivory"))
    row.refresh_from_db()
    assert (row.serial, row.keytops) == ("77 001", "ivory")
    assert Instrument.objects.like("77001").get() == row
    event = Event.objects.get(what="instrument_changed")
    assert event.details == {"instrument": row.pk, "fields": ["serial", "keytops"]}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("maker", ""),
        ("maker", "x" * 10_000),
        ("year", "1699"),
        ("year", "2101"),
        ("year", "9" * 5000),
        ("year", "-1928"),
        ("serial", "\x00"),
        ("keytops", "gold"),
        ("kind", "harp"),
    ],
)
def test_what_cannot_be_right_stays_on_the_page(client, desk, name, value):
    row = make_instrument()
    page = client.post(reverse("instrument_edit", args=[row.pk]), fields(**{"note": "left leg short", name: value}))
    assert set(page.context["form"].errors) == {name}
    assert "left leg short" in page.content.decode()
    row.refresh_from_db()
    assert (row.maker, row.year, row.note) == ("Thornquist", 1928, "")

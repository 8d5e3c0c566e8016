"""What is known about a client changes."""

from importlib import import_module

import pytest
from django.apps import apps
from django.urls import reverse

from shop.htmx import page_of_ours
from shop.models import Client, Event, Role
from tests.factories import make_client, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK)
    client.force_login(person)
    return person


def fields(**changed) -> dict:
    return {"name": "Ilse Varga", "kind": "owner", "email": "ilse@example.org", **changed}


@pytest.mark.once
def test_the_page_asks_who_is_there():
    climb("client_edit", make_client().pk, methods={"GET", "POST"})
    gone("client_edit", 999_999)
    gone("client_edit", 10**18)


def test_a_change_is_kept_and_told_without_what_it_says(client, desk):
    row = make_client()
    client.post(reverse("client_edit", args=[row.pk]), fields(phone="0123 555 017", note="rings at eight"))
    row.refresh_from_db()
    assert (row.phone, row.note) == ("0123 555 017", "rings at eight")
    event = Event.objects.get(what="client_changed")
    assert (event.by, event.details) == (desk, {"client": row.pk, "fields": ["phone", "note"]})
    assert Client.objects.named_like("0123555").get() == row


def test_a_client_is_found_by_the_town_those_from_before_too():
    row = make_client(address="7 Weir Lane\nKestrél Ford")
    assert Client.objects.named_like("kestrel ford").get() == row
    kept = row.find
    Client.objects.update(find=kept.removesuffix("|7weirlanekestrelford"))
    assert not Client.objects.named_like("kestrel ford").exists()
    import_module("shop.migrations.0021_clients_by_address").find_by_address(apps, None)
    row.refresh_from_db()
    assert row.find == kept


def test_no_change_leaves_no_event(client, desk):
    client.post(reverse("client_edit", args=[make_client().pk]), fields())
    assert not Event.objects.exists()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("name", ""),
        ("name", "x\x00"),
        ("name", "x" * 10_000),
        ("email", "nobody"),
        ("kind", "enemy"),
        ("address", "x" * 501),
        ("note", "x" * 2001),
        ("phone", "1" * 41),
    ],
)
def test_what_cannot_be_right_stays_on_the_page(client, desk, name, value):
    row = make_client()
    page = client.post(reverse("client_edit", args=[row.pk]), fields(**{"contact": "P. Dunmore", name: value}))
    assert set(page.context["form"].errors) == {name}
    assert "P. Dunmore" in page.content.decode()
    row.refresh_from_db()
    assert (row.name, row.contact) == ("Ilse Varga", "")


@pytest.mark.parametrize(
    ("wanted", "leads_to"),
    [("/jobs/K-0001/", "/jobs/K-0001/"), ("https://elsewhere.example/", None), ("//elsewhere.example", None)],
)
def test_it_leads_back_to_where_one_came_from_but_never_away(client, desk, wanted, leads_to):
    address = reverse("client_edit", args=[make_client().pk])
    answer = client.post(f"{address}?next={wanted}", fields())
    assert answer["Location"] == (leads_to or address)
    assert "elsewhere" not in client.get(f"{address}?next={wanted}").content.decode()


@pytest.mark.parametrize(
    "wanted", ["-1", "home", "//example.org/", "https://example.org/", "javascript:alert(1)", "/\\x"]
)
def test_nobody_is_sent_on_to_what_is_no_page_of_ours(wanted):
    assert page_of_ours(wanted, "/here/") == "/here/"
    assert page_of_ours("/jobs/K-0001/?a=1#b", "/here/") == "/jobs/K-0001/?a=1#b"

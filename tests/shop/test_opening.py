"""The first day: the shop is opened once."""

import pytest
from django.urls import reverse

from keyboards.models import Finding
from shop.models import Event, Operation, Person, Role, Workshop
from shop.workflow.opening import first_day
from shop.workflow.refusal import Refused
from tests.factories import make_person

pytestmark = pytest.mark.django_db

PASSWORD = "balance rail pins"


def fields(**changed) -> dict:
    return {
        "shop-name": "Testing Key Works",
        "shop-address": "4 Tannery Row",
        "shop-currency": "eur",
        "shop-paper": "Letter",
        "shop-hourly_rate": "72,50",
        "shop-tax_name": "Tax",
        "shop-tax_rate": "20",
        "owner-first_name": "Ada",
        "owner-last_name": "Fennimore",
        "owner-username": "ada",
        "owner-password": PASSWORD,
        "owner-again": PASSWORD,
        "owner-units": "in",
        **changed,
    }


def test_whoever_comes_first_is_led_to_the_opening(client):
    assert client.get("/")["Location"] == reverse("shop_open")
    assert client.get(reverse("sign_in"))["Location"] == reverse("shop_open")
    assert client.get(reverse("counter"), follow=True).redirect_chain[-1][0] == reverse("shop_open")
    assert client.get(reverse("shop_open")).status_code == 200
    assert client.put(reverse("shop_open")).status_code == 405


def test_the_shop_opens_with_its_owner_and_its_starting_values(client):
    answer = client.post(reverse("shop_open"), fields())
    assert answer["Location"] == reverse("counter")
    owner = Person.objects.get()
    assert (owner.role, owner.username, owner.units, owner.short_name) == (Role.OWNER, "ada", "in", "A. Fennimore")
    assert owner.check_password(PASSWORD)
    assert not owner.is_superuser
    row = Workshop.objects.get()
    assert (row.name, row.currency, row.paper, str(row.hourly_rate)) == ("Testing Key Works", "EUR", "Letter", "72.500")
    assert Operation.objects.exists()
    assert Finding.objects.exists()
    assert Event.objects.get(what="shop_opened").by == owner
    assert client.get(reverse("counter")).status_code == 200


def test_it_opens_once(client):
    client.post(reverse("shop_open"), fields())
    for answer in (
        client.get(reverse("shop_open")),
        client.post(reverse("shop_open"), fields(**{"owner-username": "b"})),
    ):
        assert answer.status_code == 404
    assert Person.objects.count() == 1
    with pytest.raises(Refused):
        first_day(workshop={"name": "Other"}, owner=Person(username="other"), password=PASSWORD)
    assert Workshop.ours().name == "Testing Key Works"


def test_with_people_the_front_door_asks_who_is_there(client):
    make_person()
    assert client.get("/")["Location"].startswith(reverse("sign_in"))
    assert client.get(reverse("shop_open")).status_code == 404


def test_a_workshops_row_alone_is_no_open_shop(client):
    Workshop.ours()
    assert client.post(reverse("shop_open"), fields()).status_code == 302
    assert Workshop.objects.get().name == "Testing Key Works"


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"shop-name": ""}, {"name"}),
        ({"shop-currency": "money"}, {"currency"}),
        ({"shop-hourly_rate": "Infinity"}, {"hourly_rate"}),
        ({"shop-tax_rate": "200"}, {"tax_rate"}),
        ({"owner-username": "a b"}, {"username"}),
        ({"owner-password": "short", "owner-again": "short"}, {"password"}),
        ({"owner-password": "AdaFennimore", "owner-again": "AdaFennimore"}, {"password"}),
        ({"owner-again": "something else"}, {"again"}),
        ({"owner-first_name": "\x00"}, {"first_name"}),
    ],
)
def test_what_cannot_be_right_opens_nothing(client, changed, wrong):
    page = client.post(reverse("shop_open"), fields(**changed))
    forms = page.context["shop_form"], page.context["owner_form"]
    assert {name for form in forms for name in form.errors} == wrong
    assert "4 Tannery Row" in page.content.decode()
    assert PASSWORD not in page.content.decode()
    assert (Person.objects.count(), Operation.objects.count()) == (0, 0)

"""The first day: the shop is opened once, and its owner is led through the rest of it."""

import pytest
from django.test import Client
from django.urls import reverse

from keyboards.models import Finding
from shop.models import Event, Operation, Person, Role, Workshop
from shop.workflow.opening import STEPS, first_day
from shop.workflow.refusal import Refused
from tests.factories import make_person
from tests.ladder import climb
from tests.shop.test_workshop import HOURS

pytestmark = [pytest.mark.django_db, pytest.mark.once]

PASSWORD = "balance rail pins"
SHOP = {"name": "Testing Key Works", "address": "4 Tannery Row", "currency": "eur", "paper": "Letter"}
OWNER = {
    "first_name": "Ada",
    "last_name": "Fennimore",
    "username": "ada",
    "password": PASSWORD,
    "again": PASSWORD,
    "units": "in",
}
MONEY = {
    "hourly_rate": "72,50",
    "tax_name": "Tax",
    "tax_rate": "20",
    "deposit_rate": "25",
    "estimate_days": "30",
    "reminder_days": "7",
    "bill_days": "14",
    "trade_discount": "0",
    "guarantee_months": "24",
}
TOBIN = {
    "first_name": "Tobin",
    "last_name": "Hale",
    "username": "tobin",
    "role": "technician",
    "units": "mm",
    "password": "felt and leather",
}


def step(name: str) -> str:
    return reverse("opening_step", args=[name])


@pytest.fixture
def opened(client):
    """The shop is open, its owner about to say when there is work."""
    assert client.post(reverse("shop_open"), SHOP)["Location"] == reverse("shop_owner")
    assert client.post(reverse("shop_owner"), OWNER)["Location"] == step("hours")
    return client


def test_whoever_comes_first_is_led_to_the_opening(client):
    assert client.get("/")["Location"] == reverse("shop_open")
    assert client.get(reverse("sign_in"))["Location"] == reverse("shop_open")
    assert client.get(reverse("counter"), follow=True).redirect_chain[-1][0] == reverse("shop_open")
    assert client.get(reverse("shop_open")).status_code == 200
    assert client.get(reverse("shop_owner"))["Location"] == reverse("shop_open")  # the shop comes first
    for name in ("shop_open", "shop_owner"):
        assert client.put(reverse(name)).status_code == 405


def test_the_shop_opens_with_its_owner_and_its_starting_values(opened):
    owner = Person.objects.get()
    assert (owner.role, owner.username, owner.units, owner.short_name) == (Role.OWNER, "ada", "in", "A. Fennimore")
    assert owner.check_password(PASSWORD)
    assert not owner.is_superuser
    row = Workshop.objects.get()
    assert (row.name, row.address, row.currency, row.paper) == ("Testing Key Works", "4 Tannery Row", "EUR", "Letter")
    assert Operation.objects.exists()
    assert Finding.objects.exists()
    assert Event.objects.get(what="shop_opened").by == owner
    assert opened.get(reverse("counter")).status_code == 200


def test_the_owner_is_led_through_hours_money_prices_and_people(opened):
    hours = {**HOURS, "benches": "2", "holiday_list": "2026-12-24"}
    assert opened.post(step("hours"), hours)["Location"] == step("money")
    assert opened.post(step("money"), MONEY)["Location"] == step("prices")
    assert "Glue or mend a keytop" in opened.get(step("prices")).content.decode()
    assert opened.post(step("prices"))["Location"] == step("people")
    assert opened.post(step("people"), {**TOBIN, "add": ""})["Location"] == step("people")
    row = Workshop.objects.get()
    assert (row.benches, row.hours[4], row.holidays) == (2, 4.5, ["2026-12-24"])
    assert (str(row.hourly_rate), row.deposit_rate, row.guarantee_months) == ("72.500", 25, 24)
    assert Person.objects.get(username="tobin").check_password("felt and leather")
    assert row.opening == "people"
    assert opened.post(step("people"), {"over": "", "role": "technician", "units": "mm"})["Location"] == reverse(
        "counter"
    )
    assert (Workshop.objects.get().opening, Person.objects.count()) == ("", 2)
    for name in STEPS:
        assert opened.get(step(name)).status_code == 404


def test_it_goes_on_where_it_was_left_from_any_device_and_back_without_losing_the_way(opened):
    opened.post(step("hours"), {**HOURS, "benches": "1"})
    elsewhere = Client()
    elsewhere.force_login(Person.objects.get())
    assert step("money") in elsewhere.get(reverse("office")).content.decode()
    page = elsewhere.get(step("money")).content.decode()
    assert f'href="{step("hours")}"' in page  # back
    assert elsewhere.post(step("hours"), {**HOURS, "benches": "3"})["Location"] == step("money")
    elsewhere.post(step("money"), MONEY)
    elsewhere.post(step("hours"), {**HOURS, "benches": "4"})
    assert (Workshop.objects.get().benches, Workshop.objects.get().opening) == (4, "prices")


def test_somebody_typed_in_is_not_lost_by_saying_that_is_all(opened):
    half = {**TOBIN, "password": "short", "over": ""}
    page = opened.post(step("people"), half)
    assert page.status_code == 200
    assert 'value="Tobin"' in page.content.decode()
    assert Workshop.objects.get().opening
    assert opened.post(step("people"), {**TOBIN, "over": ""})["Location"] == reverse("counter")
    assert Person.objects.filter(username="tobin").exists()


@pytest.mark.parametrize(
    ("name", "good", "changed", "wrong"),
    [
        ("hours", {**HOURS, "benches": "2"}, {"hours_0": "25"}, {"hours_0"}),
        ("hours", {**HOURS, "benches": "2"}, {"holiday_list": "Christmas"}, {"holiday_list"}),
        ("money", MONEY, {"hourly_rate": "Infinity"}, {"hourly_rate"}),
        ("money", MONEY, {"tax_rate": "200", "payment": "to\x00us"}, {"tax_rate", "payment"}),
        ("people", TOBIN, {"username": "ADA"}, {"username"}),
    ],
)
def test_a_step_that_cannot_be_right_keeps_nothing_and_loses_nothing(opened, name, good, changed, wrong):
    before = Workshop.objects.values().get(), Person.objects.count()
    page = opened.post(step(name), {**good, **changed})
    assert set(page.context["form"].errors) == wrong
    assert (Workshop.objects.values().get(), Person.objects.count()) == before
    kept = {field: str(page.context["form"][field].value()) for field in good if field not in changed}
    assert kept == {field: value for field, value in good.items() if field not in changed}


def test_it_opens_once(opened):
    for name, data in (("shop_open", SHOP), ("shop_owner", {**OWNER, "username": "b"})):
        for answer in (opened.get(reverse(name)), opened.post(reverse(name), data)):
            assert answer["Location"] == reverse("home")
    assert Person.objects.count() == 1
    with pytest.raises(Refused):
        first_day(workshop={"name": "Other"}, owner=Person(username="other"), password=PASSWORD)
    assert Workshop.ours().name == "Testing Key Works"


@pytest.mark.once
def test_with_people_the_front_door_asks_who_is_there_and_no_step_is_left(client):
    make_person()
    assert client.get("/")["Location"].startswith(reverse("sign_in"))
    assert client.get(reverse("shop_open"))["Location"] == reverse("home")
    client.force_login(make_person(role=Role.OWNER))
    assert "first day" not in client.get(reverse("office")).content.decode()


def test_the_steps_are_the_owners():
    Workshop.objects.create(name="Testing Key Works", opening="hours")
    climb("opening_step", "hours", roles={Role.OWNER}, methods={"GET", "POST"})


def test_a_workshops_row_alone_is_no_open_shop(client):
    Workshop.ours()
    client.post(reverse("shop_open"), SHOP)
    assert client.post(reverse("shop_owner"), OWNER).status_code == 302
    assert Workshop.objects.get().name == "Testing Key Works"


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [({"name": ""}, {"name"}), ({"currency": "money"}, {"currency"}), ({"phone": "\x00"}, {"phone"})],
)
def test_a_shop_that_cannot_be_right_is_asked_again(client, changed, wrong):
    page = client.post(reverse("shop_open"), {**SHOP, **changed})
    assert set(page.context["form"].errors) == wrong
    assert "4 Tannery Row" in page.content.decode()
    assert client.get(reverse("shop_owner")).status_code == 302


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"username": "a b"}, {"username"}),
        ({"password": "short", "again": "short"}, {"password"}),
        ({"password": "AdaFennimore", "again": "AdaFennimore"}, {"password"}),
        ({"again": "something else"}, {"again"}),
        ({"first_name": "\x00"}, {"first_name"}),
    ],
)
def test_an_owner_that_cannot_be_right_opens_nothing_and_the_shop_is_not_typed_again(client, changed, wrong):
    client.post(reverse("shop_open"), SHOP)
    page = client.post(reverse("shop_owner"), {**OWNER, **changed})
    assert set(page.context["form"].errors) == wrong
    assert PASSWORD not in page.content.decode()
    assert (Person.objects.count(), Operation.objects.count()) == (0, 0)
    assert "4 Tannery Row" in client.get(reverse("shop_open")).content.decode()

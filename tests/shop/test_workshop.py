"""The workshop's settings."""

from decimal import Decimal

import pytest
from django.urls import reverse

from shop.models import Event, Role, Workshop
from tests.factories import make_person, make_workshop
from tests.ladder import climb

pytestmark = pytest.mark.django_db

HOURS = {f"hours_{day}": hours for day, hours in enumerate(("6", "6", "6", "6", "4,5", "0", "0"))}


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def fields(**changed) -> dict:
    return {
        "name": "Testing Key Works",
        "currency": "EUR",
        "paper": "A4",
        "hourly_rate": "60",
        "tax_name": "Tax",
        "tax_rate": "20",
        "deposit_rate": "30",
        "estimate_days": "30",
        "bill_days": "14",
        "guarantee_months": "60",
        "benches": "1",
        **HOURS,
        **changed,
    }


def test_only_the_owner_sets_the_workshop():
    climb("workshop_edit", roles={Role.OWNER}, methods={"GET", "POST"})


def test_the_settings_are_kept(client, owner):
    make_workshop()
    answer = client.post(
        reverse("workshop_edit"),
        fields(
            address="4 Tannery Row",
            currency="usd",
            paper="Letter",
            hourly_rate="1 072,50",
            holiday_list="2026-12-25\n2026-12-24\n2026-12-24",
            receipt_terms="Bring this receipt.",
        ),
    )
    assert answer.status_code == 302
    row = Workshop.ours()
    assert (row.address, row.currency, row.paper) == ("4 Tannery Row", "USD", "Letter")
    assert row.hourly_rate == Decimal("1072.50")
    assert row.hours == [6, 6, 6, 6, 4.5, 0, 0]
    assert row.holidays == ["2026-12-24", "2026-12-25"]
    assert "address" in Event.objects.get(what="workshop_changed", by=owner).details["fields"]


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"name": ""}, {"name"}),
        ({"name": "x" * 10_000}, {"name"}),
        ({"currency": "EU"}, {"currency"}),
        ({"currency": "€€€"}, {"currency"}),
        ({"currency": "12A"}, {"currency"}),
        ({"paper": "A3"}, {"paper"}),
        ({"hourly_rate": "-1"}, {"hourly_rate"}),
        ({"hourly_rate": "NaN"}, {"hourly_rate"}),
        ({"hourly_rate": "1" * 30}, {"hourly_rate"}),
        ({"tax_rate": "101"}, {"tax_rate"}),
        ({"deposit_rate": "-1"}, {"deposit_rate"}),
        ({"estimate_days": str(10**30)}, {"estimate_days"}),
        ({"benches": "0"}, {"benches"}),
        ({"benches": "101"}, {"benches"}),
        ({"hours_0": "25"}, {"hours_0"}),
        ({"hours_3": "-1"}, {"hours_3"}),
        ({f"hours_{day}": "0" for day in range(7)}, {"hours_0"}),
        ({"holiday_list": "Christmas"}, {"holiday_list"}),
        ({"holiday_list": "2026-02-30"}, {"holiday_list"}),
        ({"holiday_list": "٢٠٢٦-١٢-٢٤"}, {"holiday_list"}),
        ({"terms": "x\x00"}, {"terms"}),
        ({"terms": "x" * 4001}, {"terms"}),
        ({"email": "nobody"}, {"email"}),
    ],
)
def test_what_cannot_be_right_is_said_beside_the_field(client, owner, changed, wrong):
    make_workshop()
    page = client.post(reverse("workshop_edit"), fields(care="Keep it dry.", **changed))
    assert set(page.context["form"].errors) == wrong
    assert "Keep it dry." in page.content.decode()
    row = Workshop.ours()
    assert (row.care, row.hours, row.holidays) == ("", [6, 6, 6, 6, 4, 0, 0], [])
    assert not Event.objects.filter(what="workshop_changed").exists()

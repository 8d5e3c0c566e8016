"""Prices over time, taxes, the reminder and the workshop's settings on the four screens."""

import datetime
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from shop.models import Operation, Role, TaxClass
from shop.workflow.opening import open_shop
from shop.workflow.prices import price_change
from tests.factories import make_person, make_sent

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("quick_paper")]


def test_prices_taxes_and_reminders_read_well_everywhere(page, screen, sign_in, axe, fits):
    open_shop(name="Testing Key Works")
    owner = make_person(role=Role.OWNER)
    sign_in(owner)
    tax = TaxClass.objects.create(name="Tax, reduced", rate=Decimal(5))
    later = timezone.localdate() + datetime.timedelta(days=9)
    price_change("cloth", {"minutes": Decimal(5), "tax": tax}, by=owner)
    price_change("cloth", {"minutes": Decimal(6)}, by=owner, starts_on=later)
    sent = make_sent(by=owner, at=timezone.now() - datetime.timedelta(days=9))
    cloth = Operation.objects.get(code="cloth").pk
    for address in (
        reverse("price_list"),
        reverse("price_edit", args=[cloth]),
        reverse("price_import"),
        reverse("tax_list"),
        reverse("estimate_remind", args=[sent.number]),
        reverse("workshop_edit"),
        reverse("office"),
        sent.get_absolute_url(),
    ):
        page.goto(address)
        axe(page)
        fits(page)
    page.goto(reverse("price_edit", args=[cloth]))
    expect(page.get_by_text("holds today")).to_be_visible()
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_text("That price does not come.")).to_be_visible()

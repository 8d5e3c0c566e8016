"""Stripping shows more than the allowance covers: the bench stands still, the client is asked again, and says yes."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from shop.models import Estimate, EstimateState, Role
from tests.factories import make_person, token_of
from tests.keyboards.test_found import KNOWN, after_strip, strip, to_strip

pytestmark = pytest.mark.django_db(transaction=True)

TORN = (*KNOWN, 3, 12, 50, 51, 52, 60, 61)


@pytest.fixture
def owner(sign_in):
    from shop.workflow.opening import open_shop

    open_shop(name="Testing Key Works", deposit_rate=0)
    person = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    sign_in(person)
    return person


def test_what_stripping_found_reads_well_everywhere(page, screen, owner, axe, fits):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3, 12))
    for name in ("job_detail", "stripping_found"):
        page.goto(reverse(name, args=[job.number]))
        expect(page.get_by_text("Stripping found: 2 more keys need wood repairs.")).to_be_visible()
        axe(page)
        fits(page)


def test_beyond_the_allowance_the_bench_waits_for_a_yes_to_version_2(page, context, owner, new_context, axe, fits):
    job = to_strip(owner)
    strip(job, owner, torn=TORN)
    stage = after_strip(job)
    bench = reverse("stage_detail", args=[job.number, stage.pk])

    page.goto(reverse("job_detail", args=[job.number]))
    page.locator("#found").get_by_role("link", name="What stripping found").click()
    expect(page.get_by_text("Stripping found: 7 more keys need wood repairs.")).to_be_visible()
    expect(page.get_by_role("button", name="Go on within the allowance")).to_have_count(0)
    page.get_by_role("button", name="Draft the revised estimate").click()
    expect(page.locator("#changes")).to_contain_text("What changed since version 1")
    expect(page.locator("#changes")).to_contain_text("+56.00")
    axe(page)
    page.get_by_role("button", name="Keep, then send…").click()
    page.get_by_label("E-mail address").fill("ilse@example.org")
    page.get_by_role("button", name="Send it").click()
    expect(page.get_by_text("Sent.", exact=True)).to_be_visible()
    page.goto(bench)
    expect(page.get_by_text("Waiting for the answer to E-0001 version 2.").first).to_be_visible()
    expect(page.get_by_role("button", name="Take it in hand")).to_have_count(0)

    phone = new_context(viewport={"width": 390, "height": 844}).new_page()
    new = Estimate.objects.get(state=EstimateState.SENT)
    phone.goto(f"/estimate/{token_of(new)}/")
    expect(phone.locator("#changes")).to_contain_text("+67.20")  # 56.00 and 20 % of it
    axe(phone)
    fits(phone)
    phone.get_by_role("link", name="Say yes").click()
    phone.get_by_label("Your name").fill("Ilse Varga")
    phone.get_by_label("I have read the estimate").check()
    phone.get_by_role("button", name="Yes, do this work").click()
    expect(phone.get_by_role("heading", name="Agreed")).to_be_visible()

    page.goto(reverse("job_detail", args=[job.number]))
    expect(page.locator("#found")).to_have_count(0)
    job.refresh_from_db()
    assert job.held_since is None
    page.goto(bench)
    page.get_by_role("button", name="Take it in hand").click()
    expect(page.get_by_role("button", name="Put it down for now")).to_be_visible()
    stage.refresh_from_db()
    assert stage.state == "begun"

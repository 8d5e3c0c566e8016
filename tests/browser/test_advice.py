"""The advice page in a browser: an assumption changed on the spot, sections moved, a decision taken; on a phone too."""

import re

import pytest
from playwright.sync_api import expect

from keyboards.models import Assumptions, Decision
from shop.models import Role
from shop.workflow.opening import open_shop
from tests.factories import make_check, make_job, make_person, make_readings

pytestmark = pytest.mark.django_db(transaction=True)

WIDE, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}


@pytest.fixture
def owner(sign_in):
    open_shop(name="Testing Key Works", currency="EUR")
    person = make_person(role=Role.OWNER)
    sign_in(person)
    return person


def open_all(page):
    """Every fold of the page, opened as a person does."""
    folded = page.locator("details:not([open]) > summary")
    while folded.count():
        folded.first.click()


@pytest.fixture
def job():
    """88 keys: a torn bass, three torn mortises in the middle, a treble whose angles fan out."""
    row = make_job()
    check = make_check(job=row, closed=True)
    torn = {*range(2, 20), 33, 41, 52}
    keys = list(range(1, 89))
    make_readings(
        check=check,
        keys=keys,
        balance_mortise_width=[5570 + 10 * (key % 4) + (350 if key in torn else 0) for key in keys],
        balance_pin=3700,
        skew=[(key - 61) * 74 if key > 60 else 0 for key in keys],
        findings=[{"mortise_torn": 2} if key in torn else {"cloth_worn": 2} for key in keys],
        grade=[2 if key in torn else 1 for key in keys],
    )
    return row


def test_the_page_is_accessible_and_fits_every_screen(owner, job, page, screen, axe, fits):
    page.goto(f"/jobs/{job.tag}/advice/")
    expect(page.get_by_role("heading", level=1)).to_have_text("Cloth or buttons?")
    open_all(page)
    axe(page)
    fits(page)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["desktop", "phone"])
def test_an_assumption_is_reckoned_with_at_once_and_a_bad_one_loses_nothing(owner, job, page, axe, size):
    page.set_viewport_size(size)
    page.goto(f"/jobs/{job.tag}/advice/")
    reasons = page.locator("ol.reasons").first
    expect(reasons).to_contain_text("limit 5.89 mm")
    page.evaluate("() => { window.same_page = true }")
    page.locator("summary", has_text="Fit of cloth and pin").click()
    # The limit is pin + clearance + upper + two pressed layers: 0.02 more clearance, 0.02 more width
    clearance = page.locator("#a-clearance")
    clearance.fill("0.07")
    clearance.press("Tab")
    expect(reasons).to_contain_text("limit 5.91 mm")
    assert page.evaluate("() => window.same_page") is True
    expect(page.locator("#a-clearance")).to_have_value("0.07")
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.07}

    compression = page.locator("#a-compression")
    compression.fill("much")
    compression.press("Tab")
    expect(page.locator("#a-compression-error")).to_be_visible()
    expect(page.locator("#a-compression")).to_have_value("much")
    expect(page.locator("#a-clearance")).to_have_value("0.07")
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.07}
    axe(page)

    page.locator("#a-compression").fill("")
    page.locator("#a-compression").press("Tab")
    expect(page.locator("#a-compression-error")).to_have_count(0)
    page.locator("#a-clearance").fill("")
    page.locator("#a-clearance").press("Tab")
    expect(reasons).to_contain_text("limit 5.89 mm")
    assert Assumptions.objects.get(job=job).values == {}


def test_a_section_is_moved_and_given_back(owner, job, page):
    page.goto(f"/jobs/{job.tag}/advice/")
    table = page.locator("table.plain").first
    expect(table).to_contain_text("1–26")
    page.locator("#sl-1").fill("20")
    page.get_by_role("button", name="Move the sections").click()
    expect(table).to_contain_text("1–20")
    expect(table).to_contain_text("21–60")
    page.locator("#sl-3").fill("80")
    page.get_by_role("button", name="Move the sections").click()
    expect(page.locator("#sl-3-error")).to_contain_text("88")
    expect(page.locator("#sl-3")).to_have_value("80")
    page.goto(f"/jobs/{job.tag}/advice/")
    page.get_by_role("button", name="Back to what the readings show").click()
    expect(table).to_contain_text("1–26")


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["desktop", "phone"])
def test_a_decision_is_taken_with_a_sentence_where_it_differs_and_then_priced(owner, job, page, axe, fits, size):
    page.set_viewport_size(size)
    page.goto(f"/jobs/{job.tag}/advice/")
    page.get_by_label("Treble").select_option("renew_section")
    page.get_by_role("button", name="Keep the decision").click()
    expect(page.locator("main")).to_contain_text("say why in a sentence")
    expect(page.get_by_label("Treble")).to_have_value("renew_section")
    assert not Decision.objects.exists()
    axe(page)
    page.get_by_label(re.compile("If it differs")).fill("The client wants even wood.")
    page.get_by_role("button", name="Keep the decision").click()
    expect(page.get_by_role("button", name=re.compile("Price this choice"))).to_be_visible()
    decision = Decision.objects.get()
    assert decision.overruled
    assert decision.sections[2]["chosen"] == "renew_section"
    axe(page)
    fits(page)


def test_it_works_without_a_script(owner, job, new_context, sign_in):
    context = new_context(java_script_enabled=False)
    sign_in(owner, where=context)
    page = context.new_page()
    page.goto(f"/jobs/{job.tag}/advice/")
    page.locator("summary", has_text="Fit of cloth and pin").click()
    page.locator("#a-clearance").fill("0.07")
    page.get_by_role("button", name="Reckon again").click()
    expect(page.locator("ol.reasons").first).to_contain_text("limit 5.91 mm")
    page.get_by_role("button", name="Keep the decision").click()
    expect(page.get_by_role("button", name=re.compile("Price this choice"))).to_be_visible()


def test_before_anything_is_read_the_page_says_what_to_do_first(owner, page, axe):
    empty = make_job()
    page.goto(f"/jobs/{empty.tag}/advice/")
    expect(page.locator("main")).to_contain_text("No key has been read yet")
    axe(page)


def test_the_shops_own_assumptions_are_kept(owner, page, axe, fits):
    page.goto("/office/assumptions/")
    open_all(page)
    page.locator("#a-stock").fill("0.9, 1.0")
    axe(page)
    fits(page)
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.locator("main")).to_contain_text("leave gaps")
    assert Assumptions.objects.get(job=None).values == {"stock": [0.9, 1.0]}


def test_who_types_on_while_the_answer_is_under_way_loses_nothing(owner, job, page):
    page.goto(f"/jobs/{job.tag}/advice/")
    page.locator("summary", has_text="Fit of cloth and pin").click()
    page.route("**/advice/", lambda route: (page.wait_for_timeout(400), route.continue_()))
    page.locator("#a-clearance").fill("0.07")
    page.locator("#a-clearance").press("Tab")
    page.keyboard.type("-0.04")
    expect(page.locator("ol.reasons").first).to_contain_text("limit 5.91 mm")
    expect(page.locator("#a-lower")).to_have_value("-0.04")
    page.keyboard.press("Tab")
    page.wait_for_timeout(1200)
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.07, "lower": -0.04}

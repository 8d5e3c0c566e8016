"""The bench tools and the spec of the buttons in a browser: accessible, within the screen, quick to ask again."""

import re

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from keyboards.models import BoughtPart
from keyboards.reckoning import TOOLS
from shop.models import Units
from tests.factories import make_check, make_job, make_person, make_readings

pytestmark = pytest.mark.django_db(transaction=True)

PAGES = ["tools", "spec", "spec nothing read", "part", *TOOLS]
TWO_SCREENS = {"phone": (390, 844), "desktop": (1440, 900)}


def a_set():
    person = make_person(units=Units.MM)
    job = make_job()
    angles = [3_000 if key <= 44 else -3_000 for key in range(1, 89)]
    sizes = {"button_length": 40_000, "button_width": 13_000, "button_height": 8_000, "balance_mortise_width": 5_500}
    make_readings(check=make_check(job=job), **sizes, skew=angles, mortise_offset=100, slot_length=14_000)
    figures = {"length": 24_000, "width": 13_000, "height": 8_000, "mortise_width": 5_500, "mortise_length": 14_000}
    BoughtPart.objects.create(
        job=job, title="Bag of 40", wood="sugar_maple", offset=250, at=timezone.now(), by=person, **figures
    )
    return job, person


def address(name: str, job) -> str:
    match name:
        case "tools":
            return f"{reverse('tools')}?job={job.tag}"
        case "spec":
            return reverse("spec", args=[job.number])
        case "spec nothing read":
            return reverse("spec", args=[make_job().number])
        case "part":
            return reverse("part_new", args=[job.number])
    return f"{reverse('tool_detail', args=[name])}?job={job.tag}"


@pytest.mark.parametrize("size", TWO_SCREENS.values(), ids=TWO_SCREENS)
@pytest.mark.parametrize("name", PAGES)
def test_every_page_is_accessible_and_keeps_within_the_screen(page, sign_in, axe, fits, name, size):
    job, person = a_set()
    sign_in(person)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.goto(address(name, job))
    axe(page)
    fits(page)


@pytest.mark.parametrize("name", ["spec", "flex", "cloth"])
def test_a_page_with_errors_is_accessible_too(page, sign_in, axe, fits, name):
    job, person = a_set()
    sign_in(person)
    page.set_viewport_size({"width": 390, "height": 844})
    field = "kerf" if name == "spec" else "slot_width" if name == "flex" else "mortise"
    start = address(name, job)
    page.goto(f"{start}{'&' if '?' in start else '?'}{field}=nothing")
    expect(page.get_by_role("alert")).to_be_visible()
    axe(page)
    fits(page)


def test_a_new_question_changes_the_answer_and_the_address_on_the_spot(page, sign_in):
    _, person = a_set()
    sign_in(person)
    page.goto(reverse("tool_detail", args=["weight"]))
    page.get_by_label("Down weight").fill("60,5")
    page.get_by_label("Up weight").fill("20,5")
    page.get_by_role("button", name="Reckon").click()
    expect(page.locator(".stat dd").first).to_have_text("40.5 g")
    expect(page).to_have_url(re.compile("down=60%2C5"))
    expect(page.get_by_label("Down weight")).to_have_value("60,5")
    page.get_by_label("Up weight").fill("70")
    page.get_by_role("button", name="Reckon").click()
    expect(page.get_by_text("A key cannot lift more than makes it sink")).to_be_visible()
    expect(page.get_by_label("Down weight")).to_have_value("60,5")


def test_the_way_back_leads_to_what_was_asked_before(page, sign_in):
    """After a look at another page the browser brings back the address alone; nobody has touched the form there."""
    sign_in(make_person(units=Units.MM))
    page.goto(reverse("tool_detail", args=["cloth"]))
    first = page.locator("#tool .stat dd").first.inner_text()
    page.locator("#tool input.figure").first.fill("6.66")
    page.get_by_role("button", name="Reckon").click()
    expect(page.locator("#tool .stat dd").first).not_to_have_text(first)
    page.get_by_role("link", name="All tools").click()
    page.go_back()
    expect(page.locator("#tool input.figure").first).to_have_value("6.66")
    page.go_back()
    expect(page.locator("#tool input.figure").first).not_to_have_value("6.66")
    expect(page.locator("#tool .stat dd").first).to_have_text(first)


def test_the_tools_work_without_a_script(new_context, sign_in):
    _, person = a_set()
    context = new_context(java_script_enabled=False)
    sign_in(person, where=context)
    page = context.new_page()
    page.goto(reverse("tool_detail", args=["pin"]))
    page.get_by_label("Pin, as measured").fill("3.60")
    page.get_by_role("button", name="Reckon").click()
    expect(page.locator(".stat dd").first).to_have_text("3.65 mm")


def test_the_other_group_is_shown_on_the_spot(page, sign_in):
    job, person = a_set()
    sign_in(person)
    page.goto(reverse("spec", args=[job.number]))
    expect(page.get_by_role("heading", name="Group 1 on its key")).to_be_visible()
    page.get_by_label("Group in the pictures").select_option("2")
    page.get_by_role("button", name="Reckon").click()
    expect(page.get_by_role("heading", name="Group 2 on its key")).to_be_visible()
    expect(page.get_by_text("Not acceptable")).to_be_visible()

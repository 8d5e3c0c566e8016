"""Changing over on a shared tablet, with the pad."""

import pytest

from shop.models import Role
from shop.workflow.pins import pin_set
from tests.factories import make_person

pytestmark = pytest.mark.django_db(transaction=True)


def test_six_taps_change_the_person_and_take_the_kept_pages_away(page, live_server, axe, fits):
    people = [
        make_person(username=name, first_name=name.title(), last_name="Amsel", role=role)
        for name, role in (("ada", Role.OWNER), ("rosa", Role.TECHNICIAN))
    ]
    for person in people:
        pin_set(person, "730184")
        page.context.clear_cookies(name="sessionid")
        page.goto("/sign-in/?next=/counter/")
        page.get_by_label("Username").fill(person.username)
        page.get_by_label("Password").fill("long enough for a test")
        page.get_by_label("This tablet is shared").check()
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url("**/counter/")
    page.evaluate("caches.open('rosas-pages')")
    page.get_by_role("link", name="Change person").click()
    axe(page)
    fits(page)
    page.wait_for_function("caches.keys().then((names) => !names.includes('rosas-pages'))")
    page.get_by_role("link", name="Ada Amsel").click()
    axe(page)
    fits(page)
    for digit in "730184":
        page.locator(".keypad").get_by_role("button", name=digit, exact=True).click()
    page.wait_for_url("**/counter/")
    assert "A. Amsel" in page.locator(".topbar .who").inner_text()

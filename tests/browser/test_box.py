"""Nothing that was entered gets lost: no network, no power, no session, another person, a closed check, a dead server.

Every entry arrives exactly once, or the person is shown it with the reason why not.
"""

import shutil
import socket
import sqlite3
import subprocess
import time
import urllib.request
import uuid

import pytest
from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from PIL import Image
from playwright.sync_api import expect

from keyboards.models import Entry, EntryKind, KeyReading, Photo
from keyboards.workflow.checks import check_close
from keyboards.workflow.entries import entries_apply
from keyboards.workflow.opening import open_trade
from shop.models import Session
from tests.browser.test_run import IN_THE_BOX, all_sent, corner, run
from tests.factories import make_check, make_job, make_person
from tests.places import SQLITE_FILE, sqlite_place

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def technician(sign_in):
    open_trade()
    person = make_person(first_name="Rosa", last_name="Amsel")
    sign_in(person)
    return person


@pytest.fixture
def check(technician):
    return make_check(job=make_job(), quantities=["balance_mortise_width"])


@pytest.fixture
def cut(context, watch):
    """cut(): the network is gone; cut(False): it is there again."""
    watch.expect("ERR_INTERNET_DISCONNECTED|ERR_FAILED|Failed to load resource|Failed to fetch")

    def switch(off=True):
        context.set_offline(off)

    return switch


def enter(page, count, start=0):
    """So many readings, each of another key, as fast as they can be typed."""
    for place in range(start, start + count):
        page.keyboard.type(f"5.{60 + place % 3}")
        page.keyboard.press("Enter")


def readings(check):
    return list(
        Entry.objects.filter(check_done=check, kind=EntryKind.READING).order_by("taken_at").values_list("key", "value")
    )


def expected(count):
    return [(place + 1, 5600 + place % 3 * 10) for place in range(count)]


# --- no network ---


def test_a_reload_without_network_shows_all_that_was_entered_and_sends_it_later(page, cut, check):
    run(page, check)
    page.wait_for_function("async () => (await caches.keys()).some((name) => name.endsWith('-pages'))")
    page.wait_for_timeout(500)
    cut()
    enter(page, 40)
    expect(corner(page)).to_have_text("40 readings kept · 40 waiting for the network")
    page.reload()
    page.wait_for_selector("html[data-ready]")
    expect(corner(page)).to_have_text("40 readings kept · 40 waiting for the network")
    expect(page.locator("#key-of")).to_have_text("Key 41 of 88")
    assert page.locator("#plot .point").count() == 40
    enter(page, 20, start=40)
    assert readings(check) == []
    cut(False)
    all_sent(page)
    assert readings(check) == expected(60)
    expect(corner(page)).to_have_text("60 readings kept")


def test_two_hundred_entries_and_twelve_photos_wait_for_the_network(page, cut, check, tmp_path):
    picture = tmp_path / "key.jpg"
    Image.new("RGB", (1200, 800), "#554433").save(picture)
    run(page, check)
    cut()
    enter(page, 88)
    for key in range(1, 13):
        page.evaluate("document.activeElement.blur()")
        page.locator("#keys").fill(str(key))
        page.keyboard.press("Enter")
        page.set_input_files("#photo", str(picture))
        expect(page.locator("#said")).to_contain_text("Photo of")
    page.locator("#keys").fill("1-56")
    page.keyboard.press("Enter")
    page.click("#toggles [data-code=cloth_worn]")
    page.click("#toggles [data-code=cloth_torn]")
    expect(corner(page)).to_contain_text("212 waiting for the network")
    assert page.evaluate(IN_THE_BOX) == 88 + 12 + 112
    cut(False)
    all_sent(page, seconds=60)
    assert readings(check) == expected(88)
    assert Entry.objects.filter(kind=EntryKind.FINDING).count() == 112
    assert Photo.objects.filter(check_done=check).count() == 12


def test_a_reply_that_was_lost_is_asked_for_again_and_stored_once(page, context, watch, check):
    watch.expect("ERR_FAILED|Failed to load resource|Failed to fetch")
    lost = []

    def lose(route):
        if len(lost) < 3:
            route.fetch()  # the shop's computer has it, the tablet never hears so
            lost.append(1)
            route.abort()
        else:
            route.continue_()

    context.route("**/operations/", lose)
    run(page, check)
    enter(page, 30)
    all_sent(page, seconds=40)
    assert len(lost) == 3
    assert readings(check) == expected(30)


@pytest.mark.parametrize("answer", ["<html>Sign in to the guest network</html>", "{}", '{"kept": "all"}', "null"])
def test_an_answer_that_is_not_the_shops_empties_nothing(page, context, watch, check, answer):
    context.route("**/operations/", lambda route: route.fulfill(status=200, body=answer))
    run(page, check)
    enter(page, 3)
    expect(corner(page)).to_contain_text("3 waiting for the network")
    assert page.evaluate(IN_THE_BOX) == 3
    context.unroute("**/operations/")
    all_sent(page)
    assert readings(check) == expected(3)


# --- who is signed in ---


def test_signed_out_in_between_the_box_waits_and_goes_on_as_the_same_person(
    page, context, watch, sign_in, check, technician
):
    watch.expect("401|403|Failed to load resource")
    run(page, check)
    enter(page, 5)
    all_sent(page)
    Session.objects.all().delete()
    enter(page, 5, start=5)
    expect(corner(page)).to_contain_text("signed out: 5 stay on this tablet")
    assert len(readings(check)) == 5
    sign_in(technician)
    all_sent(page)
    assert readings(check) == expected(10)
    assert set(Entry.objects.values_list("by", flat=True)) == {technician.pk}


def test_nobody_sends_the_entries_of_another(page, context, watch, sign_in, check, technician):
    watch.expect("401|403|Failed to load resource")
    run(page, check)
    Session.objects.all().delete()
    enter(page, 4)
    expect(corner(page)).to_contain_text("signed out")
    other = make_person(first_name="Ivo", last_name="Brand")
    sign_in(other)
    page.evaluate("dispatchEvent(new Event('pageshow'))")  # coming back to it asks at once
    expect(corner(page)).to_contain_text("somebody else is signed in: 4 of yours stay on this tablet")
    second = context.new_page()
    second.goto(reverse("box_contents"))
    second.wait_for_selector("html[data-ready]")
    expect(second.locator("#entries")).to_contain_text("4 entries of R. Amsel")
    assert not Entry.objects.exists()
    sign_in(technician)
    all_sent(page)
    assert readings(check) == expected(4)
    assert set(Entry.objects.values_list("by", flat=True)) == {technician.pk}


def test_a_token_gone_stale_is_fetched_once(page, watch, context, check):
    watch.expect("403|Failed to load resource")
    run(page, check)
    context.add_cookies([{"name": settings.CSRF_COOKIE_NAME, "value": "x" * 32, "url": page.url}])
    enter(page, 2)
    all_sent(page)
    assert readings(check) == expected(2)


# --- the check and the clock ---


def test_a_check_closed_meanwhile_keeps_the_entries_and_shows_them(page, watch, check, technician):
    watch.expect("409|Failed to load resource")
    run(page, check)
    enter(page, 1)
    all_sent(page)
    check_close(check, by=technician, confirm=True)
    enter(page, 2, start=1)
    expect(corner(page)).to_contain_text("the check is closed: 2 stay on this tablet")
    corner(page).click()
    page.wait_for_selector("html[data-ready]")
    expect(page.locator("#entries tbody tr")).to_have_count(2)
    expect(page.locator("#entries")).to_contain_text("This check is closed")
    expect(page.locator("#entries")).to_contain_text("5.61")
    with page.expect_download() as download:
        page.click("#file")
    lines = download.value.path().read_text(encoding="utf-8-sig").splitlines()
    assert len(lines) == 3
    check.closed_at = None
    check.closed_by = None
    check.save()
    page.click("#send")
    all_sent(page)
    assert readings(check) == expected(3)


def test_what_is_refused_is_shown_with_its_reason_and_can_be_let_go(page, check):
    run(page, check)
    page.evaluate(
        """async (check) => {
            const { openBox } = await import("/static/js/box.js");
            const data = JSON.parse(document.getElementById("run-data").textContent);
            const csrf = JSON.parse(document.body.getAttribute("hx-headers"))["X-CSRFToken"];
            const facts = { person: data.person.id, name: "", check, title: "K", csrf, ...data.addresses };
            const box = await openBox(facts);
            await box.put({ kind: "reading", key: 400, quantity: "balance_mortise_width", value: "5.60", unit: "mm" });
            await box.put({ kind: "reading", key: 4, quantity: "balance_mortise_width", value: "5.60", unit: "mm" });
        }""",
        check.pk,
    )
    expect(corner(page)).to_contain_text("1 need a look")
    all_sent(page, refused=1)
    assert [entry.key for entry in Entry.objects.all()] == [4]
    corner(page).click()
    page.wait_for_selector("html[data-ready]")
    expect(page.locator("#entries")).to_contain_text("There is no key 400: this set has keys 1 to 88.")
    page.on("dialog", lambda dialog: dialog.accept())
    page.click("#entries .btn-danger")
    expect(page.locator("#entries")).to_contain_text("Nothing: everything entered on this tablet has been kept")


def test_a_key_with_a_refused_entry_shows_what_the_shops_computer_holds_of_it(page, check):
    run(page, check)
    now = timezone.now().isoformat()
    widths = (("balance_pin", "5.70"), ("balance_mortise_width", "5.80"))
    elsewhere = [  # another tablet has read key 1 meanwhile
        {
            "op": str(uuid.uuid4()),
            "taken_at": now,
            "kind": "reading",
            "key": 1,
            "quantity": name,
            "value": value,
            "unit": "mm",
        }
        for name, value in widths
    ]
    assert not entries_apply(check, elsewhere, by=check.begun_by).refused
    enter(page, 1)  # 5.60 beside a pin of 5.70
    expect(corner(page)).to_contain_text("1 need a look")
    page.click("#back")
    expect(page.locator("#reading")).to_have_attribute("placeholder", "5.80")
    later = {"op": str(uuid.uuid4()), "taken_at": timezone.now().isoformat(), "value": "5.90"}
    entries_apply(check, [elsewhere[1] | later], by=check.begun_by)
    page.click("#toggles [data-code=cloth_torn]")
    expect(page.locator("#reading")).to_have_attribute("placeholder", "5.90")


def test_a_clock_that_is_a_year_ahead_loses_nothing_and_is_told(page, check):
    page.add_init_script("const real = Date.now; Date.now = () => real() + 365 * 86400_000;")
    run(page, check)
    enter(page, 6)
    all_sent(page)
    assert readings(check) == expected(6)
    expect(corner(page)).to_contain_text("clock is 525600 min off")
    newest = Entry.objects.order_by("-taken_at").first()
    assert abs((newest.taken_at - newest.received_at).total_seconds()) < 120


def test_order_holds_when_the_clock_jumps_back(page, check):
    run(page, check)
    enter(page, 2)
    page.evaluate("() => { const real = Date.now; Date.now = () => real() - 3 * 3600_000; }")
    enter(page, 2, start=2)
    page.click("#back")
    page.keyboard.type("5.62")  # key 4 once more: the later one stands
    page.keyboard.press("Enter")
    all_sent(page)
    assert KeyReading.objects.get(key=4).balance_mortise_width == 5620
    assert [key for key, _value in readings(check)] == [1, 2, 3, 4, 4]


def test_two_tablets_on_one_check_keep_both_readings_and_mark_the_key(page, browser, new_context, sign_in, check):
    other = new_context()
    person = make_person(first_name="Ivo", last_name="Brand")
    sign_in(person, where=other)
    second = other.new_page()
    run(page, check)
    run(second, check)
    page.keyboard.type("5.60")
    page.keyboard.press("Enter")
    all_sent(page)
    second.keyboard.type("5.90")
    second.keyboard.press("Enter")
    all_sent(second)
    assert Entry.objects.filter(key=1).count() == 2
    assert KeyReading.objects.get(key=1).again == {"balance_mortise_width": "differ"}


def test_two_pages_of_one_tablet_share_one_box_and_send_once(page, context, cut, check):
    second = context.new_page()
    run(page, check)
    run(second, check)
    cut()
    enter(page, 5)
    enter(second, 1, start=0)
    cut(False)
    all_sent(page)
    assert Entry.objects.count() == 6
    assert sorted(entry.seq for entry in Entry.objects.all()) == [1, 2, 3, 4, 5, 6]


def test_a_tablet_that_can_keep_nothing_says_so_and_takes_nothing(page, check):
    page.add_init_script("Object.defineProperty(window, 'indexedDB', { get() { throw new Error('private'); } });")
    page.goto(reverse("check_run", args=[check.pk]))
    expect(corner(page)).to_contain_text("This tablet cannot keep entries by itself")
    expect(page.locator("#reading")).to_be_disabled()


def test_pages_kept_on_the_tablet_go_when_somebody_signs_out(page, check):
    run(page, check)
    kept = "async () => (await caches.keys()).filter((name) => name.endsWith('-pages')).length"
    page.wait_for_function("async () => (await caches.keys()).some((name) => name.endsWith('-pages'))")
    page.wait_for_timeout(300)
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in/**")
    page.wait_for_timeout(500)
    assert page.evaluate(kept) == 0


# --- the server is killed ---


class Shop:
    """The program as a process of its own, in a place that outlives it."""

    def __init__(self, folder):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.at = "{}:{}".format(*free.getsockname())
        self.address = f"http://{self.at}"
        self.place = sqlite_place(folder)
        self.place.env.update(DEBUG="1", SITE_ADDRESS=self.address)

    def start(self):
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        self.process = self.place.start("manage.py", "runserver", self.at, "--noreload", "--skip-checks", **quiet)
        for _ in range(600):  # a minute: the machine may be busy
            try:
                urllib.request.urlopen(f"{self.address}/sign-in/", timeout=2).close()
                return
            except OSError:
                time.sleep(0.1)
        pytest.fail("the server did not start")

    def kill(self):
        self.process.kill()
        self.process.wait()

    def rows(self, query):
        with sqlite3.connect(self.place.folder / SQLITE_FILE) as disk:
            return disk.execute(query).fetchall()


FILL = """
from tests.factories import make_check, make_job, make_person
from keyboards.workflow.opening import open_trade
open_trade()
make_person(username="rosa", first_name="Rosa", last_name="Amsel")
print(make_check(job=make_job(), quantities=["balance_mortise_width"]).pk)
"""


@pytest.fixture
def shop(tables, tmp_path):
    found = Shop(tmp_path / "place")
    shutil.copy(tables, found.place.folder / SQLITE_FILE)
    found.check = int(found.place.script(FILL))
    found.start()
    yield found
    found.kill()


def sign_in_there(page, shop):
    page.goto(f"{shop.address}/sign-in/")
    page.fill("[name=username]", "rosa")
    page.fill("[name=password]", "long enough for a test")
    page.locator("main button").click()
    page.wait_for_url(lambda address: "sign-in" not in address)
    page.goto(f"{shop.address}/bench/checks/{shop.check}/")
    page.wait_for_selector("html[data-ready]")


def test_a_server_killed_again_and_again_in_mid_batch_loses_and_doubles_nothing(page, watch, shop):
    watch.expect("ERR_|Failed to load resource|Failed to fetch")
    sign_in_there(page, shop)
    for round_ in range(4):
        enter(page, 22, start=22 * round_)
        page.wait_for_timeout(20 + 40 * round_)  # at another moment of the sending each time
        shop.kill()
        page.wait_for_timeout(100)
        shop.start()
    all_sent(page, seconds=60)
    rows = shop.rows("SELECT key, value, count(*) FROM keyboards_entry GROUP BY key, value ORDER BY key")
    assert rows == [(key, value, 1) for key, value in expected(88)]
    assert shop.rows("PRAGMA integrity_check") == [("ok",)]


def test_without_the_rule_that_only_a_reply_empties_the_box_entries_are_lost(page, watch, shop):
    """The control: a box that lets go of what it has sent, whatever the answer, loses a batch when the server dies."""
    watch.expect("ERR_|Failed to load resource|Failed to fetch")
    page.route(
        "**/static/js/box.js",
        lambda route: route.fulfill(
            content_type="text/javascript",
            body=(settings.BASE_DIR / "static/js/box.js")
            .read_text()
            .replace(
                "async #once(address, body, headers) {",
                "async #once(address, body, headers) {\n    await this.#drop([...this.#held.keys()]);",
            ),
        ),
    )
    sign_in_there(page, shop)
    shop.kill()
    enter(page, 10)
    page.wait_for_timeout(1500)
    shop.start()
    page.wait_for_timeout(3000)
    assert len(shop.rows("SELECT key FROM keyboards_entry")) < 10

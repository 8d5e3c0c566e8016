"""The sheet in a browser: cells that keep themselves, moving down a column, pasting, and what no network does."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from keyboards.models import Entry, KeyReading
from keyboards.workflow.entries import entries_write
from keyboards.workflow.opening import open_trade
from shop.models import Role
from tests.factories import make_check, make_job, make_person, make_readings
from tests.keyboards.test_entries import typed

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def technician(sign_in):
    open_trade()
    person = make_person(first_name="Rosa", last_name="Amsel")
    sign_in(person)
    return person


@pytest.fixture
def check(technician):
    return make_check(job=make_job(missing=[3]), quantities=["balance_mortise_width", "balance_pin", "skew"])


def sheet(page, check):
    page.goto(reverse("check_detail", args=[check.job.number, check.pk]))
    page.wait_for_selector("#sheet input")


def cell(page, key: int, quantity: str = "balance_mortise_width"):
    return page.locator(f"#cell-{key}-{quantity}")


def paste(page, where, text: str) -> None:
    where.focus()
    page.evaluate(
        """text => {
            const data = new DataTransfer();
            data.setData("text/plain", text);
            document.activeElement.dispatchEvent(
                new ClipboardEvent("paste", { clipboardData: data, bubbles: true, cancelable: true }));
        }""",
        text,
    )


def test_the_pages_of_a_check_are_accessible_on_every_screen(page, screen, axe, fits, technician, check):
    make_readings(check=check, keys=[*range(4, 60)], balance_mortise_width=5600, balance_pin=3700, skew=900, grade=1)
    KeyReading.objects.filter(key=41).update(
        balance_mortise_width=5990, note="a long note about old glue", findings={"cloth_worn": 2}
    )
    where = [check.job.number, check.pk]
    for name, args in [
        ("check_detail", where),
        ("key_detail", [*where, 41]),
        ("check_edit", where),
        ("check_close", where),
        ("check_csv_read", where),
        ("check_begin", where[:1]),
        ("gauge_list", []),
        ("gauge_add", []),
        ("finding_list", []),
        ("finding_add", []),
    ]:
        page.goto(reverse(name, args=args))
        axe(page)
        fits(page)


def test_a_column_is_typed_with_enter_and_each_cell_is_kept_by_itself(page, technician, check):
    sheet(page, check)
    cell(page, 1).focus()
    for value in ("5,61", "5.62", "5.63"):
        page.keyboard.type(value)
        page.keyboard.press("Enter")
    expect(cell(page, 5)).to_be_focused()  # key 3 did not come
    expect(page.locator("#saving")).to_have_text("3 of 87 keys looked at")
    expect(cell(page, 1)).to_have_value("5.61")
    kept = KeyReading.objects.filter(check_done=check).values_list("key", "balance_mortise_width")
    assert list(kept) == [(1, 5610), (2, 5620), (4, 5630)]
    expect(page.locator("#key-4 .grade")).to_have_text("sound")
    page.reload()
    expect(cell(page, 4)).to_have_value("5.63")


def test_tab_goes_down_the_column_and_on_to_the_top_of_the_next(page, technician, check):
    sheet(page, check)
    cell(page, 1).focus()
    page.keyboard.press("Tab")
    expect(cell(page, 2)).to_be_focused()
    page.keyboard.press("Shift+Tab")
    expect(cell(page, 1)).to_be_focused()
    cell(page, 88).focus()
    page.keyboard.press("Tab")
    expect(cell(page, 1, "balance_pin")).to_be_focused()
    cell(page, 88, "note").focus()
    page.keyboard.press("Tab")
    assert page.evaluate("() => !document.activeElement.closest('#sheet table')")


def test_a_refused_reading_stays_typed_with_its_sentence_and_the_others_are_untouched(page, axe, technician, check):
    entries_write(check, [typed(key=2, value="5.62")], by=technician)
    sheet(page, check)
    cell(page, 1).fill("562")
    cell(page, 2).focus()
    expect(page.locator("#key-1 .error")).to_contain_text("cannot be right")
    expect(cell(page, 1)).to_have_value("562")
    expect(cell(page, 1)).to_have_attribute("aria-invalid", "true")
    expect(cell(page, 2)).to_have_value("5.62")
    expect(page.locator("#saving")).to_have_text("1 need a look")
    axe(page)
    assert Entry.objects.count() == 1
    cell(page, 1).fill("5.61")
    cell(page, 2).focus()
    expect(page.locator("#key-1 .error")).to_have_count(0)
    expect(page.locator("#saving")).to_have_text("2 of 87 keys looked at")


def test_escape_takes_back_what_was_typed(page, technician, check):
    entries_write(check, [typed(key=2, value="5.62")], by=technician)
    sheet(page, check)
    cell(page, 2).fill("5.99")
    page.keyboard.press("Escape")
    expect(cell(page, 2)).to_have_value("5.62")
    cell(page, 4).focus()
    page.wait_for_timeout(300)
    assert Entry.objects.count() == 1


def test_a_pasted_block_fills_down_and_each_bad_cell_is_told(page, technician, check):
    sheet(page, check)
    paste(page, cell(page, 1), "5.61\t3,70\r\n562\t3.71\r\n\t\r\n5.64\t3.72\r\n")
    expect(page.locator("#saving")).to_have_text("1 need a look")
    expect(page.locator("#key-2 .error")).to_contain_text("cannot be right")
    rows = KeyReading.objects.filter(check_done=check).values_list("key", "balance_mortise_width", "balance_pin")
    assert list(rows) == [(1, 5610, 3700), (2, None, 3710), (4, 5640, 3720)]
    expect(cell(page, 1, "balance_pin")).to_have_value("3.70")


def test_a_column_longer_than_the_sheet_says_what_was_not_taken(page, technician, check):
    sheet(page, check)
    page.route("**/cells/", lambda route: (page.wait_for_timeout(200), route.continue_()))
    cell(page, 1).fill("5.60")
    cell(page, 1).press("Enter")  # still under way when the column comes
    paste(page, cell(page, 87), "5.61\n5.62\n5.63\n5.64")
    expect(page.locator("#key-88 .saved")).to_be_attached()
    expect(page.locator("#saving")).to_have_text("2 pasted cells lay outside the sheet and were not taken.")
    assert KeyReading.objects.filter(check_done=check).count() == 3


def test_without_network_the_cell_waits_and_is_sent_when_it_is_back(page, context, watch, technician, check):
    sheet(page, check)
    watch.expect("ERR_INTERNET_DISCONNECTED|Failed to load resource")
    context.set_offline(True)
    cell(page, 1).fill("5.61")
    cell(page, 2).focus()
    expect(page.locator("#saving")).to_contain_text("1 not kept yet")
    expect(cell(page, 1)).to_have_value("5.61")
    assert not Entry.objects.exists()
    context.set_offline(False)
    expect(page.locator("#saving")).to_have_text("1 of 87 keys looked at", timeout=10_000)
    assert KeyReading.objects.get(key=1).balance_mortise_width == 5610


def test_a_stale_token_is_fetched_afresh_and_the_cell_kept(page, watch, technician, check):
    sheet(page, check)
    watch.expect("403")
    page.context.clear_cookies(name="csrftoken")
    cell(page, 1).fill("5.61")
    cell(page, 2).focus()
    expect(page.locator("#saving")).to_have_text("1 of 87 keys looked at")
    assert KeyReading.objects.get(key=1).balance_mortise_width == 5610


def test_signed_out_the_cell_waits_for_signing_in(page, watch, sign_in, technician, check):
    sheet(page, check)
    watch.expect("401")
    page.context.clear_cookies(name="sessionid")
    cell(page, 1).fill("5.61")
    cell(page, 2).focus()
    expect(page.locator("#saving")).to_contain_text("you are signed out")
    sign_in(technician)
    expect(page.locator("#saving")).to_have_text("1 of 87 keys looked at", timeout=10_000)
    assert KeyReading.objects.get(key=1).balance_mortise_width == 5610


def test_an_odd_reading_is_marked_as_soon_as_it_is_kept_and_the_row_follows(page, technician, check):
    make_readings(check=check, keys=[*range(4, 40)], balance_mortise_width=5600, grade=0)
    sheet(page, check)
    cell(page, 41).fill("5.99")
    cell(page, 42).focus()
    expect(page.locator("#key-41 td").first).to_have_class("saved outlier")
    assert "look again" in cell(page, 41).get_attribute("aria-label")
    expect(page.locator("#picture")).to_contain_text("far off the others on 41", timeout=5000)
    expect(cell(page, 42)).to_be_focused()


def test_a_note_is_kept_like_a_reading(page, technician, check):
    sheet(page, check)
    cell(page, 7, "note").fill("dark line along the grain")
    page.keyboard.press("Enter")
    expect(cell(page, 8, "note")).to_be_focused()
    page.wait_for_function("() => document.querySelector('#key-7 .saved')")
    assert KeyReading.objects.get(key=7).note == "dark line along the grain"


def test_without_a_script_every_key_has_its_page(browser, live_server, technician, check, sign_in):
    context = browser.new_context(java_script_enabled=False, base_url=live_server.url)
    sign_in(technician, where=context)
    page = context.new_page()
    page.goto(reverse("check_detail", args=[check.job.number, check.pk]))
    assert page.locator("#sheet input").count() == 0
    page.click("#key-41 th a")
    page.fill("[name=value_balance_mortise_width]", "5,62")
    page.click("text=Keep, next key")
    assert page.locator("h1").inner_text() == "Key 42 · D4"
    context.close()
    assert KeyReading.objects.get(key=41).balance_mortise_width == 5620


def test_a_second_click_on_a_form_that_is_under_way_keeps_nothing_twice(page, technician, check):
    page.goto(reverse("key_detail", args=[check.job.number, check.pk, 41]))
    page.fill("[name=again-value]", "5.62")
    button = page.get_by_role("button", name="Keep it beside")
    button.evaluate("async (one) => { one.click(); await new Promise((done) => setTimeout(done, 60)); one.click(); }")
    expect(page.locator(".message")).to_have_text("Kept beside the earlier reading.")
    assert Entry.objects.count() == 1


def test_the_front_desk_reads_the_sheet_and_changes_nothing(page, sign_in, check):
    sign_in(make_person(role=Role.DESK))
    page.goto(reverse("check_detail", args=[check.job.number, check.pk]))
    page.wait_for_load_state("networkidle")
    assert page.locator("tbody input").count() == 0

"""The counter in a browser: logging in while one types, the rack, a job's page; with a script and without."""

import datetime
import io
import re
from decimal import Decimal

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import expect

from keyboards.models import Photo
from shop.models import Job, Role
from shop.workflow.opening import open_shop
from shop.workflow.stages import add_work, job_hold
from tests.factories import make_client, make_instrument, make_job, make_person

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def desk(sign_in):
    open_shop(name="Testing Key Works")
    person = make_person(role=Role.DESK, first_name="Tom", last_name="Quill")
    sign_in(person)
    return person


@pytest.fixture
def photo(tmp_path):
    """A file as a camera makes it."""
    path = tmp_path / "row.jpg"
    data = io.BytesIO()
    Image.effect_noise((640, 480), 80).convert("RGB").save(data, "JPEG")
    path.write_bytes(data.getvalue())
    return path


def some_sets(by) -> list[Job]:
    """Sets as different as the rack shows them."""
    today = timezone.localdate()
    long_name = make_client(name="Hemlock Street Conservatory of Music and Recitation", kind="institution")
    jobs = [
        make_job(promised_on=today - datetime.timedelta(days=3)),
        make_job(client=long_name, promised_on=today + datetime.timedelta(days=9)),
        make_job(),
    ]
    Job.objects.filter(pk=jobs[0].pk).update(grades=("0112" * 22))
    job_hold(jobs[2], by=by, reason="waits for balance pins from the supplier")
    return jobs


def test_the_rack_is_read_and_filtered(page, screen, desk, axe, fits):
    late, plain, held = some_sets(desk)
    page.goto("/counter/")
    expect(page.locator(".rack-row")).to_have_count(3)
    expect(page.get_by_text("3 keyboards in the shop")).to_be_visible()
    axe(page)
    fits(page)
    page.get_by_label("Waits for").select_option("held")
    expect(page.locator(".rack-row")).to_have_count(1)
    expect(page.locator(".rack-row")).to_contain_text(held.tag)
    page.get_by_label("Waits for").select_option("")
    page.get_by_label("Tag, client or piano").fill("hemlock")
    expect(page.locator(".rack-row")).to_have_count(1)
    page.get_by_role("link", name="Hemlock Street").click()
    expect(page).to_have_url(re.compile(plain.tag))
    assert late.tag != plain.tag


def test_what_changes_the_rack_is_fetched_when_it_is_first_touched_and_loses_nothing(page, desk, watch):
    """htmx weighs a quarter of the page. What is typed before it is there, or before it could be fetched, counts."""
    watch.expect("ERR_FAILED")
    some_sets(desk)
    asked = []
    page.on("request", lambda request: asked.append(request.url) if "htmx" in request.url else None)
    page.route("**/htmx.min.js", lambda route: route.abort() if len(asked) == 1 else release.append(route))
    release = []
    page.goto("/counter/", wait_until="networkidle")
    assert asked == []
    page.get_by_label("Waits for").select_option("held")
    expect(page.get_by_role("alert")).to_contain_text("cannot be reached")
    page.get_by_label("Waits for").select_option("")
    page.get_by_label("Tag, client or piano").fill("hemlock")
    expect(page.locator(".rack-row")).to_have_count(3)
    release.pop().continue_()
    expect(page.locator(".rack-row")).to_have_count(1)
    assert (len(asked), release) == (2, [])


def test_a_known_client_with_a_known_piano_is_logged_in(page, screen, desk, axe, fits):
    owner = make_client(name="Ilse Varga")
    piano = make_instrument(client=owner, maker="Thornquist", serial="48 213")
    page.goto("/counter/log-in/")
    axe(page)
    fits(page)
    page.get_by_label("Client", exact=True).fill("varg")
    page.get_by_label(re.compile("Ilse Varga")).check()
    expect(page.get_by_label("Phone")).to_be_hidden()
    page.get_by_label(re.compile("Thornquist upright")).check()
    expect(page.get_by_label("Maker")).to_be_hidden()
    axe(page)
    page.locator("input[name=compass][value=other]").check()
    page.get_by_label("First note").fill("F1")
    page.get_by_label("Count of keys").fill("70")
    page.get_by_label("Missing keys").fill("3")
    fits(page)
    page.get_by_role("button", name="Log it in").click()
    expect(page.get_by_text("is in the shop")).to_be_visible()
    job = Job.objects.get()
    assert (job.client, job.instrument, job.first_note, job.keys_here) == (owner, piano, 29, 69)
    axe(page)
    fits(page)


def test_a_wrong_field_loses_neither_what_was_typed_nor_the_photos(page, desk, photo, axe):
    page.goto("/counter/log-in/")
    page.get_by_label("Client", exact=True).fill("Marrow Bridge Hall")
    page.get_by_label("Maker").fill("Corvane")
    page.get_by_label("Client's wishes").fill("even touch")
    page.get_by_label("Choose or take photos").set_input_files([photo, photo])
    page.get_by_label("Missing keys").fill("99")
    page.get_by_role("button", name="Log it in").click()
    expect(page.get_by_text("There is no key 99")).to_be_visible()
    axe(page)
    assert page.get_by_label("Choose or take photos").evaluate("field => field.files.length") == 2
    expect(page.get_by_label("Client's wishes")).to_have_value("even touch")
    page.get_by_label("Missing keys").fill("88")
    page.get_by_role("button", name="Log it in").click()
    expect(page.get_by_text("is in the shop")).to_be_visible()
    assert Photo.objects.filter(job=Job.objects.get()).count() == 2


def test_a_double_click_logs_one_set_in(page, desk):
    page.goto("/counter/log-in/")
    page.get_by_label("Client", exact=True).fill("Marrow Bridge Hall")
    page.get_by_label("Maker").fill("Corvane")
    page.get_by_role("button", name="Log it in").dblclick()
    expect(page.get_by_text("is in the shop")).to_be_visible()
    assert Job.objects.count() == 1


def test_two_sends_at_the_same_moment_log_one_set_in(page, desk):
    page.goto("/counter/log-in/")
    page.get_by_label("Client", exact=True).fill("Marrow Bridge Hall")
    page.get_by_label("Maker").fill("Corvane")
    ended = page.evaluate(
        """async () => {
          const form = document.querySelector("#log_in");
          const send = () => fetch(form.action, {method: "POST", body: new FormData(form)});
          return (await Promise.all([send(), send(), send()])).map((answer) => new URL(answer.url).pathname);
        }"""
    )
    assert set(ended) == {f"/jobs/{Job.objects.get().tag}/"}


def test_it_all_works_without_a_script(new_context, desk, sign_in, photo):
    owner = make_client(name="Ilse Varga")
    make_instrument(client=owner, maker="Thornquist", serial="48 213")
    context = new_context(java_script_enabled=False)
    sign_in(desk, where=context)
    page = context.new_page()
    page.goto("/counter/log-in/")
    page.get_by_label("Client", exact=True).fill("varga")
    page.get_by_label("Client's wishes").fill("even touch")
    page.get_by_role("button", name="Find").first.click()
    page.get_by_label(re.compile("Ilse Varga")).check()
    page.get_by_role("button", name="Show this client's instruments").click()
    page.get_by_label(re.compile("Thornquist upright")).check()
    page.get_by_label("Choose or take photos").set_input_files(photo)
    page.get_by_role("button", name="Log it in").click()
    expect(page.get_by_text("is in the shop")).to_be_visible()
    job = Job.objects.get()
    assert (job.client, job.wishes, job.instrument.maker) == (owner, "even touch", "Thornquist")
    page.goto(f"/counter/?q={job.tag[-2:]}")
    page.get_by_role("button", name="Show", exact=True).click()
    expect(page.locator(".rack-row")).to_have_count(1)


def test_a_set_is_counted_in_and_a_missing_key_is_shouted(page, screen, desk, axe, fits):
    job = make_job(boxes=2)
    page.goto(f"/jobs/{job.tag}/")
    axe(page)
    fits(page)
    page.get_by_role("link", name="Count it in").click()
    page.get_by_label("Keys counted").fill("87")
    page.get_by_label("Boxes counted").fill("2")
    page.get_by_role("button", name="Finish counting in").click()
    expect(page.get_by_role("alert")).to_contain_text("1 key is missing")
    axe(page)
    fits(page)
    page.get_by_role("link", name="Write down which keys").click()
    axe(page)
    fits(page)
    page.get_by_label("Missing keys").fill("34")
    page.get_by_role("button", name="Keep").click()
    page.get_by_label("Keys counted").fill("87")
    page.get_by_label("Boxes counted").fill("2")
    page.get_by_role("button", name="Finish counting in").click()
    expect(page.get_by_text("Counted in: every key and every box is there.")).to_be_visible()
    expect(page.get_by_text("Arrival check").first).to_be_visible()


def test_a_long_route_fits_every_screen(page, screen, desk, axe, fits):
    job = make_job()
    add_work(job, {kind: Decimal(60) for kind in ("strip", "repairs", "buttons", "pins", "leads", "cloth", "ease")})
    page.goto(f"/jobs/{job.tag}/")
    expect(page.get_by_text("Make and fit buttons").first).to_be_visible()
    axe(page)
    fits(page)


@pytest.mark.parametrize(
    "address",
    ["edit/", "promise/", "hold/", "events/", "keys/edit/"],
)
def test_the_other_pages_of_a_job_are_accessible_and_fit(page, screen, desk, axe, fits, address):
    job = make_job()
    page.goto(f"/jobs/{job.tag}/{address}")
    axe(page)
    fits(page)


def test_the_owners_and_everybodys_own_pages_are_accessible_and_fit(page, screen, sign_in, axe, fits):
    open_shop(name="Testing Key Works")
    owner = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    sign_in(owner)
    piano = make_instrument()
    for address in (
        "/office/people/",
        "/office/people/add/",
        f"/office/people/{make_person().pk}/",
        "/office/workshop/",
        "/me/",
        "/me/signing-in/",
        "/change-person/",
        "/me/password/",
        f"/counter/clients/{piano.client_id}/",
        f"/counter/instruments/{piano.pk}/",
        "/counter/?show=gone",
    ):
        page.goto(address)
        axe(page)
        fits(page)


def test_the_shop_is_opened_on_the_first_day(page, screen, axe, fits):
    page.goto("/")
    axe(page)
    fits(page)
    page.locator("#id_name").fill("Testing Key Works")
    page.get_by_role("button", name="Keep, go on").click()
    fits(page)
    page.get_by_label("First name").fill("Ada")
    page.get_by_label("Last name").fill("Fennimore")
    page.get_by_label("Name to sign in with").fill("ada")
    page.get_by_label("Password", exact=True).fill("balance rail pins")
    page.get_by_label("The same password again").fill("balance rail pins")
    page.get_by_role("button", name="Open the workshop").click()
    for button in ("Keep, go on", "Keep, go on", "Go on", "That is all"):
        axe(page)
        fits(page)
        page.get_by_role("button", name=button).click()
    expect(page.get_by_text("No keyboard in the shop")).to_be_visible()
    axe(page)
    page.get_by_role("button", name="Sign out").click()
    axe(page)
    fits(page)
    page.get_by_label("Username").fill("ada")
    page.get_by_label("Password").fill("balance rail pins")
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()

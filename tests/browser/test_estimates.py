"""Estimates in a browser: written with sums that follow, answered by a client on a phone, with a script and without."""

import datetime
import io
import re

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import expect

from keyboards.workflow.photos import photo_add
from shop.models import Answer, Estimate, Role
from shop.workflow import estimates
from shop.workflow.opening import open_shop
from tests.factories import make_check, make_draft, make_job, make_person, make_readings, make_sent, token_of

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def shop():
    open_shop(
        name="Testing Key Works",
        phone="0555 0147",
        email="work@shop.example",
        terms="Two weeks.\nThree years.",
        payment="Account 00 1470",
    )


@pytest.fixture
def owner(shop, sign_in):
    person = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    sign_in(person)
    return person


def a_set():
    """A job whose keys are read, with one photo of a key."""
    job = make_job()
    check = make_check(job=job, closed=True)
    make_readings(check=check, grade=[n % 4 for n in range(88)], skew=1200)
    data = io.BytesIO()
    Image.effect_noise((320, 240), 80).convert("RGB").save(data, "JPEG")
    photo_add(job=job, check=check, key=41, caption="torn", data=data.getvalue(), by=check.begun_by)
    return job


def sent(by, **fields) -> Estimate:
    job = a_set()
    return make_sent(job=job, by=by, photos=[photo.op for photo in job.photos.all()], **fields)


def figures(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u202f", " "))


def test_the_draft_reads_well_everywhere(page, screen, owner, axe, fits):
    estimate = make_draft(job=a_set(), by=owner)
    page.goto(f"/estimates/{estimate.title}/")
    expect(page.locator("#sums")).to_contain_text("Cloth and buttons")
    axe(page)
    fits(page)
    page.get_by_text("Add a line").first.click()
    axe(page)
    fits(page)


def test_sums_follow_what_is_typed_and_nothing_is_kept_before_keep(page, owner):
    estimate = make_draft(by=owner)
    line = estimate.lines.get(option__letter="A", operation__code="cloth")
    page.goto(f"/estimates/{estimate.title}/")
    quantity = page.locator(f"[name=l{line.pk}-quantity]")
    quantity.fill("100")
    expect(page.locator(f"#total-{line.pk}")).to_have_text("425.00")
    page.locator("[name=e-allowance_keys]").fill("10")
    expect(page.locator("#sums")).to_contain_text("84.00 before tax")
    line.refresh_from_db()
    assert line.quantity == 88
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.get_by_text("Kept.")).to_be_visible()
    line.refresh_from_db()
    assert line.quantity == 100


def test_what_is_wrong_is_said_beside_the_field(page, owner, axe):
    estimate = make_draft(by=owner)
    line = estimate.lines.get(option__letter="A", operation__code="cloth")
    page.goto(f"/estimates/{estimate.title}/")
    page.locator(f"[name=l{line.pk}-quantity]").fill("twelve")
    page.get_by_role("button", name="Keep", exact=True).click()
    expect(page.locator(f"#line-{line.pk} .error")).to_contain_text("Enter a number")
    expect(page.locator(f"[name=l{line.pk}-quantity]")).to_have_value("twelve")
    axe(page)


def test_from_the_draft_to_the_letter(page, owner):
    estimate = make_draft(job=a_set(), by=owner)
    page.goto(f"/estimates/{estimate.title}/")
    page.get_by_role("button", name="Keep, then send…").click()
    page.get_by_label("E-mail address").fill("hall@example.org")
    page.get_by_role("button", name="Send it").click()
    expect(page.get_by_text("Sent.", exact=True)).to_be_visible()
    page.get_by_role("link", name="Letter", exact=True).click()
    expect(page.get_by_text("hall@example.org").first).to_be_visible()
    assert Estimate.objects.get(pk=estimate.pk).state == "sent"


@pytest.mark.parametrize("state", ["sent", "accepted", "declined", "over"])
def test_an_estimate_reads_well_everywhere(page, screen, owner, axe, fits, state):
    estimate = sent(owner)
    estimates.question_ask(estimate, text="Is glue included?", name="Ilse")
    if state == "accepted":
        estimates.estimate_accept(estimate, option="B", name="Ilse")
    elif state == "declined":
        estimates.estimate_decline(estimate, name="Ilse", reason="Too dear")
    elif state == "over":
        Estimate.objects.update(valid_until=timezone.localdate() - datetime.timedelta(days=1))
    page.goto(estimate.get_absolute_url())
    axe(page)
    fits(page)


def test_the_clients_page_reads_well_everywhere(page, screen, shop, axe, fits):
    estimate = sent(make_person(role=Role.OWNER))
    address = f"/estimate/{token_of(estimate)}/"
    page.goto(address)
    expect(page.get_by_role("heading", name="Your keyboard")).to_be_visible()
    expect(page.locator(".photos img")).to_have_js_property("complete", True)
    axe(page)
    fits(page)
    page.get_by_text("What B holds").click()
    axe(page)
    fits(page)
    page.goto(f"{address}yes/?option=B")
    axe(page)
    fits(page)
    page.goto(f"{address}no/")
    axe(page)
    fits(page)


def test_a_client_asks_adds_an_extra_and_says_yes_on_a_phone(page, context, shop, axe, fits):
    page.set_viewport_size({"width": 390, "height": 844})
    estimate = sent(make_person(role=Role.OWNER))
    page.goto(f"/estimate/{token_of(estimate)}/")
    page.get_by_label("Your question").fill("Is glue included?")
    page.get_by_label("Your name").fill("Ilse Varga")
    page.get_by_role("button", name="Ask").click()
    expect(page.get_by_text("We answer soon.")).to_be_visible()
    page.get_by_role("link", name="Choose B").click()
    before = figures(page.locator("#sum").inner_text())
    page.get_by_label("Glue or mend a keytop").check()
    expect(page.locator("#sum")).not_to_have_text(before)
    read = Estimate.objects.with_lines().get(pk=estimate.pk)
    gross = read.priced(read.options.get(letter="B"), read.extras).totals.gross
    expect(page.locator("#sum")).to_contain_text(f"{gross:,}".replace(",", "\u202f"))
    page.get_by_role("button", name="Yes to B").click()
    expect(page.get_by_text("Tick this box to say yes.")).to_be_visible()
    axe(page)
    expect(page.get_by_label("Glue or mend a keytop")).to_be_checked()
    page.get_by_label("Your name").fill("Ilse Varga")
    page.get_by_label("I have read the estimate").check()
    page.get_by_role("button", name="Yes to B").click()
    expect(page.get_by_role("heading", name="Agreed: B Cloth and buttons")).to_be_visible()
    expect(page.get_by_text("Account 00 1470")).to_be_visible()
    axe(page)
    fits(page)
    assert Answer.objects.get(kind="yes").extras.count() == 1
    assert context.cookies() == []


def test_without_a_script_a_client_sees_the_sum_before_the_yes(new_context, shop):
    estimate = sent(make_person(role=Role.OWNER))
    page = new_context(java_script_enabled=False).new_page()
    page.goto(f"/estimate/{token_of(estimate)}/yes/?option=A")
    page.get_by_label("Glue or mend a keytop").check()
    page.get_by_role("button", name="Add up").click()
    read = Estimate.objects.with_lines().get(pk=estimate.pk)
    gross = read.priced(read.options.get(letter="A"), read.extras).totals.gross
    expect(page.locator("#sum")).to_contain_text(f"{gross:,}".replace(",", "\u202f"))
    page.get_by_label("Your name").fill("Ilse Varga")
    page.get_by_label("I have read the estimate").check()
    page.get_by_role("button", name="Yes to A").click()
    expect(page.get_by_role("heading", name="Agreed: A New cloth")).to_be_visible()


def test_a_client_says_no(page, shop):
    estimate = sent(make_person(role=Role.OWNER))
    page.goto(f"/estimate/{token_of(estimate)}/")
    page.get_by_role("link", name="No, thank you").click()
    page.get_by_label("Why, if you like to say").fill("Too dear")
    page.get_by_label("Your name").fill("Ilse")
    page.get_by_role("button", name="Say no").click()
    expect(page.get_by_role("heading", name="You said no")).to_be_visible()


def test_a_link_that_does_not_open_reads_well(page, shop, watch, axe, fits):
    watch.expect("404")
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto("/estimate/nonsense/")
    expect(page.get_by_text("0555 0147").first).to_be_visible()
    axe(page)
    fits(page)


def test_office_prices_and_letters_read_well_everywhere(page, screen, owner, axe, fits):
    make_draft(by=owner)
    estimate = sent(owner)
    estimates.question_ask(estimate, text="Is glue included?", name="Ilse")
    letter = estimate.links.get().letter
    for address in (
        "/office/",
        "/office/prices/",
        "/office/prices/add/",
        "/office/prices/import/",
        "/office/letters/",
        f"/office/letters/{letter.pk}/",
        f"/jobs/{make_job().tag}/estimates/new/",
        f"/estimates/{estimate.title}/preview/",
    ):
        page.goto(address)
        axe(page)
        fits(page)

"""The protractor in a browser: a drawn photo of known angles, tapped, dragged, moved by keys, put right by a card."""

import io
import json
import math

import pytest
from django.urls import reverse
from PIL import Image, ImageDraw
from playwright.sync_api import expect

from keyboards.core.protractor import homography
from keyboards.models import Entry, PhotoAngle
from keyboards.workflow.photos import photo_add
from tests.factories import make_check, make_job, make_person

pytestmark = pytest.mark.django_db(transaction=True)

SIZE = (1600, 1200)
RAIL = ((150, 250), (1450, 250))
CARD = ((200, 700), (628, 700), (628, 970), (200, 970))  # 85.6 by 53.98 mm at 5 px a mm


def edge_at(skew, x=900, y=420, length=420):
    turned = math.radians(90 - skew)
    return (x, y), (x + length * math.cos(turned), y + length * math.sin(turned))


@pytest.fixture
def check(sign_in):
    person = make_person(first_name="Rosa", last_name="Amsel")
    sign_in(person)
    return make_check(job=make_job(), quantities=["skew"])


def photograph(check, skew, warp=None):
    """A drawn photo: a rail, a mortise that leans, a card; seen straight from above, or through a slanted camera."""
    picture = Image.new("RGB", SIZE, "#d8c8a8")
    pen = ImageDraw.Draw(picture)
    edge = edge_at(skew)
    shapes = {"rail": RAIL, "edge": edge, "card": CARD}
    if warp:
        shapes = {name: tuple(warp(point) for point in points) for name, points in shapes.items()}
    pen.polygon([tuple(point) for point in shapes["card"]], fill="#ffffff", outline="#333333")
    pen.line([*shapes["rail"]], fill="#222222", width=3)
    pen.line([*shapes["edge"]], fill="#552211", width=3)
    data = io.BytesIO()
    picture.save(data, "PNG")
    photo = photo_add(job=check.job, data=data.getvalue(), by=check.begun_by, check=check)
    return photo, shapes


def open_photo(page, photo, key):
    page.goto(f"{reverse('photo_angle', args=[photo.op])}?key={key}")
    page.wait_for_selector("html[data-ready]")


def tap(page, *points):
    for x, y in points:
        page.evaluate("y => scrollTo(0, y)", 0)
        box = page.locator("#picture").bounding_box()
        scale = box["width"] / SIZE[0]
        below = max(0, box["y"] + y * scale - page.viewport_size["height"] + 60)  # a small screen is scrolled to it
        page.evaluate("y => scrollTo(0, y)", below)
        box = page.locator("#picture").bounding_box()
        page.mouse.click(box["x"] + x * scale, box["y"] + y * scale)


def test_the_protractor_is_accessible_and_fits_every_screen(page, screen, axe, fits, check):
    photo, shapes = photograph(check, 2.0)
    open_photo(page, photo, 40)
    tap(page, *shapes["rail"], *shapes["edge"])
    expect(page.locator("#result")).to_contain_text("°")
    axe(page)
    fits(page)


def test_a_known_angle_is_read_from_a_photo_within_its_uncertainty_and_kept(page, check):
    photo, shapes = photograph(check, 2.0)
    page.set_viewport_size({"width": 1280, "height": 1000})
    open_photo(page, photo, 40)
    expect(page.locator("#next")).to_have_text("Tap: rail, first point")
    tap(page, *shapes["rail"], *shapes["edge"])
    expect(page.locator("#result")).to_contain_text("±")
    page.click("#keep")
    page.wait_for_url("**key=41")
    page.wait_for_selector("html[data-ready]")
    entry, kept = Entry.objects.get(), PhotoAngle.objects.get()
    assert entry.key == 40
    assert abs(entry.value / 1000 - 2.0) <= 2 * kept.u / 1000
    # The rail stays for the next key on the same photo: the edge alone is tapped.
    expect(page.locator("#next")).to_have_text("Tap: mortise edge, first point")
    tap(page, *shapes["edge"])
    page.click("#keep")
    page.wait_for_url("**key=42")
    assert Entry.objects.get(key=41).value == pytest.approx(2000, abs=600)


def test_a_slanted_camera_is_put_right_by_the_corners_of_a_card(page, check):
    corners = [[0, 0], [1600, 0], [1600, 1200], [0, 1200]]
    seen = [[120, 60], [1500, 20], [1590, 1150], [30, 1190]]
    (a, b, c), (d, e, f), (g, h, i) = homography(corners, seen)

    def warp(point):
        x, y = point
        w = g * x + h * y + i
        return (a * x + b * y + c) / w, (d * x + e * y + f) / w

    photo, shapes = photograph(check, 2.0, warp)
    page.set_viewport_size({"width": 1440, "height": 1100})
    open_photo(page, photo, 40)
    tap(page, *shapes["rail"], *shapes["edge"])
    expect(page.locator("#result")).to_contain_text("±")
    slanted = float(page.locator("#result").text_content().split("°")[0].replace("−", "-"))
    page.check("#with-card")
    tap(page, *shapes["card"])
    expect(page.locator("#next")).to_contain_text("Drag a point")
    page.wait_for_timeout(400)
    page.click("#keep")
    page.wait_for_url("**key=41")
    entry, kept = Entry.objects.get(), PhotoAngle.objects.get()
    assert kept.card["width"] == 85.6
    assert abs(entry.value / 1000 - 2.0) <= 2 * kept.u / 1000
    assert abs(slanted - 2.0) > 0.5  # what the card was needed for
    # The next key on the same photo is put right by the same card, without a word and without tapping it again.
    page.wait_for_selector("html[data-ready]")
    expect(page.locator("#with-card")).to_be_checked()
    tap(page, *shapes["edge"])
    expect(page.locator("#next")).to_contain_text("Drag a point")
    page.click("#keep")
    page.wait_for_url("**key=42")
    second = PhotoAngle.objects.get(entry__key=41)
    assert second.card == kept.card
    assert abs(second.entry.value / 1000 - 2.0) <= 2 * second.u / 1000


def test_what_was_tapped_and_chosen_stays_when_the_page_refuses(page, check):
    photo, shapes = photograph(check, 2.0)
    page.set_viewport_size({"width": 1440, "height": 1100})
    open_photo(page, photo, 40)
    page.check("#mirrored")
    page.check("#with-card")
    page.fill("#card-width", "90")
    tap(page, *shapes["rail"], *shapes["edge"], *shapes["card"])
    page.fill("#click-sd", "2.5")
    page.select_option("#key", "")
    expect(page.locator("#result")).to_contain_text("±")
    sent = page.input_value("#tapped")
    page.click("#keep")
    expect(page.locator(".message.bad")).to_contain_text("Choose the key")
    page.wait_for_selector("html[data-ready]")
    assert json.loads(page.input_value("#tapped")) == json.loads(sent)
    assert json.loads(sent)["bass_on"] == "right"
    assert json.loads(sent)["card"]["width"] == 90


def test_points_are_set_and_moved_by_the_keyboard_alone(page, check):
    photo, _shapes = photograph(check, 0.0)
    open_photo(page, photo, 40)
    page.locator("#place").press("Enter")
    first = page.locator("#lines .point").first
    expect(first).to_be_focused()
    before = float(first.get_attribute("cy"))
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("ArrowDown")
    assert float(page.locator("#lines .point").first.get_attribute("cy")) == pytest.approx(before + 11)
    expect(page.locator("#loupe")).to_be_visible()
    page.select_option("#key", "40")
    for place, name in enumerate(["rail, second point", "mortise edge, first point", "mortise edge, second point"], 1):
        expect(page.locator("#next")).to_have_text(f"Put right: {name}")
        expect(page.locator("#keep")).to_be_disabled()  # a point that was only laid there measures nothing
        page.locator("#lines .point").nth(place).press("ArrowDown")
    page.locator("#keep").press("Enter")
    page.wait_for_url("**key=41")
    assert Entry.objects.count() == 1


def test_a_point_is_dragged_right_under_the_loupe(page, check):
    photo, shapes = photograph(check, 2.0)
    open_photo(page, photo, 40)
    tap(page, *shapes["rail"])
    box = page.locator("#picture").bounding_box()
    scale = box["width"] / SIZE[0]
    x, y = box["x"] + RAIL[0][0] * scale, box["y"] + RAIL[0][1] * scale
    page.mouse.move(x + 5, y + 5)
    page.mouse.down()
    page.mouse.move(x + 60, y + 30)
    expect(page.locator("#loupe")).to_be_visible()
    page.mouse.up()
    expect(page.locator("#loupe")).to_be_hidden()
    assert page.locator("#lines .point").count() == 2


def test_tapping_once_more_makes_the_angle_surer(page, check):
    photo, shapes = photograph(check, 2.0)
    open_photo(page, photo, 40)
    page.fill("#click-sd", "4")
    tap(page, *shapes["rail"], *shapes["edge"])
    expect(page.locator("#said")).to_contain_text("Too coarse to cut by")
    page.click("#once-more")
    tap(page, *shapes["rail"], *shapes["edge"])
    expect(page.locator("#result")).to_contain_text("(mean of 2)")
    # An answer that comes when the points are gone says nothing of those to come.
    held = []
    page.route("**/reckon/", lambda route: held.append(route))
    page.fill("#click-sd", "5")
    while not held:
        page.wait_for_timeout(10)
    page.click("#clear")
    with page.expect_response("**/reckon/") as answer:
        held[0].continue_()
    answer.value.finished()
    page.evaluate("() => new Promise((done) => setTimeout(done, 50))")
    expect(page.locator("#result")).to_have_text("–")


def test_the_photo_is_turned_until_the_playing_ends_are_at_the_bottom(page, check):
    photo, _shapes = photograph(check, 2.0)
    open_photo(page, photo, 40)
    size = "(({ width, height }) => [width, height])(document.getElementById('picture'))"
    wide = page.evaluate(size)
    page.click("#turn")
    assert page.evaluate(size) == wide[::-1]

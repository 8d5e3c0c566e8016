"""The drawings as a browser shows them, under the strictest content policy, on all four screens."""

import pytest
from django.templatetags.static import static

from keyboards.drawing.plots import Band, Plot, Series
from keyboards.drawing.row import button_row, small_row
from tests.keyboards.test_drawing import WORDS, compass

ADDRESS = "/picture-page/"
PLOT = Plot(
    "mortise width", "mm", [Series({n: 5.5 + (n % 9) / 100 for n in range(1, 89)})], Band(5.48, 5.56, "one cloth")
)


def html(body):
    sheets = "".join(f'<link rel="stylesheet" href="{static(f"css/{n}.css")}">' for n in ("tokens", "page"))
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Pictures</title>{sheets}'
    return f'<!doctype html><html lang="en"><head>{head}</head><body><main class="page">{body}</main></body></html>'


def picture(**options):
    wide = button_row(compass(), uid="wide", title="Buttons", words=WORDS, plots=[PLOT], **options)
    narrow = button_row(
        compass(), uid="narrow", title="Buttons", words=WORDS, plots=[PLOT], split=3, width=340, font_size=12, **options
    )
    return (
        '<h1>Key A♯5</h1><figure class="picture surface">'
        f'<div class="only-wide">{wide}</div><div class="only-narrow">{narrow}</div></figure>'
        f"<p>{small_row('0123' * 22, title='a set')}</p>"
    )


@pytest.fixture
def show(page, live_server):
    """show(body): a page of our styles with that body, which may run no script and no inline style."""

    def fulfil(route, body):
        route.fulfill(
            body=body,
            content_type="text/html; charset=utf-8",
            headers={"Content-Security-Policy": "default-src 'none'; style-src 'self'; font-src 'self'"},
        )

    def open_page(body):
        page.route(f"**{ADDRESS}", lambda route: fulfil(route, html(body)))
        page.route("**/k/*/", lambda route: fulfil(route, html("<h1>one key</h1>")))
        page.goto(ADDRESS)
        return page

    return open_page


def test_a_picture_fits_is_accessible_and_needs_no_inline_style(show, screen, axe, fits):
    page = show(picture(href="/k/{number}/", current=62))
    fits(page)
    axe(page)


def test_the_words_in_a_picture_can_be_read_on_every_screen(show, screen):
    """10 px at the least: common practice for a label beside a picture that also stands in a table; no standard."""
    page = show(picture())
    sizes = page.evaluate(
        """() => [...document.querySelectorAll('svg.keyrow')].filter(svg => svg.checkVisibility()).flatMap(svg => {
            const scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
            return [...svg.querySelectorAll('text')].map(t => parseFloat(getComputedStyle(t).fontSize) * scale);
        })"""
    )
    assert len(sizes) > 8
    assert min(sizes) >= 10


def test_a_tap_on_a_column_leads_to_its_key(show, screen):
    page = show(picture(href="/k/{number}/"))
    link = page.locator('a[href="/k/62/"] rect >> visible=true')
    box = link.bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] * 0.8)
    page.wait_for_url("**/k/62/")


def test_columns_are_no_stops_on_the_way_through_the_page(show, page):
    show(picture(href="/k/{number}/") + '<button class="btn">Next</button>')
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.textContent") == "Next"


def test_the_sharp_comes_from_our_own_face(show, page):
    """Which faces a browser really used, by its own word, and not what the style sheet asked for."""
    show(picture())
    session = page.context.new_cdp_session(page)
    session.send("DOM.enable")
    session.send("CSS.enable")
    page.evaluate("() => document.fonts.ready")
    root = session.send("DOM.getDocument")["root"]["nodeId"]
    heading = session.send("DOM.querySelector", {"nodeId": root, "selector": "h1"})["nodeId"]
    used = session.send("CSS.getPlatformFontsForNode", {"nodeId": heading})["fonts"]
    figures = "Atkinson Hyperlegible Mono ExtraLight Medium"  # their file holds the signs
    assert {font["familyName"] for font in used} == {"Zilla Slab SemiBold", figures}
    assert all(font["isCustomFont"] for font in used)


def test_a_live_row_changes_with_the_class_of_a_key(show, page):
    show(button_row(compass(grade=None), uid="live", title="Buttons", words=WORDS, live=True, current=1))
    look = """() => {
        const key = document.querySelector('[data-key="5"]');
        return [getComputedStyle(key.querySelector('.block')).fill,
                key.querySelector('.bar').getBoundingClientRect().height];
    }"""
    unread = page.evaluate(look)
    page.evaluate("""() => document.querySelector('[data-key="5"]').setAttribute('class', 'key g2')""")
    wood = page.evaluate(look)
    assert unread[1] == 0
    assert wood[0] == "rgb(217, 130, 43)"
    assert wood[1] > 5

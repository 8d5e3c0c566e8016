"""A real Chromium on a live server, and what no page may do there.

Every page that a test opens is watched: an error in the console (a breach of the content security policy
shows there), an exception, a failure of the server or a request to another host fails the test, whatever it
asserts.
"""

import json
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

import axe_playwright_python
import pytest
from django.conf import settings
from django.test import Client
from playwright.sync_api import BrowserContext, Page, expect
from playwright.sync_api import Error as PageError

AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
AXE_OPTIONS = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]},
    "rules": {"target-size": {"enabled": True}},  # the one rule of WCAG 2.2 that axe leaves off by itself
    "resultTypes": ["violations"],
}
CHROMIUMS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SCREENS = {
    "phone": (390, 844),
    "tablet-portrait": (810, 1080),
    "tablet-landscape": (1080, 810),
    "desktop": (1440, 900),
}
# SCREENS=phone,tablet-landscape chooses some of them: the narrowest and the lowest find nearly all that is wrong.
if wanted := os.environ.get("SCREENS"):
    SCREENS = {name: SCREENS[name] for name in wanted.split(",")}


def find_chromium() -> str:
    """CHROMIUM, or the first of its kind on the path. Without one the tests fail; they are not skipped."""
    names = (
        os.environ.get("CHROMIUM", ""),
        "chromium",
        "chromium-browser",
        "google-chrome",
        "google-chrome-stable",
    )
    found = next((path for name in names if name and (path := shutil.which(name))), None)
    if found is None:
        pytest.fail("No Chromium here: install it (make install-tests) or name its path in CHROMIUM.")
    return found


# A busy machine is no defect of the page.
expect.set_options(timeout=15_000)


@pytest.fixture(scope="session", autouse=True)
def synchronous_queries():
    """Playwright keeps an event loop in the test's thread, where Django would refuse to ask the database."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        yield


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    """The system's Chromium, which may talk to this machine only."""
    args = [
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-quic",
        "--disable-sync",
        "--no-first-run",
        "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
    ]
    if os.geteuid() == 0:
        args.append("--no-sandbox")  # as root Chromium does not start with it
    return {**browser_type_launch_args, "executable_path": find_chromium(), "args": args}


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args, live_server):
    """page.goto("/jobs/") asks the live server."""
    return {
        **browser_context_args,
        "base_url": live_server.url,
        "locale": "en-GB",
        "timezone_id": settings.TIME_ZONE,
        "reduced_motion": "reduce",
    }


class Watch:
    """Collects what goes wrong on the pages of a context."""

    def __init__(self) -> None:
        self._seen: list[str] = []
        # A page that is left takes the part it was asking for with it; a network that fails says sendError as well.
        self._expected = [re.compile(r"^console: htmx:(sendAbort|afterRequest), ")]

    def expect(self, pattern: str) -> None:
        """This trouble belongs to the test: a page not found, a network that is cut on purpose."""
        self._expected.append(re.compile(pattern))

    @property
    def problems(self) -> list[str]:
        """What was seen and not expected, in order."""
        return [line for line in self._seen if not any(pattern.search(line) for pattern in self._expected)]

    def attach(self, context: BrowserContext) -> None:
        context.on("console", self._on_console)
        context.on("weberror", lambda error: self._seen.append(f"exception: {error.error}"))
        context.on("request", self._on_request)
        context.on("response", self._on_response)

    def _on_console(self, message) -> None:
        if message.type == "error":
            self._seen.append(f"console: {message.text} ({message.location.get('url', '')})")

    def _on_request(self, request) -> None:
        address = urlsplit(request.url)
        if address.scheme in ("http", "https", "ws", "wss") and address.hostname not in (
            "localhost",
            "127.0.0.1",
        ):
            self._seen.append(f"request to another host: {request.url}")

    def _on_response(self, response) -> None:
        if response.status >= 500:
            self._seen.append(f"the server failed: {response.status} {response.url}")


@pytest.fixture
def watch():
    """The watch of this test; watch.expect("404") where the trouble is the point."""
    return Watch()


@pytest.fixture
def new_context(new_context, watch):
    """Every context a test opens is watched, and judged when the test is over."""

    def watched(**kwargs) -> BrowserContext:
        context = new_context(**kwargs)
        watch.attach(context)
        return context

    yield watched
    if watch.problems:
        pytest.fail("The pages were not clean:\n  " + "\n  ".join(watch.problems), pytrace=False)


@pytest.fixture
def sign_in(context, live_server) -> Callable[..., None]:
    """sign_in(person): the browser is theirs from now on. Another context may be named."""

    def enter(person, *, where: BrowserContext | None = None) -> None:
        client = Client()
        client.force_login(person)
        name = settings.SESSION_COOKIE_NAME
        (where or context).add_cookies([{"name": name, "value": client.cookies[name].value, "url": live_server.url}])

    return enter


@pytest.fixture(params=SCREENS.values(), ids=SCREENS.keys())
def screen(request, page) -> str:
    """The test runs on each of the four screens the pages are made for; the value is the screen's name."""
    width, height = request.param
    page.set_viewport_size({"width": width, "height": height})
    return next(name for name, size in SCREENS.items() if size == request.param)


def asked(page: Page, script: str):
    """What a script says of the page that a click led to: the click returns before the new page has taken the old one's
    place, so a script that the change cut off is asked once more, of the new page."""
    page.wait_for_load_state("load")
    try:
        return page.evaluate(script)
    except PageError:
        page.wait_for_load_state("load")
        return page.evaluate(script)


def readable(violations: list[dict]) -> str:
    """One paragraph per rule broken: what, where, why."""
    lines = []
    for rule in violations:
        lines.append(f"{rule['id']} ({rule['impact']}): {rule['help']}")
        for node in rule["nodes"]:
            reason = " ".join(node["failureSummary"].split())
            lines.append(f"    {node['html'][:160]}\n        {reason}")
    return "\n".join(lines)


@pytest.fixture
def axe() -> Callable[[Page], None]:
    """axe(page): nothing on the page, as it stands now, breaks WCAG 2.2 AA as far as a machine can tell.

    The rules run by the debugger's hand, which the content security policy does not bind: it stays on.
    """

    def check(page: Page) -> None:
        found = asked(page, f"() => {{ {AXE}\n; return axe.run(document, {json.dumps(AXE_OPTIONS)}); }}")
        if found["violations"]:
            pytest.fail(f"{page.url} is not accessible:\n{readable(found['violations'])}", pytrace=False)

    return check


@pytest.fixture
def fits() -> Callable[[Page], None]:
    """fits(page): the page as a whole does not scroll sideways."""

    def check(page: Page) -> None:
        wide, there = asked(page, "() => [document.documentElement.scrollWidth, document.documentElement.clientWidth]")
        assert wide <= there, f"{page.url} is {wide} px wide on a screen of {there} px"

    return check

"""What a browser fetches for each main page, as its first page ever: python -m tests.benchmarks.bench_weight

The demonstration on a web server as `make serve` starts it, read by Chromium with an empty store. Every byte that the
server sends is counted on its way, headers too, whoever asked for it: page, script or worker. Aims: at most 60 kB in at
most 10 requests. Told apart are

- the typefaces, which a browser fetches once and keeps, as it does the sheet and the scripts;
- "in use": what comes when a part of the page is touched that changes by itself (htmx, once, for all pages);
- "behind": what the bench run lays by for a time without network once it stands: the page again, that of the box, the
  worker. Nobody waits for it, and it is no part of the page.

Photos are not counted, their size is their own. The browser takes brotli, since the page comes from this machine, as it
would over https; over plain http in a shop's own network it takes gzip, told in a column of its own.
"""

import os
import re
import socket
import socketserver
import tempfile
import threading
import time
from dataclasses import dataclass

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.conf import settings
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from playwright.sync_api import sync_playwright

from keyboards.models import Check
from shop.models import Client as Owner
from shop.models import Estimate, Person
from tests.benchmarks.figures import tell
from tests.browser.conftest import find_chromium
from tests.load import serving


def pages() -> dict[str, str]:
    """The main pages of the demonstration."""
    check = Check.objects.filter(closed_at__isnull=False).order_by("pk")[0]
    opened = Check.objects.filter(closed_at__isnull=True).first()
    job, client = check.job, Owner.objects.earliest("pk")
    return {
        **{place: reverse(place) for place in ("counter", "bench", "queue", "office", "records", "bill_list")},
        "sign in": reverse("sign_in"),
        "set": reverse("job_detail", args=[job.number]),
        "estimate": reverse("estimate_detail", args=[Estimate.objects.latest("pk").number]),
        "sheet": reverse("check_detail", args=[job.number, check.pk]),
        "advice": reverse("advice", args=[job.number]),
        "instrument": reverse("instrument_detail", args=[job.instrument_id]),
        "client": reverse("client_detail", args=[client.pk]),
        "materials": reverse("material_list"),
        **({"bench run": reverse("check_run", args=[opened.pk])} if opened else {}),
    }


class Relay(socketserver.ThreadingTCPServer):
    """Stands between browser and server and counts. `port` is the server's; with `plain` no brotli is asked for."""

    daemon_threads = True

    def __init__(self, port: int) -> None:
        super().__init__(("127.0.0.1", 0), Counter)
        self.port, self.plain = port, False
        self.seen: list[tuple[str, str, int]] = []  # path, what for, bytes
        self.open = 0

    def since(self, begun: int) -> list[tuple[str, str, int]]:
        """What came after the first `begun`, once nothing has been under way for a moment."""
        quiet = 0
        while quiet < 5:
            time.sleep(0.05)
            quiet = 0 if self.open else quiet + 1
        return [one for one in self.seen[begun:] if "/photos/" not in one[0]]


class Counter(socketserver.BaseRequestHandler):
    """One request: the server ends the connection after each."""

    server: Relay

    def handle(self) -> None:
        head = b""
        while b"\r\n\r\n" not in head:
            more = self.request.recv(65536)
            if not more:
                return  # a connection opened to be on the safe side
            head += more
        self.server.open += 1
        try:
            self.pass_on(head)
        except OSError:
            pass  # the browser has left the page
        finally:
            self.server.open -= 1

    def pass_on(self, head: bytes) -> None:
        if self.server.plain:
            head = re.sub(rb"(?i)accept-encoding: [^\r]*", b"Accept-Encoding: gzip, deflate", head)
        purpose = re.search(rb"(?i)sec-fetch-dest: (\S+)", head)
        came = 0
        with socket.create_connection(("127.0.0.1", self.server.port)) as wire:
            wire.sendall(head)
            while part := wire.recv(65536):
                came += len(part)
                self.request.sendall(part)
        self.server.seen.append((head.split()[1].decode(), purpose[1].decode() if purpose else "", came))


@dataclass
class Weight:
    """A page's requests and their bytes: to stand there, to be used, and for later."""

    page: list[tuple[str, int]]
    use: list[tuple[str, int]]
    behind: list[tuple[str, int]]

    @property
    def faces(self) -> list[tuple[str, int]]:
        return [one for one in self.page if one[0].endswith(".woff2")]


def kilobytes(requests: list[tuple[str, int]]) -> float:
    return sum(size for _, size in requests) / 1000


def weigh(browser, relay: Relay, path: str, session: str) -> Weight:
    """What came for one page in a browser that has nothing yet."""
    address = f"http://127.0.0.1:{relay.server_address[1]}"
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    if session:
        context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": address}])
    page = context.new_page()
    begun = len(relay.seen)
    page.goto(address + path, wait_until="networkidle")
    stood = relay.since(begun)
    begun = len(relay.seen)
    part = page.locator(":is([hx-get], [hx-post]):visible")
    if part.count():
        part.first.dispatch_event("pointerdown")
    used = relay.since(begun)
    context.close()
    fetched_by_script = ("empty", "serviceworker")
    return Weight(
        page=[(name, size) for name, purpose, size in stood if purpose not in fetched_by_script],
        use=[(name, size) for name, _, size in used],
        behind=[(name, size) for name, purpose, size in stood if purpose in fetched_by_script],
    )


def main() -> None:
    call_command("migrate", verbosity=0, skip_checks=True)
    call_command("collectstatic", verbosity=0, interactive=False, skip_checks=True)
    call_command("demo", verbosity=0, skip_checks=True)
    signed_in = Client()
    signed_in.force_login(Person.objects.get(username="maren"))
    session = signed_in.cookies[settings.SESSION_COOKIE_NAME].value
    rows: dict[str, Weight] = {}
    plain: dict[str, float] = {}
    titles = ("kB", "page alone", "faces", "requests", "of faces", "in use", "behind", "gzip alone")
    print(f"{'':14}" + "".join(f"{title:>12}" for title in titles))
    with serving() as (port, _said), sync_playwright() as play, Relay(port) as relay:
        threading.Thread(target=relay.serve_forever, daemon=True).start()
        browser = play.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
        for title, path in pages().items():
            who = "" if title == "sign in" else session
            relay.plain = True
            plain[title] = kilobytes(weigh(browser, relay, path, who).page)
            relay.plain = False
            got = rows[title] = weigh(browser, relay, path, who)
            alone = kilobytes([one for one in got.page if one[0] == path])
            figures = (kilobytes(got.page), alone, kilobytes(got.faces))
            print(
                f"{title:14}" + "".join(f"{figure:>12.1f}" for figure in figures) + f"{len(got.page):>12}"
                f"{len(got.faces):>12}{kilobytes(got.use):>12.1f}{kilobytes(got.behind):>12.1f}{plain[title]:>12.1f}"
            )
        browser.close()
        relay.shutdown()
    heaviest = max(rows.values(), key=lambda got: kilobytes(got.page))
    for name, size in sorted(heaviest.page, key=lambda one: -one[1]):
        print(f"  {size / 1000:>7.1f} kB  {name}")
    tell("heaviest page, all of it, compressed", kilobytes(heaviest.page), 60, " kB")
    tell("heaviest page, over plain http", max(plain.values()), 60, " kB")
    tell(
        "heaviest page once a part of it is used",
        max(kilobytes(got.page + got.use) for got in rows.values()),
        60,
        " kB",
    )
    bare = max(kilobytes(got.page) - kilobytes(got.faces) for got in rows.values())
    tell("heaviest page without typefaces, compressed", bare, 60, " kB")
    tell("most requests of a page", max(len(got.page) for got in rows.values()), 10)
    tell("most requests of a page without typefaces", max(len(got.page) - len(got.faces) for got in rows.values()), 10)


if __name__ == "__main__":
    main()

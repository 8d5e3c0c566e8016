"""What a browser fetches for each main page, as its first page ever: python -m tests.benchmarks.bench_weight

The demonstration on a web server as `make serve` starts it, read by Chromium with an empty store. Aims: at most 60 kB
over the wire in at most 10 requests. Typefaces, which a browser fetches once and keeps, are told apart; photos are not
counted, their size is their own.
"""

import os
import tempfile

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


def fetched(browser, address: str, session: str) -> dict[str, int]:
    """What came over the wire for one page in a browser that has nothing yet: bytes of each address."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    if session:
        context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": session, "url": address}])
    page = context.new_page()
    wire = context.new_cdp_session(page)
    names: dict[str, str] = {}
    sizes: dict[str, int] = {}
    wire.on("Network.requestWillBeSent", lambda told: names.update({told["requestId"]: told["request"]["url"]}))
    wire.on(
        "Network.loadingFinished",
        lambda told: sizes.update({names.get(told["requestId"], "?"): int(told["encodedDataLength"])}),
    )
    wire.send("Network.enable")
    page.goto(address, wait_until="networkidle")
    context.close()
    return {name: size for name, size in sizes.items() if "/photos/" not in name and not name.startswith("data:")}


def main() -> None:
    call_command("migrate", verbosity=0, skip_checks=True)
    call_command("collectstatic", verbosity=0, interactive=False, skip_checks=True)
    call_command("demo", verbosity=0, skip_checks=True)
    signed_in = Client()
    signed_in.force_login(Person.objects.get(username="maren"))
    session = signed_in.cookies[settings.SESSION_COOKIE_NAME].value
    rows = []
    print(f"{'':20}{'kB':>8}{'page alone':>12}{'faces':>8}{'requests':>10}{'of faces':>10}")
    with serving() as (port, _said), sync_playwright() as play:
        browser = play.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
        for title, path in pages().items():
            address = f"http://127.0.0.1:{port}{path}"
            got = fetched(browser, address, "" if title == "sign in" else session)
            faces = [size / 1000 for name, size in got.items() if name.endswith(".woff2")]
            total, page = sum(got.values()) / 1000, got.get(address, 0) / 1000
            print(f"{title:20}{total:>8.1f}{page:>12.1f}{sum(faces):>8.1f}{len(got):>10}{len(faces):>10}")
            rows.append((total, total - sum(faces), len(got) - len(faces), got))
        browser.close()
    heaviest = max(rows, key=lambda row: row[0])
    for name, size in sorted(heaviest[3].items(), key=lambda item: -item[1]):
        print(f"  {size / 1000:>7.1f} kB  {name.partition(str(port))[2]}")
    tell("heaviest page, all of it, compressed", heaviest[0], 60, " kB")
    tell("heaviest page without typefaces, compressed", max(row[1] for row in rows), 60, " kB")
    tell("most requests of a page", max(len(row[3]) for row in rows), 10)
    tell("most requests of a page without typefaces", max(row[2] for row in rows), 10)


if __name__ == "__main__":
    main()

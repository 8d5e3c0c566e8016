"""One set through the whole shop in a real browser: logged in, read, advised, priced, agreed, worked, proved, gone."""

import csv
import io
import re

import pytest
from django.core import mail
from django.utils import timezone
from playwright.sync_api import Page, expect

from keyboards.core.keys import Compass
from keyboards.management.demo import readings
from keyboards.management.demo.shop import HALL
from shop.models import Job, Lot, Material, Role
from shop.workflow.opening import open_shop
from tests.factories import make_person

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "long enough for a test"


def as_csv(rows: list[readings.KeyRead]) -> bytes:
    """88 keys as the program's own file: key,quantity,value,unit,finding,severity,note."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["key", "quantity", "value", "unit", "finding", "severity", "note"])
    for row in rows:
        for quantity, value in row.values.items():
            unit = "deg" if quantity in ("skew", "splay") else "mm"
            writer.writerow([row.key, quantity, value, unit, "", "", ""])
        for finding, severity in row.findings.items():
            writer.writerow([row.key, "", "", "", finding, severity, ""])
    return out.getvalue().encode()


class Shop:
    """A browser at the shop's computer: whoever signs in last is at it."""

    def __init__(self, page: Page, address: str):
        self.page, self.address = page, address

    def go(self, path: str) -> None:
        answer = self.page.goto(f"{self.address}{path}")
        assert answer is not None
        assert answer.status == 200, path

    def sign_in(self, username: str) -> None:
        self.page.context.clear_cookies()
        self.go("/sign-in/")
        self.page.fill("[name=username]", username)
        self.page.fill("[name=password]", PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()
        expect(self.page.locator("nav.places")).to_be_visible()

    def press(self, name: str | re.Pattern[str]) -> None:
        self.page.get_by_role("button", name=name).first.click()

    def follow(self, name: str | re.Pattern[str]) -> None:
        self.page.get_by_role("link", name=name).first.click()

    def check(self, job: Job, kind: str, rows: list[readings.KeyRead]) -> None:
        """Begins a check of this kind, reads every key by a file, closes it."""
        page = self.page
        self.go(f"/jobs/{job.tag}/checks/new/?kind={kind}")
        page.fill("[name=humidity]", "50")
        page.fill("[name=temperature]", "20")
        measured = {quantity for row in rows for quantity in row.values}
        for box in page.locator("[name=quantities]").all():
            box.set_checked(box.get_attribute("value") in measured)
        page.locator("main form .btn-main").first.click()
        expect(page.locator(".sheet")).to_be_visible()
        check = page.url.rstrip("/").split("/")[-1]
        self.go(f"/jobs/{job.tag}/checks/{check}/file/")
        page.set_input_files(
            "input[type=file]", {"name": "readings.csv", "mimeType": "text/csv", "buffer": as_csv(rows)}
        )
        page.locator("main form .btn-main").first.click()
        expect(page.locator("main")).to_contain_text(re.compile("88"))
        page.locator("main form .btn-main").first.click()
        self.go(f"/jobs/{job.tag}/checks/{check}/")
        self.go(f"/jobs/{job.tag}/checks/{check}/close/")
        page.locator("main form .btn-main").first.click()


def say_yes(page: Page, name: str) -> None:
    """On the client's phone: to the advised option, with the name typed and the terms agreed to."""
    page.locator(".option.advised").get_by_role("link", name=re.compile("Yes|Choose")).click()
    page.fill("[name=name]", name)
    page.check("[name=terms]")
    page.get_by_role("button", name=re.compile("do this work")).click()
    expect(page.locator("main")).to_contain_text(name)


def test_a_set_goes_through_the_whole_shop(page: Page, live_server):
    open_shop(name="Journey Key Works", currency="EUR")
    for role, name in ((Role.DESK, "desk"), (Role.TECHNICIAN, "bench"), (Role.OWNER, "owner")):
        make_person(role=role, username=name, first_name=name.title(), last_name="Tester")
    cloth = Material.objects.create(kind="cloth", title="Green cloth 1.07", thickness=1070)
    Lot.objects.create(material=cloth, code="J-7")
    shop = Shop(page, live_server.url)

    # 1. Counter
    shop.sign_in("desk")
    shop.go("/counter/log-in/")
    page.fill("[name$=name]", "Thornby Village Hall")
    page.fill("[name$=email]", "hall@thornby.example")
    page.fill("[name$=maker]", "Brackwell")
    page.fill("[name$=serial]", "31 874")
    page.locator("main form .btn-main").last.click()
    expect(page.locator("h1")).to_contain_text("Thornby Village Hall")
    job = Job.objects.get()
    for paper in ("receipt.pdf", "tags.pdf"):
        assert page.request.get(f"{live_server.url}/jobs/{job.tag}/{paper}").body().startswith(b"%PDF")
    shop.follow("Count it in")
    page.fill("[name=keys]", "88")
    page.fill("[name=boxes]", "1")
    page.locator("main form .btn-main").first.click()

    # 2. Bench
    shop.sign_in("bench")
    keys = Compass()
    shop.check(job, "arrival", readings.arrival(HALL, keys, list(keys.keys)))
    job.refresh_from_db()
    assert job.stage == "estimate"
    assert job.grades.count(".") == 0

    # 3. Advice
    shop.sign_in("owner")
    shop.go(f"/jobs/{job.tag}/advice/")
    expect(page.locator("#advice")).to_contain_text("wider than the thickest stocked cloth can fill")
    shop.press("Keep the decision")
    expect(page.locator("#decide")).to_contain_text("Decided by O. Tester")
    shop.press(re.compile("Price this choice"))

    # 4. Estimate
    expect(page.locator("h1")).to_contain_text("Estimate E-0001")
    shop.go("/estimates/E-0001/")
    shop.go("/estimates/E-0001/send/")
    page.locator("[name=to]").fill("hall@thornby.example")
    shop.press("Send it")
    letter = mail.outbox[-1]
    assert letter.to == ["hall@thornby.example"]
    link = re.search(r"/estimate/[\w-]{30,}/", letter.body)
    assert link is not None
    page.context.clear_cookies()
    page.set_viewport_size({"width": 390, "height": 844})
    shop.go(link.group(0))
    say_yes(page, "B. Ashgrove")
    page.set_viewport_size({"width": 1280, "height": 900})
    job.refresh_from_db()
    assert job.stage == "strip"

    # 5. Route
    shop.sign_in("bench")
    while job.stage not in ("final_check", ""):
        stage = job.stages.get(kind=job.stage)
        if stage.kind == "stripped_check":
            shop.check(job, "stripped", readings.stripped(HALL, keys, list(keys.keys)))
        else:
            job.stages.filter(ready_at__isnull=False).update(ready_at=timezone.now())  # it is dry by the next morning
            shop.go(f"/jobs/{job.tag}/stages/{stage.pk}/")
            shop.press(re.compile("Take it in hand"))
            if stage.kind == "cloth":
                page.select_option("[name=lot]", index=1)
                page.get_by_role("button", name="Add to this set").click()
            shop.press(re.compile("This stage is done"))
        job.refresh_from_db()
    pack = job.stages.get(kind="pack")
    shop.go(f"/jobs/{job.tag}/stages/{pack.pk}/")
    expect(page.get_by_role("button", name="Counted and packed")).to_have_count(0)
    shop.check(job, "final", readings.final(HALL, keys, list(keys.keys)))
    job.refresh_from_db()
    assert job.stage == "pack"

    # 6. Report
    answer = page.request.get(f"{live_server.url}/jobs/{job.tag}/handoff.pdf")
    assert answer.status == 200
    assert answer.body().startswith(b"%PDF")

    # Out
    shop.sign_in("desk")
    shop.go(f"/jobs/{job.tag}/stages/{pack.pk}/")
    page.fill("[name=keys]", "88")
    page.fill("[name=boxes]", "1")
    shop.press("Counted and packed")
    leave = job.stages.get(kind="leave")
    shop.go(f"/jobs/{job.tag}/stages/{leave.pk}/")
    page.fill("[name=left_with]", "B. Ashgrove")
    shop.press("It has left the shop")
    job.refresh_from_db()
    assert job.left_at is not None

    # 7. Records
    shop.go("/records/?q=31874")
    shop.follow("Thornby Village Hall")
    shop.follow(re.compile("Brackwell upright"))
    expect(page.locator("main")).to_contain_text(job.tag)
    expect(page.locator("main")).to_contain_text("J-7")

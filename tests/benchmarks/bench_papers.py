"""What papers, photos and the sheet cost beyond what they cannot do without: python -m tests.benchmarks.bench_papers

Estimate and hand-off report beside WeasyPrint alone on the finished HTML; a report with 24 photos beside the print of
the same HTML by Chromium; a photo of 12 megapixels sent by a tablet beside its decoding and encoding alone; the sheet
of 88 keys beside a signed-in page that shows nothing.
"""

import io
import os
import random
import tempfile
import time
import uuid
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image, ImageFilter
from weasyprint import HTML
from weasyprint.text.fonts import FontConfiguration

from keyboards.documents import handoff
from keyboards.images import reencode
from keyboards.models import CheckKind
from keyboards.workflow.opening import open_trade
from keyboards.workflow.photos import photo_add
from shop.documents.estimate import estimate_html
from shop.documents.pdf import OurFiles, render_pdf
from shop.models import Estimate, Job, Role
from shop.workflow.opening import open_shop
from tests.benchmarks.figures import in_turns, tell
from tests.factories import make_check, make_draft, make_job, make_person, make_readings

WHOLE = {"balance_mortise_width": 5600, "front_mortise_width": 5600, "balance_pin": 3700, "front_pin": 3700}
WHOLE |= {"side_play": 480, "dip": 9800, "level": 30, "skew": 100}
CLOTHED = WHOLE | {"balance_mortise_width": 3740, "front_mortise_width": 3780}


def camera_photo(seed: int) -> bytes:
    """12 megapixels as a telephone's camera makes them: shapes, a soft noise, a few megabytes of JPEG."""
    chance = random.Random(seed)
    noise = Image.effect_noise((800, 600), 60).resize((4000, 3000), Image.Resampling.BICUBIC)
    grain = Image.effect_noise((4000, 3000), 12)
    tint = Image.new("RGB", (4000, 3000), tuple(chance.randint(60, 200) for _ in range(3)))
    picture = Image.blend(Image.merge("RGB", (noise, noise.filter(ImageFilter.GaussianBlur(3)), grain)), tint, 0.6)
    written = io.BytesIO()
    picture.save(written, "JPEG", quality=90)
    return written.getvalue()


def a_finished_set(owner, photos: list[bytes]) -> Job:
    """88 keys read at the arrival and at the final check, with an agreed estimate and those photos."""
    job = make_job()
    for kind, values in ((CheckKind.ARRIVAL, WHOLE), (CheckKind.FINAL, CLOTHED)):
        check = make_check(job=job, kind=kind, closed=True, quantities=list(values))
        make_readings(
            check=check,
            grade=0,
            **{name: [value + key * 7 % 60 for key in range(88)] for name, value in values.items()},
        )
    for number, photo in enumerate(photos):
        photo_add(job=job, data=photo, by=owner, key=number + 1 if number > 2 else None, caption=f"Photo {number + 1}")
    return Job.objects.for_lists().get(pk=job.pk)


def weasyprint_alone(html: str) -> bytes:
    """The library on the finished HTML, as its manual calls it."""
    base = f"{Path(settings.STATICFILES_DIRS[0]).resolve().as_uri()}/"
    return HTML(string=html, base_url=base, url_fetcher=OurFiles()).write_pdf(
        font_config=FontConfiguration(), pdf_variant="pdf/ua-1"
    )


def papers(owner) -> None:
    estimate = Estimate.objects.with_lines().get(pk=make_draft(by=owner).pk)
    plain = a_finished_set(owner, [])
    pages = {
        "estimate": (lambda: render_pdf(estimate_html(estimate)), estimate_html(estimate)),
        "hand-off report": (
            lambda: handoff.handoff(plain),
            render_to_string("documents/handoff.html", handoff.context_of(plain, "mm")),
        ),
    }
    for title, (ours, html) in pages.items():
        here, alone = in_turns(ours, lambda html=html: weasyprint_alone(html), runs=5)
        print(f"{title}: {here:.0f} ms, WeasyPrint alone {alone:.0f} ms")
        tell(f"{title} as PDF / WeasyPrint alone on the finished HTML", here / alone, 1.15)


def report_with_photos(owner, photos: list[bytes]) -> None:
    from playwright.sync_api import sync_playwright

    from tests.browser.conftest import find_chromium

    job = a_finished_set(owner, photos)
    html = render_to_string("documents/handoff.html", handoff.context_of(job, "mm"))
    media, static = Path(settings.MEDIA_ROOT).resolve().as_uri(), Path(settings.STATICFILES_DIRS[0]).resolve().as_uri()
    page_html = html.replace("media:", f"{media}/").replace("<head>", f'<head><base href="{static}/">', 1)
    page_file = Path(settings.DATA_DIR) / "report.html"
    page_file.write_text(page_html)
    size = len(handoff.handoff(job))
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])

        def printed() -> bytes:
            page = browser.new_page()
            page.goto(page_file.as_uri())
            paper = page.pdf(format="A4", print_background=True, tagged=True)
            page.close()
            return paper

        theirs = printed()
        here, there = in_turns(lambda: handoff.handoff(job), printed, runs=5)
        browser.close()
    begun = time.process_time()
    handoff.handoff(job)
    cpu = time.process_time() - begun  # which a busy machine draws out less
    print(
        f"report with {len(photos)} photos: {here:.0f} ms, {size / 1e6:.1f} MB; printed by Chromium {there:.0f} ms, ",
        end="",
    )
    print(f"{len(theirs) / 1e6:.1f} MB; seconds of one core: {cpu:.1f}")
    tell("report with 24 photos / Chromium's print of the same HTML", here / there, 0.8)
    tell("report with 24 photos", here / 1000, 2, " s")
    tell("report with 24 photos, size", size / 1e6, 10, " MB")


def photo_upload(browser: Client, check, photo: bytes) -> None:
    address = reverse("photo_send", args=[check.pk])

    def sent() -> None:
        file = SimpleUploadedFile("photo.jpg", photo, "image/jpeg")
        fields = {"op": str(uuid.uuid4()), "key": "40", "taken_at": timezone.now().isoformat(), "photo": file}
        assert browser.post(address, fields).json()["kept"]

    here, alone = in_turns(sent, lambda: reencode(photo), runs=9)
    print(f"a photo of {len(photo) / 1e6:.1f} MB: kept in {here:.0f} ms, decoded and encoded alone {alone:.0f} ms")
    tell("photo upload / Pillow's decoding and encoding alone", here / alone, 1.3)


def sheet(browser: Client, check) -> None:
    whole, floor = reverse("check_detail", args=[check.job.number, check.pk]), reverse("box_contents")
    here, alone = in_turns(lambda: browser.get(whole), lambda: browser.get(floor), runs=40)
    print(f"sheet of 88 keys {here:.1f} ms, a signed-in page that shows nothing {alone:.1f} ms")
    tell("sheet of 88 keys / a signed-in page that shows nothing", here / alone, 8)


def main() -> None:
    call_command("migrate", verbosity=0, skip_checks=True)
    call_command("collectstatic", verbosity=0, interactive=False, skip_checks=True)
    open_shop(name="Measuring")
    open_trade()
    owner = make_person(role=Role.OWNER)
    browser = Client(headers={"host": "127.0.0.1"})
    browser.force_login(owner)
    photos = [camera_photo(seed) for seed in range(4)]
    job = a_finished_set(owner, [])
    opened = make_check(job=make_job(), by=owner)
    make_readings(check=opened, grade=0, balance_mortise_width=5600, balance_pin=3700)
    sheet(browser, job.checks.get(kind=CheckKind.ARRIVAL))
    photo_upload(browser, opened, photos[0])
    papers(owner)
    report_with_photos(owner, [photos[number % len(photos)] for number in range(24)])


if __name__ == "__main__":
    main()

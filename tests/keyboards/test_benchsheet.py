"""The bench sheet: one sheet with what, which keys, by which figures and with which cautions."""

import io
import subprocess

import pytest
import zxingcpp
from django.urls import reverse
from django.utils import timezone
from PIL import Image
from pypdf import PdfReader
from weasyprint import HTML

from keyboards.drafting import SIZES
from keyboards.models import Drawing
from shop.documents.codes import job_address, job_code
from shop.models import STAGE_TITLES, Guide, Paper, Tick
from shop.workflow.estimates import estimate_accept
from tests.factories import make_check, make_job, make_person, make_readings, make_sent, make_workshop
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]


def words_of(client, job):
    reader = PdfReader(io.BytesIO(client.get(reverse("bench_sheet", args=[job.number])).content))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split()), len(reader.pages)


@pytest.fixture
def technician(client):
    person = make_person()
    client.force_login(person)
    return person


def test_a_set_with_agreed_work_has_all_of_it_on_one_sheet(client, technician, quick_paper):
    estimate = make_sent(job=make_job(wishes="Quiet keys.", missing=[3], boxes=2))
    job = estimate.job
    estimate_accept(estimate, option=estimate.options.get(letter="B"), name="Ilse Varga")
    words, pages = words_of(client, job)
    assert pages <= 2
    for said in (
        job.tag,
        "87 keys, 2 boxes",
        "MISSING: 3 B0",
        "Quiet keys.",
        "bass 1–26",
        "Side play",
        "New bushing cloth",
    ):
        assert said in words, said
    assert "Take care" in words


def test_without_a_yes_the_sheet_says_that_nothing_is_agreed(client, technician):
    words, _pages = words_of(client, make_job())
    assert "Nothing is agreed with the client yet" in words


@pytest.mark.parametrize("paper", [Paper.A4, Paper.LETTER])
def test_a_worn_set_with_drawn_buttons_fits_both_sides_of_a_sheet(client, technician, paper):
    make_workshop(paper=paper)
    job = make_job()
    check = make_check(job=job, kind="stripped", closed=True)
    make_readings(
        check=check,
        button_length=40_000,
        button_width=13_000,
        button_height=8_000,
        balance_mortise_width=5_600,
        skew=[key // 30 * 1500 for key in range(88)],
        grade=2,
    )
    client.post(reverse("drawing_new", args=[job.number]), {"unit": "mm"})
    words, pages = words_of(client, job)
    assert pages <= 2
    assert "Buttons, drawing 1 of" in words


def test_however_much_there_is_it_is_never_more_than_both_sides_of_a_sheet(client, technician):
    make_workshop(paper=Paper.LETTER)  # the lower paper
    estimate = make_sent(job=make_job(wishes="Quiet keys. " * 150, missing=list(range(1, 88, 3))))
    job = estimate.job
    estimate_accept(estimate, option="B", name="Ilse Varga")
    group = dict.fromkeys((*SIZES, "mortise_width"), 10.0) | {"spares": 1}
    groups = [{**group, "length": 40 + key / 10, "keys": [key]} for key in range(1, 71)]
    contents = {"keys": [], "follows": "rail", "mortise_length": 14, "blank": 300, "kerf": 2, "groups": groups}
    Drawing.objects.create(job=job, version=1, made_at=timezone.now(), made_by=technician, contents=contents)
    for kind, _title in STAGE_TITLES.items():
        Guide.objects.update_or_create(kind=kind, defaults={"steps": "\n".join(f"step {n} of it" for n in range(6))})
    words, pages = words_of(client, job)
    assert pages <= 2
    assert "Take care" in words
    assert "more groups: see the drawing" in words


def test_the_steps_of_each_stages_guide_are_there_to_be_ticked_and_the_cloth_to_be_cut(client, technician):
    estimate = make_sent()
    estimate_accept(estimate, option="B", name="Ilse Varga")
    stage = estimate.job.stages.get(kind="cloth")
    Tick.objects.create(stage=stage, step="Trial key fitted before the rest", by=technician, at=timezone.now())
    words, _pages = words_of(client, estimate.job)
    assert "✓ Trial key fitted before the rest" in words
    assert "Cauls in, and their time written down" in words
    assert "Cloth to cut" in words
    assert "Then 12 h to dry" in words
    check = make_check(job=estimate.job, kind="final", closed=True, quantities=["side_play"])
    make_readings(check=check, side_play=[2_500 if key in (12, 57) else 450 for key in range(1, 89)], grade=0)
    words, _pages = words_of(client, estimate.job)
    assert "After the final check, these keys alone: 12, 57" in words
    assert "Cloth to cut" not in words  # all 88 keys' cloth
    stage.state = "skipped"
    stage.save()
    words, _pages = words_of(client, estimate.job)
    assert "Trial key" not in words


def test_the_code_on_it_is_read_back_as_the_address_of_the_set(technician):
    """Read by ZXing, a decoder of its own (ISO/IEC 18004)."""
    job = make_job()
    page = HTML(string=f'<style>@page{{size:60mm;margin:0}}img{{width:60mm}}</style><img src="{job_code(job)}">')
    pdf = page.write_pdf()
    assert pdf.startswith(b"%PDF")
    picture = _rasterised(pdf)
    (found,) = zxingcpp.read_barcodes(picture)
    assert found.text == job_address(job)


def _rasterised(pdf):
    done = subprocess.run(
        ["pdftoppm", "-r", "150", "-png", "-singlefile", "-"], input=pdf, capture_output=True, check=True
    )
    return Image.open(io.BytesIO(done.stdout))


@pytest.mark.once
def test_the_page_climbs_the_ladder():
    job = make_job()
    climb("bench_sheet", job.number)
    gone("bench_sheet", 999)

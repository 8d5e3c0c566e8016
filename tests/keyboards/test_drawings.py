"""Drawings to cut buttons from: true to size on paper, sound for a machine, marked when a reading changes."""

import csv
import io
import math
from itertools import pairwise

import ezdxf
import pytest
from django.urls import reverse
from pypdf import PdfReader
from pypdf.generic import ContentStream

from keyboards import drafting
from keyboards.documents.drawing import drawing_pdf
from keyboards.drawing.button import corners
from keyboards.models import Assumptions, Drawing, KeyReading
from shop.models import Event, Paper, Role
from tests.factories import make_check, make_job, make_person, make_readings, make_workshop
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]

MM = 72 / 25.4


# --- a reader of what stands on the paper ---


def _times(a, b):
    return (
        a[0] * b[0] + a[1] * b[2],
        a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2],
        a[2] * b[1] + a[3] * b[3],
        a[4] * b[0] + a[5] * b[2] + b[4],
        a[4] * b[1] + a[5] * b[3] + b[5],
    )


def paths_on(pdf):
    """Every stroked path of a PDF as lists of points in mm, y upwards, page by page."""
    reader = PdfReader(io.BytesIO(pdf))
    pages = []
    for page in reader.pages:
        found = []
        _walk(page.get_contents(), page["/Resources"], (1, 0, 0, 1, 0, 0), found, reader)
        pages.append(found)
    return pages


def _walk(stream, resources, matrix, found, reader):
    if not isinstance(stream, ContentStream):
        stream = ContentStream(stream, reader)
    stack, current, subpaths = [], [], []

    def put(x, y):
        px = x * matrix[0] + y * matrix[2] + matrix[4]
        py = x * matrix[1] + y * matrix[3] + matrix[5]
        current.append((px / MM, py / MM))

    for operands, operator in stream.operations:
        name = operator.decode() if isinstance(operator, bytes) else operator
        numbers = [float(one) for one in operands] if name in ("cm", "m", "l", "re") else []
        if name == "q":
            stack.append(matrix)
        elif name == "Q":
            matrix = stack.pop()
        elif name == "cm":
            matrix = _times(numbers, matrix)
        elif name == "m":
            if current:
                subpaths.append(current)
            current = []
            put(*numbers)
        elif name == "l":
            put(*numbers)
        elif name == "h" and current:
            current.append(current[0])
        elif name in ("S", "s", "B", "f", "n", "F", "f*", "B*"):
            subpaths.append(current)
            if name in ("S", "s", "B", "B*"):
                found.extend(one for one in subpaths if len(one) > 1)
            current, subpaths = [], []
        elif name == "Do":
            thing = resources["/XObject"][operands[0]].get_object()
            if thing["/Subtype"] == "/Form":
                inner = _times([float(one) for one in thing.get("/Matrix", (1, 0, 0, 1, 0, 0))], matrix)
                _walk(thing, thing.get("/Resources", resources), inner, found, reader)


def boxes(paths):
    """Upright rectangles among the paths: (width, height) in mm."""
    out = []
    for path in paths:
        if len(path) == 5 and math.dist(path[0], path[-1]) < 1e-6:
            xs, ys = [x for x, _y in path], [y for _x, y in path]
            if len({round(x, 4) for x in xs}) == 2 and len({round(y, 4) for y in ys}) == 2:
                out.append((max(xs) - min(xs), max(ys) - min(ys)))
    return out


# --- a set to draw ---


@pytest.fixture
def technician(client):
    person = make_person(first_name="Rosa", last_name="Amsel")
    client.force_login(person)
    return person


@pytest.fixture
def job(technician):
    """26 keys: all 40 by 13 by 8 mm; the mortise 5.6 mm wide, square for ten keys, turned by 3 degrees for the rest."""
    job = make_job(count=26)
    check = make_check(job=job, kind="stripped", closed=True, by=technician)
    make_readings(
        check=check,
        button_length=40_000,
        button_width=13_000,
        button_height=8_000,
        slot_length=14_000,
        balance_mortise_width=5_600,
        balance_pin=3_700,
        skew=[0] * 10 + [3_000] * 16,
        mortise_offset=[0] * 10 + [400] * 16,
        grade=3,
    )
    return job


def draw(client, job, **asked):
    client.post(reverse("drawing_new", args=[job.number]), {"unit": "mm", **asked})
    return Drawing.objects.filter(job=job).first()


def test_a_drawing_keeps_what_the_spec_says(client, job):
    drawing = draw(client, job)
    first, second = drawing.contents["groups"]
    assert (first["length"], first["width"], first["height"], first["mortise_width"]) == (40, 13, 8, 5.6)
    assert (first["skew"], second["skew"]) == (0, 3)
    assert (first["keys"], second["keys"]) == (list(range(1, 11)), list(range(11, 27)))
    assert (first["offset"], second["offset"]) == (0, 0.4)
    assert (first["spares"], second["spares"]) == (1, 1)
    assert Event.objects.filter(what="drawing_made", job=job).count() == 1


def test_the_same_spec_makes_no_second_version(client, job):
    assert draw(client, job) == draw(client, job)
    assert draw(client, job, mortise_length="15").version == 2


@pytest.mark.parametrize("paper", [Paper.A4, Paper.LETTER])
def test_on_paper_a_button_is_as_large_as_it_will_be_cut(client, job, paper):
    make_workshop(paper=paper)
    drawing = draw(client, job)
    (standing,) = drafting.standings(job, "mm")
    paths = [path for page in paths_on(drawing_pdf(standing, "mm")) for path in page]
    found = boxes(paths)

    def there(width, height):
        return [one for one in found if one == (pytest.approx(width, abs=0.05), pytest.approx(height, abs=0.05))]

    assert len(there(13, 40)) == 2  # the plan of each group
    assert len(there(8, 40)) == 2  # its side
    assert len(there(13, 8)) == 2  # its end
    bars = [path for path in paths if len(path) == 2 and abs(path[0][1] - path[1][1]) < 1e-6]
    lengths = [abs(path[1][0] - path[0][0]) for path in bars]
    assert any(length == pytest.approx(100, abs=0.05) for length in lengths)
    assert any(length == pytest.approx(50.8, abs=0.05) for length in lengths)
    assert drawing.version == 1


def test_on_paper_the_mortise_is_turned_to_its_skew_and_off_the_middle(client, job):
    draw(client, job)
    (standing,) = drafting.standings(job, "mm")
    paths = [path for page in paths_on(drawing_pdf(standing, "mm")) for path in page]
    turned = [path for path in paths if len(path) == 5 and (13, 40) not in [tuple(path[0])]]
    mortises = []
    for path in turned:
        sides = sorted(math.dist(a, b) for a, b in pairwise(path))
        if sides[0] == pytest.approx(5.6, abs=0.05) and sides[-1] == pytest.approx(14, abs=0.05):
            long = max(pairwise(path), key=lambda pair: math.dist(*pair))
            (ax, ay), (bx, by) = sorted(long, key=lambda point: -point[1])  # from the top to the playing end below
            mortises.append((math.degrees(math.atan2(bx - ax, ay - by)), sum(x for x, _y in path[:4]) / 4))
    assert sorted(angle for angle, _x in mortises) == [pytest.approx(0, abs=0.05), pytest.approx(3, abs=0.05)]
    plans = [path for path in paths if boxes([path]) == [(pytest.approx(13, abs=0.05), pytest.approx(40, abs=0.05))]]
    middles = sorted(sum(x for x, _y in path[:4]) / 4 for path in plans)
    offs = sorted(x for _angle, x in mortises)
    assert offs[1] - middles[1] == pytest.approx(0.4, abs=0.05) or offs[0] - middles[0] == pytest.approx(0.4, abs=0.05)


def test_the_paper_says_what_must_be_said(client, job):
    draw(client, job)
    answer = client.get(reverse("drawing_paper", args=[job.number, 1]))
    assert answer["Content-Type"] == "application/pdf"
    reader = PdfReader(io.BytesIO(answer.content))
    words = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    wanted = ("Check against the original key before cutting", "Drawing 1 of", "Keys 11–26", "Saws and machines")
    for said in (*wanted, "Group 2"):
        assert said in words, said
    assert "OUT OF DATE" not in words
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]


def test_the_same_version_makes_the_same_bytes(client, job):
    draw(client, job)
    for name in ("drawing_paper", "drawing_file", "drawing_list"):
        address = reverse(name, args=[job.number, 1])
        assert client.get(address).content == client.get(address).content, name


# --- for a machine: read back by ezdxf, the library that made it, and audited by it ---


def test_the_file_for_a_machine_is_sound_and_true_to_size(client, job):
    draw(client, job)
    text = client.get(reverse("drawing_file", args=[job.number, 1])).content.decode()
    document = ezdxf.read(io.StringIO(text))
    auditor = document.audit()
    assert not auditor.has_errors
    assert document.units == ezdxf.units.MM
    assert set(drafting.LAYERS) <= {layer.dxf.name for layer in document.layers}
    space = document.modelspace()
    outlines = [list(line.get_points("xy")) for line in space.query('LWPOLYLINE[layer=="OUTLINE"]')]
    assert len(outlines) == 2
    for points in outlines:
        assert math.dist(points[0], points[1]) == pytest.approx(13)
        assert math.dist(points[1], points[2]) == pytest.approx(40)
    angles = []
    for line in space.query('LWPOLYLINE[layer=="MORTISE"]'):
        points = [tuple(point) for point in line.get_points("xy")]
        assert line.closed
        sides = [math.dist(a, b) for a, b in zip(points, [*points[1:], points[0]], strict=True)]
        assert sorted(sides) == [pytest.approx(one) for one in (5.6, 5.6, 14, 14)]
        ends = max(zip(points, [*points[1:], points[0]], strict=True), key=lambda pair: math.dist(*pair))
        (ax, ay), (bx, by) = sorted(ends, key=lambda point: -point[1])
        angles.append(math.degrees(math.atan2(bx - ax, ay - by)))
    assert sorted(angles) == [pytest.approx(0, abs=1e-6), pytest.approx(3, abs=1e-6)]
    notes = [text.dxf.text for text in space.query("TEXT")]
    assert any("CHECK AGAINST THE ORIGINAL KEY" in note for note in notes)
    assert all(note.isascii() for note in notes)
    assert any("width +/- 0.1 mm" in note for note in notes)
    assert any("an angle is plus where the playing end leans to the treble" in note for note in notes)
    sections = [
        sorted(round(math.dist(*pair), 6) for pair in pairwise(list(line.get_points("xy"))))
        for line in space.query('LWPOLYLINE[layer=="SECTION"]')
    ]
    assert sections.count([8, 8, 40]) == 2  # from the side
    assert sections.count([8, 13, 13]) == 2  # from the end


@pytest.mark.parametrize("skew", [-12, -0.5, 0, 3, 11])
def test_a_plus_angle_leans_the_playing_end_to_the_treble(skew):
    points = corners((0, 0), 5, 14, skew)
    top, bottom = (points[0][0] + points[1][0]) / 2, (points[2][0] + points[3][0]) / 2
    assert math.degrees(math.asin((bottom - top) / 14)) == pytest.approx(skew)


def listed(client, job) -> list[dict[str, str]]:
    text = client.get(reverse("drawing_list", args=[job.number, 1])).content.decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text)))


def test_the_list_says_how_many_of_what(client, job):
    draw(client, job)
    Drawing.objects.update(made_at="2026-06-30T23:30Z")  # half past midnight in the shop's summer
    rows = listed(client, job)
    assert [(row["group"], row["length"], row["skew"], row["to_cut"]) for row in rows] == [
        ("1", "40.0", "0.0", "11"),
        ("2", "40.0", "3.0", "17"),
    ]
    assert rows[0]["made"] == "2026-07-01"
    assert rows[1]["keys"].split()[0] == "11"
    assert rows[1]["offset_read"] == "yes"


def test_an_offset_that_nobody_read_is_never_drawn_as_if_it_were(client, job):
    KeyReading.objects.update(mortise_offset=None)
    draw(client, job)
    words = PdfReader(io.BytesIO(client.get(reverse("drawing_paper", args=[job.number, 1])).content)).pages[0]
    assert "not read: 0 mm" in words.extract_text()
    assert b"was not read: drawn in the middle" in client.get(reverse("drawing_file", args=[job.number, 1])).content
    row = listed(client, job)[0]
    assert row["offset_read"] == "no"


# --- a reading changes ---


def test_a_changed_reading_marks_an_older_drawing_out_of_date_and_says_what_changed(client, job):
    draw(client, job)
    KeyReading.objects.filter(key__gte=11).update(skew=2_000)
    (standing,) = drafting.standings(job, "mm")
    assert standing.changes == ("keys 11–26: angle +3.0° → +2.0°",)
    page = client.get(reverse("spec", args=[job.number])).content.decode()
    assert "out of date" in page
    assert "+3.0° → +2.0°" in page
    words = PdfReader(io.BytesIO(client.get(reverse("drawing_paper", args=[job.number, 1])).content))
    assert "Out of date. Do not cut from this." in " ".join(words.pages[0].extract_text().split())
    assert draw(client, job).version == 2
    newest, older = drafting.standings(job, "mm")
    assert not newest.out_of_date
    assert older.out_of_date


def test_what_is_out_of_date_is_shouted_wherever_the_set_is_met(client, job):
    draw(client, job)
    check, stage = job.checks.get(), job.stages.get(kind="arrival_check")
    places = [
        reverse("job_detail", args=[job.number]),
        reverse("stage_detail", args=[job.number, stage.pk]),
        reverse("check_detail", args=[job.number, check.pk]),
        reverse("check_run", args=[make_check(job=job, kind="arrival").pk]),
    ]
    assert not [place for place in places if "out of date" in client.get(place).content.decode()]
    KeyReading.objects.filter(key__gte=11).update(skew=2_000)
    for place in places:
        assert "out of date" in client.get(place).content.decode(), place
    assert client.get(reverse("job_scan", args=[job.number])).url in places


def test_an_older_version_says_by_which_it_was_replaced_on_paper_in_the_file_and_in_the_list(client, job):
    kept = draw(client, job).contents
    draw(client, job, mortise_length="15")
    paper, file, rows = (
        client.get(reverse(name, args=[job.number, 1])).content
        for name in ("drawing_paper", "drawing_file", "drawing_list")
    )
    words = PdfReader(io.BytesIO(paper)).pages[0].extract_text()
    assert "Replaced by drawing 2. Do not cut from this." in " ".join(words.split())
    assert "REPLACED BY DRAWING 2" in file.decode()
    assert {row["holds"] for row in csv.DictReader(io.StringIO(rows.decode()))} == {"Replaced by drawing 2"}
    assert Drawing.objects.get(version=1).contents == kept


# --- how far off, and what no blank is long enough for ---


def test_what_a_button_may_be_off_by_is_the_shops_to_say_and_stands_on_the_drawing(client, job):
    Assumptions.objects.create(values={"part_width": 0.2, "part_height": 0.3, "part_offset": 0.05, "part_skew": 1})
    draw(client, job)
    words = " ".join(
        " ".join(page.extract_text().split())
        for page in PdfReader(io.BytesIO(client.get(reverse("drawing_paper", args=[job.number, 1])).content)).pages
    )
    for said in ("± 0.2 mm", "± 0.3 mm", "± 0.05 mm", "± 1°", "−0 / +1 mm", "at least 2.5 mm", "no standard"):
        assert said in words, said
    Assumptions.objects.update(values={"part_width": 0.1})
    (standing,) = drafting.standings(job, "mm")
    assert standing.changes == ("how far off a button may be cut has changed",)


def test_a_drawing_of_an_earlier_release_is_drawn_with_what_it_said_then(client, job):
    drawing = draw(client, job)
    del drawing.contents["allowed"], drawing.contents["button_wood"]
    drawing.save()
    (standing,) = drafting.standings(job, "mm")
    assert not standing.out_of_date
    for name in ("drawing_paper", "drawing_file", "drawing_list"):
        assert client.get(reverse(name, args=[job.number, 1])).status_code == 200


def test_a_button_longer_than_the_blank_is_named_and_the_others_are_laid_out(client, job):
    KeyReading.objects.filter(key__lte=5).update(button_length=50_000)
    page = client.get(reverse("spec", args=[job.number]), {"unit": "mm", "blank": "45"}).content.decode()
    sentence = "buttons of 50.0 mm are longer than the blank (45.0 mm) and stand in no layout"
    assert sentence in page
    drawing = draw(client, job, blank="45")
    (row,) = drafting.blanks_of(drawing.contents)
    assert sum(row.too_long.values()) + row.pieces == sum(
        len(group["keys"]) + group["spares"] for group in drawing.contents["groups"]
    )
    paper = PdfReader(io.BytesIO(client.get(reverse("drawing_paper", args=[job.number, 1])).content))
    assert sentence in " ".join(" ".join(one.extract_text() for one in paper.pages).split())


def test_what_was_asked_stays_with_the_drawing(client, job):
    drawing = draw(client, job, keys="1-5", mortise_length="12")
    assert drawing.contents["keys"] == [1, 2, 3, 4, 5]
    assert drawing.contents["groups"][0]["mortise_length"] == 12
    (standing,) = drafting.standings(job, "mm")
    assert not standing.changes


@pytest.mark.parametrize("asked", [{"keys": "900"}, {"mortise_length": "x"}, {"blank": "\x00"}, {"follows": "moon"}])
def test_what_cannot_be_asked_draws_nothing(client, job, asked):
    assert draw(client, job, **asked) is None


def test_a_set_without_sizes_draws_nothing_and_says_so(client, technician):
    job = make_job()
    answer = client.post(reverse("drawing_new", args=[job.number]), {"unit": "mm"}, follow=True)
    assert "cannot be" in answer.content.decode() or "Nothing can be drawn yet" in answer.content.decode()
    assert not Drawing.objects.exists()


@pytest.mark.once
def test_the_pages_climb_the_ladder(client, job):
    draw(client, job)
    climb("drawing_new", job.number, roles={Role.TECHNICIAN}, methods={"POST"})
    for name in ("drawing_paper", "drawing_file", "drawing_list"):
        climb(name, job.number, 1)
        gone(name, job.number, 9)

"""The protractor: points on a photo become an angle with its uncertainty, kept as a reading with its evidence."""

import contextlib
import io
import json
import math

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from keyboards.core.errors import MeasurementError
from keyboards.core.protractor import angle_uncertainty, rectified_uncertainty, skew_of_taps
from keyboards.forms.angles import Unreadable, tapped
from keyboards.models import Entry, KeyReading, PhotoAngle
from keyboards.workflow.checks import check_close
from keyboards.workflow.photos import photo_add
from shop.models import Role
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]

SIZE = {"width": 1200, "height": 800}
RAIL = [[100, 100], [1100, 120]]


def edge_at(skew, *, length=300, at=(500, 300)):
    """An edge that leans by so many degrees, playing end at the bottom, beside the rail above."""
    turned = math.radians(90 + math.degrees(math.atan2(20, 1000)) - skew)
    return [list(at), [at[0] + length * math.cos(turned), at[1] + length * math.sin(turned)]]


@pytest.fixture
def technician(client):
    person = make_person()
    client.force_login(person)
    return person


@pytest.fixture
def check(technician):
    return make_check(job=make_job(missing=[3]), quantities=["skew"])


@pytest.fixture
def photo(check, technician):
    data = io.BytesIO()
    Image.new("RGB", (1200, 800), "#998877").save(data, "JPEG")
    return photo_add(job=check.job, data=data.getvalue(), by=technician, check=check)


def sent(skew=2.0, **fields):
    return json.dumps({"taps": [[RAIL, edge_at(skew)]], "turn": 0, "reference_is": "rail", "click_sd": 1, **fields})


# --- the core ---


@pytest.mark.parametrize("skew", [-12.0, -2.0, 0.0, 0.5, 2.0, 11.0])
def test_a_known_angle_is_read(skew):
    found = skew_of_taps([(RAIL, edge_at(skew))], click_sd=1, reference_is="rail")
    assert found.skew == pytest.approx(skew, abs=1e-9)
    mirrored = skew_of_taps([(RAIL, edge_at(skew))], click_sd=1, reference_is="rail", bass_on="right")
    assert mirrored.skew == pytest.approx(-skew, abs=1e-9)


def test_more_taps_make_it_surer_by_the_root_of_their_number():
    one = skew_of_taps([(RAIL, edge_at(2))], click_sd=2, reference_is="rail")
    four = skew_of_taps([(RAIL, edge_at(2))] * 4, click_sd=2, reference_is="rail")
    assert one.u == pytest.approx(angle_uncertainty(2, math.dist(*RAIL), 300))
    assert four.u == pytest.approx(one.u / 2)
    assert one.coarse
    assert one.needed == math.ceil((one.u / 0.5) ** 2)
    assert four.spread == pytest.approx(0, abs=1e-9)


def test_a_slanted_camera_is_put_right_by_a_card_and_not_made_surer_by_taps():
    card = ([[200, 200], [600, 210], [590, 460], [205, 450]], 85.6, 53.98)
    one = skew_of_taps([(RAIL, edge_at(2))], click_sd=1, reference_is="rail", card=card)
    many = skew_of_taps([(RAIL, edge_at(2))] * 5, click_sd=1, reference_is="rail", card=card)
    assert one.u == pytest.approx(rectified_uncertainty(*card, RAIL, edge_at(2), 1))
    assert many.u == pytest.approx(one.u)


def test_without_a_tap_there_is_no_angle():
    with pytest.raises(MeasurementError):
        skew_of_taps([], click_sd=1)


# --- what is sent ---


@pytest.mark.parametrize(
    "wrong",
    [
        "",
        "[]",
        "null",
        "[" * 5000,
        "x" * 30_000,
        '{"taps": NaN}',
        sent(taps=[]),
        sent(taps=[[RAIL, RAIL]] * 21),
        sent(taps=[[RAIL, [[1, 2]]]]),
        sent(taps=[[RAIL, [[1, 2], [1, "x"]]]]),
        sent(taps=[[RAIL, [[1, 2], [1, 1e300]]]]),
        sent(taps=[[RAIL, [[1, 2], [1, 801]]]]),  # below the picture
        sent(taps=[[RAIL, [[-1, 2], [1, 300]]]]),
        sent(turn=90, taps=[[[[100, 100], [900, 100]], edge_at(2)]]),  # turned, it is 800 px wide
        sent(taps=[[RAIL, [[True, 2], [1, 900]]]]),
        sent(turn=45),
        sent(reference_is="lid"),
        sent(bass_on="top"),
        sent(click_sd=0),
        sent(click_sd=None),
        sent(card={"corners": [[0, 0]], "width": 85, "height": 54}),
        sent(card={"corners": RAIL + RAIL, "width": -1, "height": 54}),
        sent(card=[1]),
    ],
)
def test_what_is_no_set_of_points_is_told_in_a_sentence(wrong):
    with pytest.raises(Unreadable) as refused:
        tapped({"tapped": wrong}, **SIZE)
    assert len(str(refused.value)) > 10


names = st.sampled_from(["taps", "card", "turn", "reference_is", "click_sd", "corners", "width"])
leaves = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
anything = st.recursive(
    leaves, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(names, inner, max_size=4), max_leaves=20
)


@given(anything)
def test_anything_sent_is_read_or_refused(value):
    with contextlib.suppress(Unreadable):
        tapped({"tapped": json.dumps(value)}, **SIZE).reckon()


@pytest.mark.parametrize("edge", [[[500, 300], [500, 300]], [[500, 300], [505, 305]]])
def test_points_too_near_to_each_other_are_refused(client, photo, edge):
    answer = client.post(reverse("angle_reckon", args=[photo.op]), {"tapped": sent(taps=[[RAIL, edge]])})
    assert answer.json()["text"] == ""
    assert "edge must be" in answer.json()["said"]


# --- the page ---


def test_the_angle_of_the_points_is_told_before_it_is_kept(client, photo):
    answer = client.post(reverse("angle_reckon", args=[photo.op]), {"tapped": sent(2.0)})
    assert answer.json() == {"text": "+2.00° ± 0.28°", "coarse": False, "said": ""}
    coarse = client.post(reverse("angle_reckon", args=[photo.op]), {"tapped": sent(2.0, click_sd=4)})
    assert "tap it 6 times" in coarse.json()["said"]
    assert not Entry.objects.exists()


def test_an_angle_is_kept_as_a_reading_with_its_points_and_the_next_key_comes(client, technician, check, photo):
    answer = client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(-1.5), "key": "2"})
    assert answer["Location"] == f"{reverse('photo_angle', args=[photo.op])}?key=4"  # key 3 did not come
    entry = Entry.objects.get()
    assert (entry.key, entry.quantity, entry.value, entry.by) == (2, "skew", -1500, technician)
    assert KeyReading.objects.get(key=2).skew == -1500
    kept = PhotoAngle.objects.get()
    u = round(1000 * angle_uncertainty(1, math.dist(*RAIL), 300))
    assert (kept.entry, kept.photo, kept.u, kept.click_sd) == (entry, photo, u, 100)
    assert kept.taps[0][0] == RAIL
    page = client.get(reverse("key_detail", args=[check.job.number, check.pk, 2])).content.decode()
    assert "from a photo, ±\N{NO-BREAK SPACE}0.28°" in page
    again = client.get(reverse("photo_angle", args=[photo.op])).content.decode()
    assert "−1.50° ± 0.28°" in again


def test_a_withdrawn_angle_is_struck_and_its_lines_go(client, technician, check, photo):
    for key in ("2", "4"):
        client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(1.0), "key": key})
    gone_entry = Entry.objects.get(key=2)
    client.post(reverse("reading_withdraw", args=[check.job.number, check.pk, 2]), {"op": str(gone_entry.op)})
    answer = client.get(reverse("photo_angle", args=[photo.op]))
    assert [(row["key"], row["withdrawn"], len(row["lines"])) for row in answer.context["kept"]] == [
        (2, True, 0),
        (4, False, 1),
    ]
    assert answer.content.decode().count("<s>") == 1


def test_a_photo_with_many_angles_needs_no_more_queries(client, technician, check, photo):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("photo_angle", args=[photo.op]))
        return len(seen)

    keys = [key for key in range(1, 23) if key != 3]
    for key in keys[:2]:
        client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(1.0), "key": str(key)})
    client.get(reverse("photo_angle", args=[photo.op]))  # shows the messages
    few = queries()
    for key in keys[2:]:
        client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(1.0), "key": str(key)})
    client.get(reverse("photo_angle", args=[photo.op]))
    assert queries() == few


@pytest.mark.parametrize("key", ["3", "", "٤", "999", "-1"])
def test_without_a_key_of_the_set_nothing_is_kept_and_the_points_stay(client, photo, key):
    answer = client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(2.0), "key": key})
    page = answer.content.decode()
    assert "Choose the key" in page
    assert "taps&quot;" in page
    assert not Entry.objects.exists()


def test_a_closed_check_keeps_no_angle(client, technician, check, photo):
    make_readings(check=check, keys=[1], skew=0, grade=0)
    check_close(check, by=technician, confirm=True)
    page = client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(2.0), "key": "2"}).content.decode()
    assert "The check of this photo is closed" in page
    assert not PhotoAngle.objects.exists()


def test_a_photo_of_an_earlier_check_gives_no_reading_of_a_later_one(client, technician, check, photo):
    make_readings(check=check, keys=[1], skew=0, grade=0)
    check_close(check, by=technician, confirm=True)
    later = make_check(job=check.job, kind="stripped", quantities=["skew"])
    page = client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(2.0), "key": "2"}).content.decode()
    assert "The check of this photo is closed" in page
    assert not later.entries.exists()
    with photo.image.open() as file:
        photo_of_the_set = photo_add(job=check.job, data=file.read(), by=technician)
    client.post(reverse("photo_angle", args=[photo_of_the_set.op]), {"tapped": sent(2.0), "key": "2"})
    assert later.entries.get().value == 2000


@pytest.mark.parametrize("skew", [-0.001, 0.001])
def test_no_lean_is_written_without_a_sign(client, photo, skew):
    client.post(reverse("photo_angle", args=[photo.op]), {"tapped": sent(skew), "key": "2"})
    assert Entry.objects.get().typed == "0.00"


@pytest.mark.once
def test_the_pages_climb_the_ladder(photo):
    climb("photo_angle", photo.op, roles={Role.TECHNICIAN}, methods={"GET", "POST"})
    gone("photo_angle", "00000000-0000-4000-8000-000000000000")
    gone("angle_reckon", "00000000-0000-4000-8000-000000000000", method="POST")


def test_a_plug_gauges_two_sizes_may_be_written_on_one_line(client, technician):
    check = make_check(quantities=["balance_mortise_width"])
    cells = {"cells": [{"key": 1, "quantity": "balance_mortise_width", "text": "5.60..5.65"}]}
    address = reverse("check_cells", args=[check.job.number, check.pk])
    client.post(address, json.dumps(cells), content_type="application/json")
    entry = Entry.objects.get()
    assert (entry.value, entry.high, entry.typed) == (5600, 5650, "5.60..5.65")
    assert KeyReading.objects.get().balance_mortise_width == 5625

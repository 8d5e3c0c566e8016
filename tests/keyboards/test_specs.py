"""The spec of a set's buttons: what is cut alike, where each figure is from, and whether a bought part serves."""

import datetime
import random
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from keyboards.advising import assumptions_for
from keyboards.models import Assumptions, BoughtPart, Decision, Entry, KeyReading, Photo, PhotoAngle
from keyboards.specifying import RAIL, STICK, keys_to_cut, set_readings, spec_of
from keyboards.workflow.opening import open_trade
from shop.models import Event, Job, Role, Units
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]

SIZES = {"button_length": 40_000, "button_width": 13_000, "button_height": 8_000, "balance_mortise_width": 5_500}
PART = {
    "title": "Maple 40",
    "length": "40",
    "width": "13",
    "height": "8",
    "mortise_width": "5.5",
    "mortise_length": "14",
    "skew": "0",
    "offset": "0",
    "wood": "sugar_maple",
}


def steps(key: int) -> int:
    """Mortise angles in three steps 3 degrees apart, in thousandths."""
    return 3_000 if key <= 26 else 0 if key <= 60 else -3_000


def measured(*, job: Job | None = None, kind: str = "stripped", **columns) -> Job:
    job = job or make_job()
    check = make_check(job=job, kind=kind)
    angles = [steps(key) for key in job.compass.present]
    make_readings(check=check, **{**SIZES, "skew": angles, "slot_length": 14_000, "mortise_offset": 0, **columns})
    return job


def spec_for(job: Job, keys=None, follows: str = RAIL):
    readings = set_readings(job)
    return spec_of(readings, keys or readings.present, mortise_length=14, follows=follows, assumed=assumptions_for(job))


def text(page) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.content.decode()).split())


@pytest.fixture
def trade():
    open_trade()


@pytest.fixture
def bench(client):
    person = make_person(units=Units.MM)
    client.force_login(person)
    client.person = person
    return client


def keep(job: Job, **changed) -> BoughtPart:
    figures = {
        "length": 40_000, "width": 13_000, "height": 8_000, "mortise_width": 5_500, "mortise_length": 14_000, "skew": 0,
    } | changed  # fmt: skip
    return BoughtPart.objects.create(
        job=job, title="a part", wood="sugar_maple", at=timezone.now(), by=make_person(), **figures
    )


# --- what is cut ---------------------------------------------------------------------------------


def test_keys_of_a_section_are_cut_alike_with_their_spares():
    spec = spec_for(measured())
    assert [(group.keys[0], group.keys[-1], group.spec.skew) for group in spec.groups] == [
        (1, 26, 3.0),
        (27, 60, 0.0),
        (61, 88, -3.0),
    ]
    assert [group.cut.spares for group in spec.groups] == [2, 2, 2]  # 5 %, at least one: 26, 34 and 28 keys
    assert {group.spec.length for group in spec.groups} == {40.0}


def test_the_scatter_of_a_caliper_makes_no_groups():
    chance = random.Random(4)
    noisy = [40_000 + round(chance.gauss(0, 150)) for _ in range(88)]
    spec = spec_for(measured(button_length=noisy))
    assert len(spec.groups) == 3
    assert {group.spec.length for group in spec.groups} == {40.0}


def test_a_button_that_differs_is_cut_by_itself():
    lengths = [40_000] * 88
    lengths[87] = 36_000
    spec = spec_for(measured(button_length=lengths))
    assert spec.by_quantity["button_length"].own == (88,)
    assert [group.keys for group in spec.groups if group.spec.length == 36.0] == [(88,)]


def test_lengths_that_run_along_the_keyboard_are_copied_key_by_key():
    spec = spec_for(measured(button_length=[42_000 - 50 * key for key in range(88)]))
    assert spec.by_quantity["button_length"].cut == "each"
    assert spec.groups[0].spec.length == 42.0
    assert spec.groups[-1].spec.length < 38.0


def test_keys_without_a_reading_take_the_median_and_that_is_told():
    job = make_job()
    check = make_check(job=job, kind="arrival")
    make_readings(check=check, keys=[1, 2, 3], **SIZES)
    make_readings(check=check, keys=[4, 5], balance_mortise_width=5_500)
    figure = spec_for(job).by_quantity["button_length"]
    assert (figure.read, figure.filled, figure.median) == (3, 85, 40.0)
    assert len(spec_for(job).groups[0].keys) == 88


def test_worn_mortises_are_not_copied():
    widths = [5_500] * 44 + [5_900] * 44
    job = measured(balance_mortise_width=widths)
    KeyReading.objects.filter(key__gt=44).update(grade=2)
    assert {group.spec.mortise_width for group in spec_for(job).groups} == {5.5}


def test_the_stripped_check_counts_before_the_arrival_check():
    job = measured(kind="arrival")
    later = make_check(job=job, kind="stripped")
    make_readings(check=later, keys=range(1, 89), balance_mortise_width=5_600)
    spec = spec_for(job)
    assert {group.spec.mortise_width for group in spec.groups} == {5.6}
    assert {group.spec.length for group in spec.groups} == {40.0}  # only the arrival check read it


def test_a_fan_is_cut_in_whole_degrees():
    spec = spec_for(measured(skew=[round((key - 44) * 100) for key in range(1, 89)]))
    assert spec.pattern.kind == "fan"
    assert spec.angle_step == 1.0
    assert all(group.spec.skew == round(group.spec.skew) for group in spec.groups)
    assert len(spec.groups) == 9


def test_a_button_that_follows_the_stick_gets_the_skew_less_the_splay():
    job = measured(splay=[1_000] * 88)
    assert [group.spec.skew for group in spec_for(job, follows=STICK).groups] == [2.0, -1.0, -4.0]
    assert [group.spec.skew for group in spec_for(job, follows=RAIL).groups] == [3.0, 0.0, -3.0]


def test_keys_whose_splay_was_not_read_are_left_out_and_named():
    splays = [0] * 88
    splays[4] = None
    assert spec_for(measured(splay=splays), follows=STICK).left_out == (5,)


def test_what_was_never_read_stops_the_cutting():
    job = make_job()
    make_readings(check=make_check(job=job), balance_mortise_width=5_500)
    spec = spec_for(job)
    assert spec.groups == ()
    assert set(spec.missing) == {"button_length", "button_width", "button_height"}


def test_the_keys_that_were_decided_on_come_first(trade):
    # A button found cracked on arrival that nobody ticked again with the cloth out; a mortise too wide for every cloth
    # that nobody ticked at all; and a broken stick, which is no matter of buttons.
    job = make_job()
    seen = [{"button_cracked": 3}, {"stick_broken": 2}]
    make_readings(check=make_check(job=job), keys=[70, 72], grade=[3, 2], findings=seen)
    widths = [6_100 if key == 71 else 5_570 for key in range(1, 89)]
    measured(job=job, grade=0, balance_pin=3_700, balance_mortise_width=widths)
    check = job.checks.first()
    sections = [
        {"first": 1, "last": 26, "chosen": "renew_section"},
        {"first": 27, "last": 60, "chosen": "reclothe"},
        {"first": 61, "last": 88, "chosen": "renew_failing"},
    ]
    Decision.objects.create(
        job=job, basis=check, at=timezone.now(), by=make_person(), sections=sections, assumptions={}
    )
    keys, why = keys_to_cut(job, set_readings(job))
    assert (keys, why) == ((*range(1, 27), 70, 71), "decided")


# --- the page ------------------------------------------------------------------------------------


@pytest.mark.once
def test_the_ladder_of_the_spec():
    job = measured()
    climb("spec", job.number)
    gone("spec", 9999)


def test_the_page_shows_groups_blanks_pictures_the_sign_and_the_caution(bench):
    job = measured()
    page = bench.get(reverse("spec", args=[job.number]))
    words = text(page)
    assert "3 groups to cut" in words
    assert "94 buttons" in words
    # 94 pieces of 40 mm from 300 mm with a kerf of 2: 7 a blank, 14 blanks
    assert "14 blanks of 13.0 × 8.0 mm for 94 pieces" in words
    assert "Check the button drawing against the original key before anything is cut." in words
    body = page.content.decode()
    for name in ("key-section", "key-plan", "curve", "sign-picture"):
        assert f'class="{name}' in body, name
    assert "a button 20 % shorter: +3.3 % flex" in words
    assert "never a promise in length" in words
    assert "13.0 mm at the smaller end: enough" in words


def test_a_set_without_readings_says_what_to_do_first(bench):
    assert "Nothing was read on this set yet" in text(bench.get(reverse("spec", args=[make_job().number])))


def test_arrival_readings_are_provisional(bench):
    page = bench.get(reverse("spec", args=[measured(kind="arrival").number]))
    assert "Provisional: the mortises were read before stripping" in text(page)


def test_angles_never_read_are_not_called_straight(bench):
    page = bench.get(reverse("spec", args=[measured(skew=None).number]))
    assert "No angle was read" in text(page)


def test_angles_from_photos_are_counted_with_what_they_come_to(bench):
    """26 angles in the bass, one of them 0.9 degrees uncertain, the others 0.1: hypot(0.9, 0.1 x 5) / 26 = 0.04."""
    job = measured()
    check = job.checks.get()
    files = {"image": "a.jpg", "small": "b.jpg"}
    photo = Photo.objects.create(job=job, width=9, height=9, digest="-", taken_at=timezone.now(), **files)

    def angle(key, minute, u=0, **more):
        entry = Entry.objects.create(
            check_done=check, kind="reading", key=key, quantity="skew", value=3_000, by=check.begun_by,
            taken_at=check.begun_at + datetime.timedelta(minutes=minute), received_at=check.begun_at,
            digest=f"{key}-{minute}", **more,
        )  # fmt: skip
        if u:
            PhotoAngle.objects.create(photo=photo, entry=entry, taps=[], reference_is="rail", click_sd=100, u=u)

    angle(5, 0, u=900)
    angle(6, 0, u=700)
    angle(6, 1)  # the bevel's reading holds
    told = text(bench.get(reverse("spec", args=[job.number])))
    assert "angle of 1 of 88 keys was read from a photo (standard uncertainty 0.90°)" in told
    assert "the angles to cut are known to 0.04° (standard uncertainty)" in told
    KeyReading.objects.filter(check_done=check, key__gt=8).update(skew=None)
    told = text(bench.get(reverse("spec", args=[job.number])))
    assert "Each is cut as it was read, so that of keys 5 rests on a photo alone." in told


def test_thin_walls_are_told(bench):
    page = bench.get(reverse("spec", args=[measured(button_width=10_500).number]))
    # button_width_needed(14, 5.5, 3, 2.5) = 11.225
    assert "need a button 11.2 mm wide" in text(page)


def test_htmx_gets_the_spec_alone(bench):
    job = measured()
    part = bench.get(reverse("spec", args=[job.number]), headers={"HX-Request": "true", "HX-Target": "spec"})
    assert b"<html" not in part.content
    assert b'id="spec"' in part.content


def test_fewer_keys_are_asked_for_in_the_words_of_the_trade(bench):
    job = measured()
    page = bench.get(reverse("spec", args=[job.number]), {"keys": "1-5, C8"})
    assert [row.keys for row in page.context["page"].groups] == ["1–5", "88"]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("keys", "99"),
        ("keys", ""),
        ("keys", "\x00"),
        ("keys", "1-" * 5_000),
        ("stick_height", "17"),  # the slot is 18 deep
        ("slot_width", "NaN"),
        ("mortise_length", "٣"),
        ("kerf", "-1"),
        ("blank", "1e9"),
        ("force", "9" * 10_000),
        ("stick_wood", "plastic"),
        ("follows", "wind"),
    ],
)
def test_bad_input_gets_its_sentence_and_nothing_is_lost(bench, name, value):
    job = measured()
    page = bench.get(reverse("spec", args=[job.number]), {name: value, "front_arm": "231"})
    assert page.status_code == 200
    errors = page.context["form"].errors
    assert name in errors or name == "stick_height"
    assert errors
    assert page.context["page"] is None
    assert 'value="231"' in page.content.decode()


@pytest.mark.parametrize("group", ["0", "99", "x", "-1", "9" * 500, "\x00", "²"])
def test_a_group_that_is_not_there_shows_the_first(bench, group):
    page = bench.get(reverse("spec", args=[measured().number]), {"group": group})
    assert page.context["page"].chosen.number == 1


def test_a_key_that_did_not_come_has_no_button_to_copy(bench):
    job = measured(job=make_job(missing=[7]))
    page = bench.get(reverse("spec", args=[job.number]), {"keys": "6-8"})
    assert "Not in this set: keys 7." in text(page)


def test_a_short_blank_is_said_and_the_groups_stay(bench):
    page = bench.get(reverse("spec", args=[measured().number]), {"blank": "30"})
    assert "longer than the blank" in text(page)
    assert page.context["page"].groups


def test_readings_that_make_no_button_break_no_page(bench):
    job = measured(button_length=12_000)  # shorter than its own mortise
    page = bench.get(reverse("spec", args=[job.number]))
    assert page.status_code == 200
    assert "make no button" in text(page)


def test_inches_are_shown_to_whom_measures_in_inches(client):
    client.force_login(make_person(units=Units.INCH))
    words = text(client.get(reverse("spec", args=[measured().number])))
    assert "1.575 in" in words
    assert "40.0 mm" not in words


def test_as_many_questions_for_two_parts_as_for_twenty(bench):
    job = measured()
    keep(job), keep(job)

    def questions() -> int:
        with CaptureQueriesContext(connection) as seen:
            bench.get(reverse("spec", args=[job.number]))
        return len(seen)

    few = questions()
    for _ in range(18):
        keep(job)
    assert questions() == few


# --- bought parts --------------------------------------------------------------------------------


@pytest.mark.once
def test_the_ladder_of_entering_a_part():
    job = measured()
    part = keep(job)
    climb("part_new", job.number, roles={Role.TECHNICIAN}, methods={"GET", "POST"})
    climb("part_edit", job.number, part.pk, roles={Role.TECHNICIAN}, methods={"GET", "POST"})
    gone("part_edit", job.number, 10**6)
    gone("part_edit", make_job().number, part.pk)


def test_a_part_is_entered_and_held_against_the_original(bench):
    job = measured(skew=None)
    KeyReading.objects.update(skew=0)
    answer = bench.post(reverse("part_new", args=[job.number]), PART)
    assert answer.status_code == 302
    part = BoughtPart.objects.get()
    assert (part.length, part.skew, part.by) == (40_000, 0, bench.person)
    assert Event.objects.filter(job=job, what="part_added").count() == 1
    words = text(bench.get(answer["Location"]))
    assert "Same as the original" in words
    assert "No figure tells it from the original." in words


@pytest.mark.parametrize(
    ("changed", "says", "why"),
    [
        ({"length": 40_500}, "Acceptable", "Length 40.50 mm, the original 40.00 mm: within 40.00 mm to 41.00 mm."),
        ({"length": 36_000}, "Not acceptable", "Length 36.00 mm, the original 40.00 mm: only 40.00 mm to 41.00 mm"),
        ({"skew": 1_000}, "Not acceptable", "Angle of the mortise +1.0°, the original 0.0°: only −0.5° to +0.5°"),
        ({"offset": 200}, "Not acceptable", "Mortise off the middle +0.20 mm, the original 0.00 mm"),
        ({"length": 24_000}, "Not acceptable", "The button covers the slot by 5.0 mm only; 6.0 mm is the least"),
    ],
)
def test_the_verdict_comes_with_its_sentence_and_its_numbers(bench, changed, says, why):
    job = measured(skew=[0] * 88)
    keep(job, **changed)
    words = text(bench.get(reverse("spec", args=[job.number])))
    assert says in words
    assert why in words


def test_a_part_is_not_called_right_where_the_original_was_not_read(bench):
    job = measured(skew=[0] * 88, mortise_offset=None)
    keep(job)
    words = text(bench.get(reverse("spec", args=[job.number])))
    assert "Not to be said yet" in words
    assert "Mortise off the middle was never read on this set" in words


def test_a_part_may_serve_one_group_and_not_another(bench):
    job = measured()
    keep(job, skew=3_000)
    assert "Nothing speaks against it for groups 1." in text(bench.get(reverse("spec", args=[job.number])))
    second = bench.get(reverse("spec", args=[job.number]), {"group": "2"})
    assert second.context["page"].parts[0].answer == "not acceptable"
    assert bench.get(reverse("spec", args=[job.number])).context["page"].parts[0].answer == "same"


def test_the_shops_own_tolerance_decides(bench):
    job = measured(skew=[0] * 88)
    keep(job, width=13_200)
    assert bench.get(reverse("spec", args=[job.number])).context["page"].parts[0].answer == "not acceptable"
    Assumptions.objects.create(job=job, values={"part_width": 0.3})
    assert bench.get(reverse("spec", args=[job.number])).context["page"].parts[0].answer == "acceptable"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("title", ""),
        ("title", "  "),
        ("title", "x" * 81),
        ("title", "\x00"),
        ("length", "4000"),
        ("length", "NaN"),
        ("width", "5"),
        ("skew", "16"),
        ("offset", "4.9"),
        ("mortise_length", "39" * 20),
        ("wood", "granite"),
    ],
)
def test_a_part_that_cannot_be_is_not_kept_and_nothing_is_lost(bench, name, value):
    job = measured()
    page = bench.post(reverse("part_new", args=[job.number]), {**PART, name: value})
    assert page.status_code == 200
    assert page.context["form"].errors
    assert not BoughtPart.objects.exists()
    kept = "height" if name != "height" else "length"
    assert f'value="{PART[kept]}"' in page.content.decode()


def test_an_empty_form_scolds_nobody(bench):
    page = bench.get(reverse("part_new", args=[measured().number]))
    assert not page.context["form"].errors
    assert 'role="alert"' not in page.content.decode()


def test_a_part_typed_in_inches_is_kept_in_micrometres(client):
    client.force_login(make_person(units=Units.INCH))
    job = measured()
    figures = {
        **PART, "length": "1.575", "width": ",512", "height": ".315", "mortise_width": ".2165",
        "mortise_length": ".551", "unit": "in",
    }  # fmt: skip
    client.post(reverse("part_new", args=[job.number]), figures)
    part = BoughtPart.objects.get()
    assert (part.length, part.width) == (40_005, 13_005)


def test_a_part_put_right_leaves_an_event_and_one_left_alone_none(bench):
    job = measured()
    part = keep(job)
    address = reverse("part_edit", args=[job.number, part.pk])
    assert 'value="40.00"' in bench.get(address).content.decode()
    same = {**PART, "title": "a part"}
    bench.post(address, same)
    assert not Event.objects.filter(what="part_changed").exists()
    bench.post(address, {**same, "length": "40.5"})
    part.refresh_from_db()
    assert part.length == 40_500
    assert Event.objects.filter(what="part_changed", job=job).count() == 1


def test_a_set_that_went_home_takes_no_part(bench):
    job = measured()
    job.left_at = timezone.now()
    job.left_with = "I. Varga"
    job.save()
    page = bench.post(reverse("part_new", args=[job.number]), PART)
    assert page.status_code == 200
    assert "This set has gone home." in text(page)
    assert not BoughtPart.objects.exists()

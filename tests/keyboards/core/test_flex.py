"""How far a key bends: check values, findings, rejections, and laws of any lever.

The check values of the flexibilities are held against a finite-element library in the validation tests.
"""

import math
from dataclasses import fields, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyboards.core import flex
from keyboards.core.errors import MeasurementError
from keyboards.core.flex import KeyGeometry

REFERENCE = KeyGeometry()
BARE = replace(REFERENCE, button_length=0)
STICK = replace(BARE, slot_length=0, hole_diameter=0, mortise_length=0)
PERFECT = {"engagement_length": 0, "shear": False}

keys = st.builds(
    KeyGeometry,
    front_arm=st.integers(150, 280),
    rear_arm=st.integers(80, 260),
    width=st.floats(11, 26),
    height=st.floats(19, 28),
    modulus=st.floats(6000, 14000),
    slot_depth=st.floats(1, 18.5),
    button_length=st.floats(18, 70),
    button_height=st.floats(3, 14),
    button_modulus=st.floats(6000, 14000),
    button_offset=st.floats(-5, 5),
    shoe_length=st.sampled_from([0, 30]),
    shoe_height=st.sampled_from([0, 3]),
    plate_length=st.sampled_from([0, 60]),
    plate_height=st.sampled_from([0, 2]),
)


def ratio(changed, to=REFERENCE):
    return flex.key_flexibility(key=changed) / flex.key_flexibility(key=to)


# Check values


@pytest.mark.parametrize(
    ("key", "flexibility"),
    [
        (STICK, 0.034912),
        (BARE, 0.036599),
        (REFERENCE, 0.029216),
        (replace(REFERENCE, button_length=32), 0.030365),
        (replace(REFERENCE, modulus=8200), 0.037738),
        # 2 mm planed off below, or a slot that leaves the same 6 mm under it
        (replace(REFERENCE, height=22, slot_depth=16), 0.037493),
    ],
    ids=["stick alone", "slot and hole", "reference", "shorter button", "sugar pine", "22 mm high"],
)
def test_a_perfectly_glued_key_bends_as_far_as_its_check_value(key, flexibility):
    assert flex.key_flexibility(key=key, engagement_length=0, shear=False) == pytest.approx(flexibility, abs=5.1e-7)


def test_with_shear_and_a_slipping_button_the_reference_key_bends_0_036436():
    assert flex.key_flexibility(key=REFERENCE) == pytest.approx(0.036436, abs=1e-6)


def test_a_key_almost_without_a_rear_arm_is_a_cantilever():
    key = replace(STICK, rear_arm=1e-2)
    inertia = key.width * key.height**3 / 12
    assert flex.key_flexibility(key, **PERFECT) == pytest.approx(
        220**3 / (3 * key.modulus * inertia) * (1 + 1e-2 / 220)
    )


def test_a_kilogram_at_the_playing_end_sinks_0_36_mm_in_the_model():
    assert flex.static_deflection(key=REFERENCE) == pytest.approx(0.35732, abs=1e-5)
    assert flex.static_deflection(key=REFERENCE, grams=500) == pytest.approx(0.17866, abs=1e-5)


@pytest.mark.parametrize(("deflection", "status"), [(0.74, "good"), (0.75, "fair"), (1.0, "fair"), (1.01, "poor")])
def test_a_measured_sink_is_judged_by_the_two_limits(deflection, status):
    assert flex.deflection_status(deflection=deflection) == status


# What the page says, as ratios


def test_a_button_a_fifth_shorter_bends_3_percent_more():
    assert ratio(replace(REFERENCE, button_length=32)) == pytest.approx(1.03, abs=0.005)


def test_a_loose_button_bends_10_percent_more():
    assert ratio(BARE) == pytest.approx(1.10, abs=0.005)


def test_a_millimetre_less_height_bends_12_percent_more():
    assert ratio(replace(REFERENCE, height=23, slot_depth=17)) == pytest.approx(1.12, abs=0.005)


def test_a_pine_stick_bends_29_percent_more_than_spruce():
    assert ratio(replace(REFERENCE, modulus=8200), to=REFERENCE) == pytest.approx(1.29, abs=0.01)


# Sections


def test_the_section_between_slot_and_button_is_a_plain_rectangle():
    section = flex.section_at(key=REFERENCE, x=100)
    assert section.bending_stiffness == pytest.approx(10800 * 13 * 24**3 / 12)
    assert section.neutral_axis == pytest.approx(12)
    assert section.shear_stiffness == pytest.approx(0.064 * 10800 * 13 * 24)


def test_a_section_is_taken_just_inside_towards_the_pin():
    start, end = REFERENCE.button_span
    plain = flex.section_at(REFERENCE, 100).bending_stiffness
    assert flex.section_at(REFERENCE, start).bending_stiffness > plain
    assert flex.section_at(REFERENCE, end).bending_stiffness > plain
    assert flex.section_at(REFERENCE, start - 0.01).bending_stiffness == plain
    assert flex.section_at(REFERENCE, end + 0.01).bending_stiffness == plain


def test_the_hole_goes_through_the_shoe_and_the_mortise_through_the_plate():
    key = replace(STICK, shoe_length=30, shoe_height=4, plate_length=30, plate_height=4, mortise_length=14)
    wood = key.shoe_modulus * 0.111
    plain = 0.064 * 10800 * 13 * 24
    assert flex.section_at(replace(key, mortise_width=0), 220).shear_stiffness == pytest.approx(
        plain + 2 * wood * 13 * 4
    )
    drilled = replace(key, hole_diameter=4, mortise_width=5)
    assert flex.section_at(drilled, 220).shear_stiffness == pytest.approx(
        0.064 * 10800 * 9 * 24 + wood * 9 * 4 + wood * 8 * 4
    )


def test_the_button_sits_on_the_plate():
    low = flex.section_at(replace(REFERENCE, plate_length=40, plate_height=3), 205)
    by_hand = flex.section_at(replace(REFERENCE, button_height=11), 205)
    assert low.bending_stiffness == pytest.approx(by_hand.bending_stiffness)
    assert low.neutral_axis == pytest.approx(by_hand.neutral_axis)


def test_the_front_mortise_is_cut_from_below():
    key = replace(STICK, front_mortise_x=20, front_mortise_length=12, front_mortise_width=5, front_mortise_depth=14)
    section = flex.section_at(key, 20)
    low, high = 8 * 14, 13 * 10
    neutral = (low * 7 + high * 19) / (low + high)
    assert section.neutral_axis == pytest.approx(neutral)
    assert flex.section_at(key, 30).neutral_axis == pytest.approx(12)
    assert ratio(key, to=STICK) > 1


def test_given_shear_moduli_replace_the_shares_of_e():
    key = replace(REFERENCE, shear_modulus=500, button_shear_modulus=900)
    assert flex.section_at(key, 205).shear_stiffness == pytest.approx(500 * 13 * 24 + 900 * 13 * 8)


# Stress


def test_stress_is_the_moment_over_the_section_modulus_and_falls_to_nothing_at_both_ends():
    bottom, top = flex.fibre_stress(key=STICK, force=20, x=150)
    assert bottom == pytest.approx(20 * 150 * 12 / (13 * 24**3 / 12))
    assert top == pytest.approx(bottom)
    assert flex.fibre_stress(STICK, 20, 0) == (0, 0)
    assert flex.fibre_stress(STICK, 20, 350) == (0, 0)
    assert flex.fibre_stress(STICK, 20, 220 + 65) == pytest.approx(flex.fibre_stress(STICK, 20, 110))


def test_stress_under_the_button_lies_between_no_button_and_a_perfect_one():
    start = REFERENCE.front_arm - REFERENCE.slot_length / 2
    bare = flex.fibre_stress(BARE, 30, start)[1]
    perfect = flex.fibre_stress(REFERENCE, 30, start, engagement_length=0)[1]
    slipping = flex.fibre_stress(REFERENCE, 30, start)[1]
    assert perfect < slipping < bare


def test_a_button_takes_no_load_at_its_very_ends():
    start, end = REFERENCE.button_span
    for x in (start, end):
        assert flex.fibre_stress(REFERENCE, 30, x) == pytest.approx(flex.fibre_stress(BARE, 30, x))


def test_a_slot_end_the_button_does_not_reach_is_stressed_as_without_a_button():
    key = replace(REFERENCE, button_length=12)
    assert min(flex.slot_cover(key)) < 0
    start = 213
    assert flex.fibre_stress(key, 30, start) == flex.fibre_stress(BARE, 30, start)


def test_utilisation_is_stress_over_rupture():
    assert flex.utilisation(stress=17.5, rupture=70) == pytest.approx(flex.CAUTION_UTILISATION)


# Cover


def test_cover_is_what_the_button_reaches_beyond_each_end_of_the_slot():
    assert flex.slot_cover(key=REFERENCE) == (13, 13)
    assert flex.slot_cover(replace(REFERENCE, button_offset=3)) == (10, 16)
    assert flex.slot_cover(BARE) == (-7, -7)
    assert flex.slot_cover(replace(REFERENCE, slot_width=0)) == (20, 20)


@pytest.mark.parametrize(
    ("length", "status"),
    [(14, "stop"), (14.1, "reject"), (25.9, "reject"), (26, "warn"), (29.9, "warn"), (30, "enough")],
)
def test_the_cover_rule_goes_by_the_smaller_cover(length, status):
    assert flex.cover_status(replace(REFERENCE, button_length=length)) == status
    if status != "stop":
        shifted = replace(REFERENCE, button_length=length, button_offset=-(length - 14) / 2)
        assert flex.cover_status(shifted) == "stop"


# Curve


def test_the_curve_gives_each_length_with_its_flex_and_cover():
    points = flex.flexibility_curve(key=REFERENCE, lengths=[32, 40, 50])
    assert [point.length for point in points] == [32, 40, 50]
    assert points[1] == pytest.approx((40, 100, 13))
    assert points[0].relative_flex == pytest.approx(100 * ratio(replace(REFERENCE, button_length=32)))
    assert points[0].cover == 9


def test_the_curve_falls_with_the_length_from_the_loose_button_on():
    flexes = [point.relative_flex for point in flex.flexibility_curve(REFERENCE, range(0, 100, 4))]
    assert flexes == sorted(flexes, reverse=True)
    assert flexes[0] == pytest.approx(100 * ratio(BARE))


# Woods


def test_every_wood_names_its_source_and_only_sitka_spruce_is_from_memory():
    assert {slug for slug, wood in flex.WOODS.items() if wood.from_memory} == {"sitka_spruce"}
    assert all(wood.source and wood.modulus > 5000 and wood.rupture > 50 for wood in flex.WOODS.values())
    assert flex.WOODS["sitka_spruce"].modulus == REFERENCE.modulus
    assert flex.WOODS["sugar_maple"].modulus == REFERENCE.button_modulus


# Rejections

ABSENT_AT_ZERO = {
    "slot_length",
    "slot_width",
    "slot_depth",
    "hole_diameter",
    "button_length",
    "button_width",
    "button_height",
    "mortise_length",
    "mortise_width",
    "shoe_length",
    "shoe_height",
    "plate_length",
    "plate_height",
    "front_mortise_x",
    "front_mortise_length",
    "front_mortise_width",
    "front_mortise_depth",
    "button_offset",
}


@pytest.mark.parametrize("name", [field.name for field in fields(KeyGeometry)])
def test_no_size_may_be_other_than_a_finite_number(name):
    optional = name in ("shear_modulus", "button_shear_modulus")
    for bad in (math.nan, math.inf, True, "24", [], *([] if optional else [None])):
        with pytest.raises(MeasurementError, match=name):
            KeyGeometry(**{name: bad})
    if name != "button_offset":
        with pytest.raises(MeasurementError, match=name):
            KeyGeometry(**{name: -1})
    if name not in ABSENT_AT_ZERO:
        with pytest.raises(MeasurementError, match=name):
            KeyGeometry(**{name: 0})
    if name not in ("button_offset", "front_mortise_x"):
        with pytest.raises(MeasurementError, match=name):
            KeyGeometry(**{name: 1e-9})


@pytest.mark.parametrize("name", sorted(ABSENT_AT_ZERO))
def test_zero_means_absent(name):
    assert 0.02 < flex.key_flexibility(KeyGeometry(**{name: 0})) < 0.05


@pytest.mark.parametrize(
    ("sizes", "named"),
    [
        ({"slot_width": 13}, "slot_width"),
        ({"slot_depth": 24}, "slot_depth"),
        ({"hole_diameter": 13}, "hole_diameter"),
        ({"mortise_width": 13}, "mortise_width"),
        ({"button_length": 261}, "button_length"),
        ({"slot_length": 261}, "slot_length"),
        ({"shoe_length": 261, "shoe_height": 2}, "shoe_length"),
        ({"button_length": 200, "button_offset": 50}, "button_offset"),
        ({"front_mortise_width": 13, "front_mortise_length": 10, "front_mortise_depth": 10}, "front_mortise_width"),
        (
            {
                "front_mortise_x": 20,
                "front_mortise_width": 5,
                "front_mortise_length": 10,
                "front_mortise_depth": 24,
            },
            "front_mortise_depth",
        ),
        (
            {
                "front_mortise_x": 4,
                "front_mortise_width": 5,
                "front_mortise_length": 10,
                "front_mortise_depth": 10,
            },
            "front_mortise_x",
        ),
        (
            {
                "front_mortise_x": 210,
                "front_mortise_width": 5,
                "front_mortise_length": 10,
                "front_mortise_depth": 10,
            },
            "front_mortise_x",
        ),
    ],
)
def test_parts_that_leave_no_wood_or_lie_beyond_the_key_are_refused(sizes, named):
    with pytest.raises(MeasurementError, match=named):
        KeyGeometry(**sizes)


@pytest.mark.parametrize("bad", [math.nan, -1, True, "8"])
def test_the_other_arguments_are_checked_too(bad):
    for call, named in (
        (lambda: flex.key_flexibility(REFERENCE, engagement_length=bad), "engagement_length"),
        (lambda: flex.section_at(REFERENCE, bad), "x"),
        (lambda: flex.fibre_stress(REFERENCE, bad, 100), "force"),
        (lambda: flex.fibre_stress(REFERENCE, 10, bad), "x"),
        (lambda: flex.fibre_stress(REFERENCE, 10, 100, bad), "engagement_length"),
        (lambda: flex.utilisation(bad, 70), "stress"),
        (lambda: flex.utilisation(5, bad), "rupture"),
        (lambda: flex.static_deflection(REFERENCE, bad), "grams"),
        (lambda: flex.deflection_status(bad), "deflection"),
        (lambda: flex.flexibility_curve(REFERENCE, [bad]), "lengths"),
    ):
        with pytest.raises(MeasurementError, match=named):
            call()


def test_a_point_beyond_the_key_an_empty_curve_and_no_key_are_refused():
    with pytest.raises(MeasurementError, match="x must be at most 350"):
        flex.section_at(REFERENCE, 351)
    with pytest.raises(MeasurementError, match="lengths"):
        flex.flexibility_curve(REFERENCE, [])
    with pytest.raises(MeasurementError, match="key"):
        flex.key_flexibility(None)
    with pytest.raises(MeasurementError, match="shear"):
        flex.key_flexibility(REFERENCE, shear=1)


# Laws


@settings(max_examples=60, deadline=None)
@given(keys, st.booleans())
def test_a_key_turned_end_for_end_stores_the_same_energy(key, shear):
    """F^2 f/2 is stored; loaded from the other end by the rear's reaction, the same beam stores as much."""
    turned = replace(key, front_arm=key.rear_arm, rear_arm=key.front_arm, button_offset=-key.button_offset)
    leverage = (key.front_arm / key.rear_arm) ** 2
    assert flex.key_flexibility(key, shear=shear) == pytest.approx(
        leverage * flex.key_flexibility(turned, shear=shear), rel=1e-9
    )


@settings(max_examples=60, deadline=None)
@given(keys)
def test_wood_and_glue_only_ever_stiffen_a_key(key):
    loose = flex.key_flexibility(replace(key, button_length=0))
    slipping = flex.key_flexibility(key)
    perfect = flex.key_flexibility(key, engagement_length=0)
    assert perfect * (1 - 1e-9) <= slipping <= loose * (1 + 1e-9)
    assert flex.key_flexibility(key, shear=False) < slipping
    assert flex.key_flexibility(replace(key, modulus=key.modulus * 1.1)) < slipping


@settings(max_examples=30, deadline=None)
@given(keys)
def test_the_engaged_part_is_the_same_whichever_way_it_is_reckoned(key):
    """A barely slipping button is a perfect one, and a hopelessly slipping one is loose."""
    assert flex.key_flexibility(key, engagement_length=1e-6, shear=False) == pytest.approx(
        flex.key_flexibility(key, **PERFECT), rel=0.02
    )
    assert flex.key_flexibility(key, engagement_length=1e6) == pytest.approx(
        flex.key_flexibility(replace(key, button_length=0)), rel=1e-6
    )

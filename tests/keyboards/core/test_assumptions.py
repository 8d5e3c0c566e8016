"""What an advice assumes: starting values, what a shop and a job may put over them, what is turned away.

The table of starting values is the shop's own design, most of it an estimate without a source; the two figures from
outside are named beside their checks.
"""

from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core import assumptions, choice, fit
from keyboards.core.assumptions import ASSUMPTIONS, BY_NAME, FLAG, LIST, Assumed, clean, effective, final_limits
from keyboards.core.errors import MeasurementError

NAMES = [row.name for row in ASSUMPTIONS]
START = effective({}, {}).assumed

# Starting values. Estimates, but for: dip 9.5 to 11 mm (one bench text).
STARTING = {
    "clearance": 0.05,
    "lower": -0.05,
    "upper": 0.10,
    "compression": 0.15,
    "compression_calibrated": False,
    "u_mortise": 0.03,
    "u_pin": 0.012,
    "u_cloth": 0.01,
    "u_compression_calibrated": 0.01,
    "u_compression_before": 0.03,
    "outlier_k": 3.0,
    "outlier_floor": 0.02,
    "confidence": 0.95,
    "p_ok": 0.01,
    "p_failing": 0.6,
    "p_repaired": 0.1,
    "p_new": 0.01,
    "visit_fixed": 120,
    "visit_key": 20,
    "close_margin": 0.05,
    "sensitivity_change": 0.30,
    "cover_stop": 0,
    "cover_least": 6,
    "part_length_minus": 0,
    "part_length_plus": 1,
    "part_width": 0.1,
    "part_skew": 0.5,
    "angle_step": 0.5,
    "fan_step": 1.0,
    "dip_low": 9.5,
    "dip_high": 11.0,
    "skew_copy": 0.5,
}


# Starting values


@pytest.mark.parametrize(("name", "value"), STARTING.items())
def test_a_shop_begins_with_these_values(name, value):
    assert getattr(START, name) == value


def test_every_assumption_has_one_value_and_every_value_one_assumption():
    assert len(NAMES) == len(set(NAMES))
    assert set(NAMES) == {field.name for field in fields(Assumed)}


@pytest.mark.parametrize("row", ASSUMPTIONS, ids=NAMES)
def test_a_starting_value_is_one_that_may_be_kept_and_says_where_it_is_from(row):
    assert clean(row.name, row.default) == row.default
    assert row.title
    assert row.source
    assert row.group in assumptions.GROUPS


def test_the_calculations_begin_with_the_same_values():
    assert (START.compression, START.clearance, START.lower, START.upper) == (
        fit.COMPRESSION,
        fit.CLEARANCE,
        fit.LOWER,
        fit.UPPER,
    )
    assert (START.u_mortise, START.u_pin, START.u_cloth) == (fit.U_MORTISE, fit.U_PIN, fit.U_CLOTH)
    assert (START.u_compression_calibrated, START.u_compression_before) == (
        fit.U_COMPRESSION,
        fit.U_COMPRESSION_UNCALIBRATED,
    )
    condition = choice.SectionCondition(keys=1, failing=0, specs_failing=0, specs_all=1)
    assert all(getattr(START, name) == getattr(condition, name) for name in choice.CHANCES)
    assert START.close_margin == choice.CLOSE_MARGIN


def test_the_pin_begins_at_the_nominal_146_thousandths_of_an_inch():
    assert START.pin == pytest.approx(0.146 * 25.4, abs=0.01)  # 1 in = 25.4 mm exactly


def test_a_compression_that_was_never_calibrated_is_three_times_as_uncertain():
    assert START.u_compression == 0.03
    assert effective({"compression_calibrated": True}, {}).assumed.u_compression == 0.01


# Cloth in stock


def test_the_largest_step_between_cloths_is_the_window_over_both_pressed_layers():
    # 0.15 mm between the limits, 2 x 0.85 of each step reaches the gap: 0.0882 by hand
    assert START.largest_step == pytest.approx(0.0882, abs=5e-5)


def test_the_starting_stock_leaves_no_gap_and_steps_of_a_tenth_do():
    assert START.gaps == ()
    held = effective({"stock": [0.9, 1.0, 1.07]}, {}).assumed
    assert held.gaps == ((0.9, 1.0),)


def test_cloths_are_kept_thinnest_first_each_once():
    assert effective({}, {"stock": [1.1, 0.9, 1.1, 1]}).assumed.stock == (0.9, 1.0, 1.1)


# What is put over what


def test_a_job_goes_before_the_shop_and_the_shop_before_the_starting_value():
    found = effective({"clearance": 0.06, "pin": 3.6}, {"clearance": 0.07})
    assert (found.assumed.clearance, found.assumed.pin, found.assumed.upper) == (0.07, 3.6, 0.10)
    assert found.own == {"clearance"}
    assert found.errors == {}


def test_what_a_job_says_as_the_shop_does_is_not_its_own():
    assert effective({"clearance": 0.06}, {"clearance": 0.06}).own == frozenset()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("clearance", "0.05"),
        ("clearance", None),
        ("clearance", True),
        ("clearance", [0.05]),
        ("clearance", float("nan")),
        ("clearance", float("inf")),
        ("clearance", -0.01),
        ("compression", 0.61),
        ("p_failing", 1.01),
        ("p_failing", -0.01),
        ("visit_fixed", -1),
        ("upper", 1e12),
        ("compression_calibrated", 1),
        ("compression_calibrated", "on"),
        ("stock", []),
        ("stock", 1.0),
        ("stock", "1.0"),
        ("stock", ["1.0"]),
        ("stock", [1.0, float("nan")]),
        ("stock", [0.0]),
        ("stock", [1 + step / 100 for step in range(17)]),
        ("stock", {"1.0": 1.0}),
    ],
)
def test_a_value_that_cannot_be_is_named_and_the_others_are_kept(name, value):
    found = effective({}, {name: value, "pin": 3.5})
    assert set(found.errors) == {name}
    assert getattr(found.assumed, name) == getattr(START, name)
    assert found.assumed.pin == 3.5


def test_a_bad_value_of_the_job_leaves_the_shops():
    assert effective({"clearance": 0.08}, {"clearance": "wide"}).assumed.clearance == 0.08


def test_a_name_that_nobody_knows_is_named():
    assert set(effective({}, {"colour": 3}).errors) == {"colour"}
    with pytest.raises(MeasurementError, match="not an assumption"):
        clean("colour", 3)


@pytest.mark.parametrize(
    ("low", "high", "values"),
    [
        ("lower", "upper", {"lower": 0.0, "upper": 0.0}),
        ("dip_low", "dip_high", {"dip_low": 11.0}),
        ("dip_low", "dip_high", {"dip_high": 9.5}),
        ("side_play_low", "side_play_high", {"side_play_low": 0.8}),
        ("balance_clearance_low", "balance_clearance_high", {"balance_clearance_low": 0.2}),
        ("front_clearance_low", "front_clearance_high", {"front_clearance_low": 0.9}),
        ("level_low", "level_high", {"level_low": 0.0, "level_high": 0.0}),
        ("cover_stop", "cover_least", {"cover_stop": 6.0}),
    ],
)
def test_limits_in_the_wrong_order_are_refused_beside_the_one_that_was_given(low, high, values):
    found = effective({}, values)
    assert set(found.errors) <= set(values)
    assert len(found.errors) == 1
    assert getattr(found.assumed, low) < getattr(found.assumed, high)
    assert (getattr(found.assumed, low), getattr(found.assumed, high)) == (getattr(START, low), getattr(START, high))


def test_both_limits_moved_together_past_the_old_ones_are_kept():
    found = effective({}, {"dip_low": 11.5, "dip_high": 12.0})
    assert found.errors == {}
    assert (found.assumed.dip_low, found.assumed.dip_high) == (11.5, 12.0)


numbers = st.one_of(st.floats(), st.integers(-(10**400), 10**400))
anything = st.one_of(
    st.none(), st.booleans(), numbers, st.text(max_size=8), st.lists(st.one_of(numbers, st.text()), max_size=20)
)


@given(
    shop=st.dictionaries(st.sampled_from(NAMES), anything, max_size=12),
    own=st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=5)), anything, max_size=12),
)
def test_whatever_is_stored_what_holds_is_possible_and_in_order(shop, own):
    found = effective(shop, own)
    for row in ASSUMPTIONS:
        value = getattr(found.assumed, row.name)
        if row.kind == FLAG:
            assert isinstance(value, bool)
            continue
        several = value if row.kind == LIST else (value,)
        assert several
        assert list(several) == sorted(set(several))
        assert all(row.lowest <= one <= row.highest for one in several)
    assert found.assumed.lower < found.assumed.upper
    assert all(limit.low < limit.high for limit in final_limits(found.assumed))


# Limits of the final check: sources differ 3 to 8 times because they measure at different places


def test_every_limit_of_the_final_check_names_its_place():
    places = {limit.quantity: (limit.place, limit.key) for limit in final_limits(START)}
    assert places == {
        "side_play": ("fingertip", "up"),
        "balance_clearance": ("bushing", "up"),
        "front_clearance": ("bushing", "up"),
        "dip": ("fingertip", "down"),
        "level": ("fingertip", "up"),
        "skew_copy": ("bushing", "up"),
    }


def test_limits_are_the_shops_and_carry_their_uncertainty():
    held = effective({"side_play_high": 0.9, "u_side_play": 0.05, "skew_copy": 0.4}, {}).assumed
    limits = {limit.quantity: limit for limit in final_limits(held)}
    assert (limits["side_play"].high, limits["side_play"].u, limits["side_play"].unit) == (0.9, 0.05, "mm")
    assert (limits["skew_copy"].low, limits["skew_copy"].high, limits["skew_copy"].unit) == (-0.4, 0.4, "°")


def test_worn_side_play_is_beyond_the_limit_and_right_side_play_within():
    # about 0.5 mm in all is right, about 1 mm worn: one bench text, common practice
    side_play = next(limit for limit in final_limits(START) if limit.quantity == "side_play")
    assert side_play.low < 0.5 < side_play.high < 1.0


def test_only_limits_of_the_final_check_have_a_place():
    assert {row.group for row in ASSUMPTIONS if row.place} == {"final"}
    assert all(BY_NAME[name].place for name in NAMES if BY_NAME[name].group == "final")

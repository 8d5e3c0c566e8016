"""Spread, drift, outliers and samples: check values, rejections, and laws that any keyboard obeys."""

import math
import random
from collections import Counter

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass
from keyboards.core.spread import (
    notes_visited,
    outliers,
    robust_spread,
    smallest_sample,
    step_visits_all_notes,
    stratified_sample,
    theil_sen,
    upper_failing,
)

NAN, INF = float("nan"), float("inf")
lengths = st.integers(4800, 6600).map(lambda um: um / 1000)
keyboards = st.lists(lengths, min_size=2, max_size=30)


def test_one_wild_value_does_not_move_the_spread():
    tame = robust_spread([5.4, 5.45, 5.5, 5.55, 5.6])
    wild = robust_spread([5.4, 5.45, 5.5, 5.55, 56.0])
    assert tame == wild
    assert tame.median == 5.5
    assert tame.mad_sd == pytest.approx(1.482602218505602 * 0.05)
    assert tame.iqr_sd == pytest.approx(0.10 / 1.3489795003921634)


def test_few_values_are_answered_too():
    assert robust_spread([5.5]) == robust_spread([5.5, 5.5])
    assert robust_spread([5.5]).mad_sd == robust_spread([5.5]).iqr_sd == 0
    assert robust_spread([5.4, 5.6]).median == pytest.approx(5.5)


@given(st.lists(lengths, min_size=1, max_size=30), st.randoms())
def test_the_order_of_values_does_not_matter(values, rng):
    before = robust_spread(values)
    rng.shuffle(values)
    assert robust_spread(values) == before


@given(st.lists(lengths, min_size=1, max_size=30), st.floats(-100, 100), st.floats(0.1, 10))
def test_spread_moves_and_stretches_with_the_values(values, shift, stretch):
    before = robust_spread(values)
    after = robust_spread([shift + stretch * value for value in values])
    assert after.median == pytest.approx(shift + stretch * before.median, abs=1e-9)
    assert after.mad_sd == pytest.approx(stretch * before.mad_sd, abs=1e-9)
    assert after.iqr_sd == pytest.approx(stretch * before.iqr_sd, abs=1e-9)


def test_a_straight_drift_is_found_exactly_though_a_quarter_is_wrong():
    keys = list(range(1, 89))
    values = [5.4 + 0.002 * key for key in keys]
    for key in range(3, 88, 4):
        values[key] += 1
    slope, intercept = theil_sen(x=keys, y=values)
    assert slope == pytest.approx(0.002, abs=1e-12)
    assert intercept == pytest.approx(5.4, abs=1e-12)


@given(keyboards)
def test_a_mirrored_keyboard_drifts_the_other_way(values):
    keys = list(range(1, len(values) + 1))
    slope, intercept = theil_sen(keys, values)
    mirrored, at_other_end = theil_sen(keys, values[::-1])
    assert mirrored == pytest.approx(-slope, abs=1e-12)
    assert at_other_end == pytest.approx(intercept + slope * (len(values) + 1), abs=1e-9)


@given(keyboards)
def test_outliers_mirror_with_the_keyboard_and_know_no_order(values):
    keys = list(range(1, len(values) + 1))
    found = outliers(keys, values)
    assert set(outliers(keys[::-1], values[::-1])) == set(found)
    assert {len(values) + 1 - key for key in outliers(keys, values[::-1])} == set(found) or near_the_limit(values)


def near_the_limit(values):
    """A residual on the very limit may fall to either side by its last bit."""
    keys = range(1, len(values) + 1)
    slope, intercept = theil_sen(keys, values)
    residuals = [value - intercept - slope * key for key, value in zip(keys, values, strict=True)]
    spread = robust_spread(residuals)
    limit = 3 * max(spread.mad_sd, 0.02)
    return any(abs(abs(r - spread.median) - limit) < 1e-9 for r in residuals)


def test_a_drift_from_bass_to_treble_is_not_flagged_but_a_jump_is():
    rng = random.Random(1)
    keys = list(range(1, 89))
    values = [5.4 + 0.003 * key + rng.gauss(0, 0.015) for key in keys]
    values[40] += 0.2
    values[60] -= 0.2
    assert outliers(keys=keys, values=values) == (41, 61)
    median = robust_spread(values)
    assert abs(values[0] - median.median) > 0.1  # the bass end alone differs by as much without being wrong


def test_the_floor_keeps_tiny_differences_quiet():
    keys = [1, 2, 3, 4, 5, 6]
    values = [5.5, 5.5, 5.5, 5.55, 5.5, 5.5]
    assert outliers(keys, values) == ()
    assert outliers(keys, values, floor=0.01) == (4,)
    assert outliers(keys, values, k=2) == (4,)


def test_one_key_is_no_outlier_and_keys_keep_their_order():
    assert outliers([7], [5.5]) == ()
    assert outliers([8, 3, 1, 2, 5, 4], [9.0, 5.5, 5.5, 5.5, 1.0, 5.5]) == (8, 5)


# What a sample says (the check values are held against another library in the validation tests)


@pytest.mark.parametrize(("failing", "most"), [(0, 9), (1, 15), (2, 21), (3, 25)])
def test_22_of_88_bound_the_failing_keys(failing, most):
    assert upper_failing(total=88, inspected=22, failing=failing) == most


@pytest.mark.parametrize(("allowed", "needed"), [(0, 84), (1, 68), (2, 55), (4, 39), (8, 24), (10, 20)])
def test_the_smallest_sample_for_what_is_allowed(allowed, needed):
    assert smallest_sample(total=88, allowed=allowed) == needed


def test_all_keys_inspected_leave_no_doubt_and_none_leave_all():
    for failing in range(89):
        assert upper_failing(88, 88, failing) == failing
    assert upper_failing(88, 0, 0) == 88
    assert smallest_sample(88, 88) == 0


def test_a_chance_of_exactly_one_in_twenty_is_not_above_it():
    # 19 of 20 inspected and good: were the last one bad, it would be missed with a chance of exactly 1/20
    assert upper_failing(total=20, inspected=19, failing=0, confidence=0.95) == 0
    assert smallest_sample(total=20, allowed=0) == 19
    # 0.9 is not exact in binary: the nearest fraction would make 1/10 come out above 1 - 0.9
    assert upper_failing(total=10, inspected=9, failing=0, confidence=0.9) == 0


sets = st.tuples(st.integers(1, 120), st.integers(0, 120), st.integers(0, 120)).filter(lambda t: t[0] >= t[1] >= t[2])


@given(sets)
def test_the_bound_rises_with_failures_and_falls_with_the_sample(case):
    total, inspected, failing = case
    bound = upper_failing(total, inspected, failing)
    assert failing <= bound <= total - (inspected - failing)
    if failing < inspected:
        assert upper_failing(total, inspected, failing + 1) > bound
    if inspected < total:
        assert upper_failing(total, inspected + 1, failing) <= bound
    assert upper_failing(total, inspected, failing, confidence=0.99) >= bound


@given(st.integers(1, 100), st.integers(0, 100), st.integers(0, 100))
def test_the_smallest_sample_suffices_and_one_key_less_does_not(total, allowed, failing):
    assume(failing <= allowed <= total)
    needed = smallest_sample(total, allowed, failing=failing)
    assert upper_failing(total, needed, failing) <= allowed
    if needed > failing:
        assert upper_failing(total, needed - 1, failing) > allowed


# Picking keys


@given(st.sets(st.integers(1, 116), min_size=1), st.data())
def test_a_stratified_pick_is_spread_over_the_keys_and_repeatable(keys, data):
    count = data.draw(st.integers(1, len(keys)))
    seed = data.draw(st.integers(0, 10**9))
    ordered = sorted(keys)
    picked = stratified_sample(keys=ordered, count=count, seed=seed)
    assert picked == stratified_sample(ordered[::-1], count, seed)
    assert picked == tuple(sorted(set(picked)))
    assert len(picked) == count
    assert set(picked) <= keys
    # no longer run of keys goes without one than two neighbouring stretches
    places = [ordered.index(key) for key in picked]
    widest = math.ceil(len(ordered) / count) + 1
    assert all(b - a < 2 * widest for a, b in zip([-1, *places], [*places, len(ordered)], strict=True))


def test_a_stratified_pick_stays_the_same_in_years_to_come():
    # pinned: a report names its seed, and the same keys must come out again
    assert stratified_sample(range(1, 89), 12, seed=1) == (1, 13, 21, 24, 33, 40, 49, 57, 59, 67, 79, 84)


def test_every_key_has_nearly_the_same_chance():
    for count in (11, 20, 22):
        times = Counter(key for seed in range(3000) for key in stratified_sample(range(1, 89), count, seed))
        expected = 3000 * count / 88
        assert len(times) == 88
        assert min(times.values()) > 0.78 * expected
        assert max(times.values()) < 1.22 * expected


def test_all_keys_picked_are_all_keys():
    assert stratified_sample([5, 1, 9], 3, seed=4) == (1, 5, 9)


def test_evenly_scattered_failures_make_the_bound_of_a_stratified_pick_slightly_bold():
    # 22 stretches of 4 keys. Ten failing keys, one each in ten stretches, are all missed with (3/4)^10; with a
    # simple random pick with C(78, 22)/C(88, 22). The bound for none found is 9.
    assert upper_failing(88, 22, 0) == 9
    assert math.comb(78, 22) / math.comb(88, 22) < 0.05 < 0.75**10 < 0.057
    # in one run they fill at least one whole stretch and cannot be missed
    for seed in range(200):
        assert set(stratified_sample(range(1, 89), 22, seed)) & set(range(31, 41))


def test_every_fourth_key_meets_three_note_names_and_steps_of_5_and_7_all():
    assert notes_visited(range(1, 89, 4)) == 3
    assert [step for step in range(1, 13) if step_visits_all_notes(step)] == [1, 5, 7]
    assert not step_visits_all_notes(step=5, count=40)  # only eight keys are visited
    assert not step_visits_all_notes(step=7, start=12)


@given(st.integers(1, 20), st.integers(1, 88))
def test_the_names_of_the_notes_agree(step, start):
    full = Compass()
    names = {full.name(key).rstrip("0123456789") for key in range(start, 89, step)}
    assert notes_visited(range(start, 89, step)) == len(names)
    assert step_visits_all_notes(step, start=start) == (len(names) == 12)


# Rejections

BAD_NUMBERS = [NAN, INF, True, "5", None]
BAD_WHOLES = [*BAD_NUMBERS, 1.0, -1, 10**13]


@pytest.mark.parametrize("bad", [[value] for value in BAD_NUMBERS] + [[], "5.5", None, 5.5, {5.5}])
def test_values_are_a_list_of_numbers(bad):
    with pytest.raises(MeasurementError, match=r"^values"):
        robust_spread(bad)
    with pytest.raises(MeasurementError, match=r"^values"):
        outliers([1], bad)
    with pytest.raises(MeasurementError, match=r"^x"):
        theil_sen(bad, [1, 2])
    with pytest.raises(MeasurementError, match=r"^y"):
        theil_sen([1, 2], bad)


@pytest.mark.parametrize("bad", [[value, 2] for value in BAD_WHOLES] + [[0, 1], [2, 2], [], [1], [1, 2, 3]])
def test_keys_are_numbers_of_keys_each_once_and_as_many_as_values(bad):
    with pytest.raises(MeasurementError, match=r"keys"):
        outliers(bad, [5.5, 5.6])


@pytest.mark.parametrize(("name", "bad"), [("k", 0), ("k", -1), ("k", NAN), ("floor", -0.1), ("floor", "0")])
def test_limits_of_outliers_are_checked(name, bad):
    with pytest.raises(MeasurementError, match=rf"^{name} must be"):
        outliers([1, 2], [5.5, 5.6], **{name: bad})


@pytest.mark.parametrize(("x", "y"), [([1], [2]), ([1, 1], [2, 3]), ([1, 2, 3], [1, 2]), ([1, 2], [1, 2, 3])])
def test_a_line_needs_two_points_side_by_side(x, y):
    with pytest.raises(MeasurementError, match=r"^[xy] must"):
        theil_sen(x, y)


def test_points_too_close_for_a_line_are_refused():
    with pytest.raises(MeasurementError, match="too close together"):
        theil_sen([0.0, 5e-324], [0.0, 1.0])


@pytest.mark.parametrize("bad", BAD_WHOLES)
def test_counts_are_whole_numbers(bad):
    for call, name in [
        (lambda v: upper_failing(v, 22, 0), "total"),
        (lambda v: upper_failing(88, v, 0), "inspected"),
        (lambda v: upper_failing(88, 22, v), "failing"),
        (lambda v: smallest_sample(v, 1), "total"),
        (lambda v: smallest_sample(88, v), "allowed"),
        (lambda v: smallest_sample(88, 1, v), "failing"),
        (lambda v: stratified_sample([1, 2], v, 1), "count"),
        (lambda v: stratified_sample([1, 2], 1, v), "seed"),
        (lambda v: step_visits_all_notes(v), "step"),
        (lambda v: step_visits_all_notes(5, count=v), "count"),
        (lambda v: step_visits_all_notes(5, start=v), "start"),
    ]:
        with pytest.raises(MeasurementError, match=rf"^{name} "):
            call(bad)


@pytest.mark.parametrize(
    ("total", "inspected", "failing", "name"),
    [(88, 89, 0, "inspected"), (88, 22, 23, "failing"), (0, 0, 0, "total"), (1001, 22, 0, "total")],
)
def test_more_cannot_fail_than_were_inspected_nor_be_inspected_than_there_are(total, inspected, failing, name):
    with pytest.raises(MeasurementError, match=rf"^{name} must be"):
        upper_failing(total, inspected, failing)


def test_fewer_cannot_be_allowed_than_were_found():
    with pytest.raises(MeasurementError, match=r"^failing must be at most 1"):
        smallest_sample(88, 1, failing=2)
    with pytest.raises(MeasurementError, match=r"^allowed must be at most 88"):
        smallest_sample(88, 89)


@pytest.mark.parametrize("confidence", [0, 1, -0.1, 95, NAN, "0.95", True])
def test_confidence_is_a_part_of_one(confidence):
    for call in (lambda c: upper_failing(88, 22, 0, confidence=c), lambda c: smallest_sample(88, 1, confidence=c)):
        with pytest.raises(MeasurementError, match=r"^confidence must be"):
            call(confidence)


@pytest.mark.parametrize(
    ("keys", "count", "name"),
    [([1, 2], 3, "count"), ([1, 2], 0, "count"), ([], 1, "keys"), ([1, 1], 1, "keys"), ([0], 1, "keys")],
)
def test_no_more_keys_are_picked_than_there_are(keys, count, name):
    with pytest.raises(MeasurementError, match=rf"^{name}"):
        stratified_sample(keys, count, 1)

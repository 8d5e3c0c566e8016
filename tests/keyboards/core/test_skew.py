"""Sections of skew: what is found, what is left open, and laws that any keyboard obeys.

The optimal cut itself is held against another library in the validation tests; the thresholds (0.25, 0.75 deg,
margins 2 and 6) are estimates without a source.
"""

import math
import random
from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyboards.core.errors import MeasurementError
from keyboards.core.skew import find_sections, optimal_segmentation, round_angle

KEYS = list(range(1, 89))
NAN, INF = float("nan"), float("inf")


def keyboard(*sections, noise=0.3, seed=0):
    """Angles of keys 1 upward: (count, angle) from the bass, with a reading error."""
    rng = random.Random(seed)
    return [angle + rng.gauss(0, noise) for count, angle in sections for _ in range(count)]


# Kinds


def test_a_straight_keyboard_is_straight():
    found = find_sections(keys=KEYS, angles=keyboard((88, 0.1)))
    assert found.kind == "straight"
    assert [(s.first, s.last, s.keys) for s in found.sections] == [(1, 88, tuple(KEYS))]
    assert found.certainty == "clear"


def test_one_angle_for_all_is_uniform():
    found = find_sections(KEYS, keyboard((88, 2.5)))
    assert found.kind == "uniform"
    assert found.sections[0].angle == pytest.approx(2.5, abs=0.1)
    assert found.noise == pytest.approx(0.3, abs=0.1)


def test_steps_are_found_with_their_angles_and_keys():
    found = find_sections(KEYS, keyboard((26, -3), (34, 0), (28, 4)))
    assert found.kind == "steps"
    assert [(s.first, s.last) for s in found.sections] == [(1, 26), (27, 60), (61, 88)]
    assert [s.angle for s in found.sections] == pytest.approx([-3, 0, 4], abs=0.2)
    assert [key for s in found.sections for key in s.keys] == KEYS
    assert found.certainty == "clear"


def test_a_fan_is_a_line_not_steps():
    rng = random.Random(3)
    found = find_sections(KEYS, [-4 + 0.09 * key + rng.gauss(0, 0.3) for key in KEYS])
    assert found.kind == "fan"
    assert found.slope == pytest.approx(0.09, abs=0.005)
    assert found.intercept == pytest.approx(-4, abs=0.2)
    assert len(found.sections) == 1


def test_the_scores_of_each_kind_are_told_and_the_margin_lies_between_the_best_two():
    found = find_sections(KEYS, keyboard((44, 0), (44, 3)))
    assert set(found.scores) == {"uniform", "steps", "fan"}
    best, second, _ = sorted(found.scores.values())
    assert found.scores["steps"] == best
    assert found.margin == pytest.approx(second - best)


def test_the_scores_follow_their_formulas():
    angles = keyboard((40, 0), (48, 3))
    found = find_sections(KEYS, angles)
    n, s = 88, found.noise
    mean = sum(angles) / n
    assert found.scores["uniform"] == pytest.approx(sum((a - mean) ** 2 for a in angles) / s**2)
    line = sum((a - found.intercept - found.slope * k) ** 2 for k, a in zip(KEYS, angles, strict=True))
    assert found.scores["fan"] == pytest.approx(line / s**2 + 2 * math.log(n))
    stepped = [
        optimal_segmentation(angles, count, 5)[1] / s**2
        + 3 * (count - 1) * math.log(n)
        + sum(math.log((b - a) / n) for a, b in pairwise((0, *optimal_segmentation(angles, count, 5)[0])))
        for count in range(2, 7)
    ]
    assert found.scores["steps"] == pytest.approx(min(stepped))


def test_what_cannot_be_told_apart_is_left_to_the_person():
    certainties = set()
    for seed in range(40):
        rng = random.Random(seed)
        angles = [1 + 0.012 * key + rng.gauss(0, 0.5) for key in KEYS]  # a faint fan in coarse readings
        found = find_sections(KEYS, angles)
        certainties.add(found.certainty)
        assert found.certainty == ("undecided" if found.margin < 2 else "weak" if found.margin <= 6 else "clear")
    assert certainties == {"undecided", "weak", "clear"}


def test_neighbours_less_than_three_quarters_of_a_degree_apart_are_cut_as_one():
    close = find_sections(KEYS, keyboard((30, 0), (30, 3), (28, 3.5), noise=0.1))
    assert [(s.first, s.last) for s in close.sections] == [(1, 30), (31, 88)]
    apart = find_sections(KEYS, keyboard((30, 0), (30, 3), (28, 4), noise=0.1))
    assert [(s.first, s.last) for s in apart.sections] == [(1, 30), (31, 60), (61, 88)]


def test_steps_that_all_merge_are_one_angle():
    found = find_sections(KEYS, keyboard((44, 2), (44, 2.6), noise=0.1))
    assert found.scores["steps"] < found.scores["uniform"]
    assert found.kind == "uniform"
    assert len(found.sections) == 1


# Wild readings and missing keys


def test_a_slip_is_listed_to_be_measured_again_and_changes_nothing_else():
    angles = keyboard((44, 0), (44, 3))
    clean = find_sections(KEYS, angles)
    angles[19] += 8
    angles[70] = -angles[70]
    found = find_sections(KEYS, angles)
    assert found.outliers == (20, 71)
    assert [(s.first, s.last) for s in found.sections] == [(s.first, s.last) for s in clean.sections]
    assert all(key not in s.keys for s in found.sections for key in (20, 71))


@pytest.mark.parametrize(("off", "wild"), [(0.34, ()), (0.36, (30,)), (-0.36, (30,))])
def test_a_slip_is_three_and_a_half_times_the_reading_error(off, wild):
    # without scatter the error counts as 0.1 deg, no bevel being read better
    angles = [1.0] * 88
    angles[29] += off
    found = find_sections(KEYS, angles)
    assert found.noise == 0.1
    assert found.outliers == wild


def test_a_step_is_no_slip():
    assert find_sections(KEYS, keyboard((44, -5), (44, 5))).outliers == ()


def test_keys_between_sections_that_were_not_measured_stay_open():
    measured = [key for key in KEYS if not 40 <= key <= 48]
    angles = [angle for key, angle in zip(KEYS, keyboard((44, 0), (44, 3)), strict=True) if key in measured]
    found = find_sections(measured, angles)
    assert [(s.first, s.last) for s in found.sections] == [(1, 39), (49, 88)]


def test_readings_that_contradict_each_other_are_sent_back():
    # ten readings, one of them wild: enough for sections of five keys, not for one of ten
    angles = [0, 0, 0, 0, 9, 0, 0, 0, 0, 0]
    assert find_sections(range(1, 11), angles).outliers == (5,)
    with pytest.raises(MeasurementError, match="contradict each other"):
        find_sections(range(1, 11), angles, min_length=10)


# The cut


@given(st.lists(st.integers(-9, 9), min_size=2, max_size=11), st.integers(1, 4), st.integers(1, 3))
@settings(deadline=None)
def test_no_other_cut_is_better(values, segments, min_length):
    if segments * min_length > len(values):
        with pytest.raises(MeasurementError, match=r"^values: \d segments of \d need"):
            optimal_segmentation(values, segments, min_length)
        return
    ends, sse = optimal_segmentation(values=values, segments=segments, min_length=min_length)
    assert len(ends) == segments
    assert ends[-1] == len(values)

    def squared_errors(cuts):
        parts = [values[a:b] for a, b in pairwise((0, *cuts))]
        return sum(sum((v - sum(part) / len(part)) ** 2 for v in part) for part in parts)

    allowed = [
        (*inner, len(values))
        for inner in combinations(range(1, len(values)), segments - 1)
        if all(b - a >= min_length for a, b in pairwise((0, *inner, len(values))))
    ]
    assert ends in allowed
    assert sse == pytest.approx(squared_errors(ends), abs=1e-9)
    assert sse == pytest.approx(min(squared_errors(cuts) for cuts in allowed), abs=1e-9)


def test_large_offsets_cost_no_digits():
    row = [0.001, 0.002, 0.001, 0.012, 0.011, 0.012]
    ends, sse = optimal_segmentation([1e6 + value for value in row], 2, 1)
    assert ends == (3, 6)
    assert sse == pytest.approx(optimal_segmentation(row, 2, 1)[1], rel=1e-3)


# Laws

boards = st.lists(
    st.tuples(st.integers(6, 25), st.integers(-8, 8)), min_size=2, max_size=4, unique_by=lambda part: part[1]
).flatmap(lambda parts: st.builds(lambda seed: keyboard(*parts, seed=seed), st.integers(0, 10**6)))


def shape(found):
    return [(s.first, s.last) for s in found.sections]


@given(boards)
@settings(deadline=None, max_examples=40)
def test_a_mirrored_keyboard_has_mirrored_sections(angles):
    count = len(angles)
    keys = list(range(1, count + 1))
    found = find_sections(keys, angles)
    mirrored = find_sections(keys, [-angle for angle in reversed(angles)])
    assert mirrored.kind == found.kind
    assert mirrored.noise == pytest.approx(found.noise)
    assert mirrored.slope == pytest.approx(found.slope, abs=1e-9)
    assert [(count + 1 - last, count + 1 - first) for first, last in reversed(shape(mirrored))] == shape(found)
    assert [-s.angle for s in reversed(mirrored.sections)] == pytest.approx([s.angle for s in found.sections])
    assert [count + 1 - key for key in reversed(mirrored.outliers)] == list(found.outliers)


@given(boards, st.randoms())
@settings(deadline=None, max_examples=40)
def test_the_order_of_measuring_does_not_matter(angles, rng):
    pairs = list(enumerate(angles, start=1))
    found = find_sections(*zip(*pairs, strict=True))
    rng.shuffle(pairs)
    assert find_sections(*zip(*pairs, strict=True)) == found


@given(boards, st.integers(-20, 20))
@settings(deadline=None, max_examples=40)
def test_turning_every_mortise_alike_moves_no_boundary(angles, turn):
    keys = list(range(1, len(angles) + 1))
    found = find_sections(keys, angles)
    turned = find_sections(keys, [angle + turn for angle in angles])
    assert shape(turned) == shape(found)
    assert [s.angle - turn for s in turned.sections] == pytest.approx([s.angle for s in found.sections], abs=1e-9)


# Rounding


@pytest.mark.parametrize(
    ("angle", "step", "rounded"),
    [
        (1.24, 0.5, 1.0),
        (1.25, 0.5, 1.5),
        (-1.25, 0.5, -1.5),
        (-1.24, 0.5, -1.0),
        (0.15, 0.1, 0.2),
        (-0.15, 0.1, -0.2),
        (2.5, 1, 3.0),
        (-2.5, 1, -3.0),
        (0.7, 0.1, 0.7),
        (-0.1, 0.5, 0.0),
    ],
)
def test_angles_are_rounded_half_away_from_zero(angle, step, rounded):
    found = round_angle(angle=angle, step=step)
    assert found == rounded
    assert math.copysign(1, found) == math.copysign(1, rounded)  # no minus zero on a drawing


@given(st.integers(-90000, 90000), st.sampled_from([0.1, 0.25, 0.5, 1]))
def test_rounding_mirrors_and_stays_within_half_a_step(thousandths, step):
    angle = thousandths / 1000
    rounded = round_angle(angle, step)
    assert abs(rounded - angle) <= step / 2 + 1e-9
    assert round_angle(-angle, step) == -rounded
    assert round_angle(rounded, step) == rounded


# Rejections

BAD = [NAN, INF, True, "3", None]


@pytest.mark.parametrize("bad", BAD)
def test_angles_keys_and_limits_are_checked(bad):
    angles = keyboard((12, 0))
    keys = list(range(1, 13))
    for name, arguments in [
        ("angles", {"angles": [bad, *angles[1:]]}),
        ("keys", {"keys": [bad, *keys[1:]]}),
        ("min_length", {"min_length": bad}),
        ("most", {"most": bad}),
    ]:
        with pytest.raises(MeasurementError, match=rf"^{name}"):
            find_sections(**{"keys": keys, "angles": angles, **arguments})
    for name, arguments in [
        ("values", {"values": [bad, *angles[1:]]}),
        ("segments", {"segments": bad}),
        ("min_length", {"min_length": bad}),
    ]:
        with pytest.raises(MeasurementError, match=rf"^{name}"):
            optimal_segmentation(**{"values": angles, "segments": 2, "min_length": 5, **arguments})
    for name in ("angle", "step"):
        with pytest.raises(MeasurementError, match=rf"^{name} must be"):
            round_angle(**{"angle": 1.0, "step": 0.5, name: bad})


def test_fewer_than_ten_keys_are_refused():
    with pytest.raises(MeasurementError, match="at least 10 measured keys are needed, not 9"):
        find_sections(range(1, 10), [0.0] * 9)
    assert find_sections(range(1, 11), [0.0] * 10).kind == "straight"


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"keys": range(1, 12)}, "angles must be as long as keys"),
        ({"keys": [1, 1, *range(3, 13)]}, "keys has 1 twice"),
        ({"keys": [0, *range(2, 13)]}, r"keys\[0\] must be at least 1"),
        ({"angles": [90.1] + [0.0] * 11}, r"angles\[0\] must be at most 90"),
        ({"angles": []}, "angles must not be empty"),
        ({"keys": []}, "keys must not be empty"),
        ({"keys": "1-12"}, "keys must be a list"),
        ({"min_length": 0}, "min_length must be at least 1"),
        ({"most": 0}, "most must be at least 1"),
    ],
)
def test_keys_and_angles_belong_together(arguments, named):
    with pytest.raises(MeasurementError, match=f"^{named}"):
        find_sections(**{"keys": range(1, 13), "angles": [0.0] * 12, **arguments})


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"segments": 0}, "segments"),
        ({"min_length": 0}, "min_length"),
        ({"segments": 3}, "values"),
        ({"values": []}, "values"),
    ],
)
def test_a_cut_needs_enough_values(arguments, named):
    with pytest.raises(MeasurementError, match=rf"^{named}"):
        optimal_segmentation(**{"values": [0.0] * 12, "segments": 2, "min_length": 5, **arguments})


@pytest.mark.parametrize("step", [0, -0.5])
def test_a_step_of_rounding_is_above_nothing(step):
    with pytest.raises(MeasurementError, match=r"^step must be above 0"):
        round_angle(1.0, step)

"""Verdicts of a final check: the worst counts, a guard band proves nothing, what was not read is no pass."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core import fit
from keyboards.core.assumptions import FinalLimit, effective, final_limits
from keyboards.core.errors import MeasurementError
from keyboards.core.verdicts import (
    FAIL,
    NOT_READ,
    PASS,
    UNDECIDED,
    VERDICTS,
    judge,
    judge_key,
    judge_set,
    worst,
)

PLAY = FinalLimit("side_play", 0.20, 0.75, "mm", 0.03, "fingertip", "up")
DIP = FinalLimit("dip", 9.5, 11.0, "mm", 0.1, "fingertip", "down")
EXACT = FinalLimit("side_play", 0.20, 0.75, "mm", 0.0, "fingertip", "up")


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (0.48, PASS),
        (0.70, PASS),  # 0.05 inside, guard band 0.049
        (0.71, UNDECIDED),
        (0.75, UNDECIDED),
        (0.79, UNDECIDED),
        (0.80, FAIL),
        (1.00, FAIL),
        (0.25, PASS),
        (0.24, UNDECIDED),
        (0.16, UNDECIDED),
        (0.15, FAIL),
        (None, NOT_READ),
    ],
)
def test_a_reading_within_the_guard_band_of_a_limit_proves_nothing(value, verdict):
    assert judge(value, PLAY).verdict == verdict


@pytest.mark.parametrize(("value", "verdict"), [(0.20, PASS), (0.75, PASS), (0.7501, FAIL), (0.1999, FAIL)])
def test_without_uncertainty_the_limits_themselves_conform(value, verdict):
    assert judge(value, EXACT).verdict == verdict


def test_a_window_narrower_than_its_guard_bands_can_prove_no_key():
    tight = FinalLimit("skew_copy", -0.5, 0.5, "°", 0.32, "bushing", "up")
    assert {judge(value / 100, tight).verdict for value in range(-50, 51)} == {UNDECIDED}


def test_the_worst_verdict_is_the_keys():
    assert worst([PASS, UNDECIDED]) == UNDECIDED
    assert worst([UNDECIDED, NOT_READ]) == NOT_READ
    assert worst([NOT_READ, FAIL, PASS]) == FAIL
    assert worst([]) == NOT_READ
    key = judge_key(7, {"side_play": 0.9, "dip": 9.52}, [PLAY, DIP])
    assert (key.verdict, [one.quantity for one in key.why]) == (FAIL, ["side_play", "dip"])


def test_what_was_not_read_is_no_pass_unless_it_was_left_out_on_purpose():
    assert judge_key(1, {"side_play": 0.5}, [PLAY, DIP]).verdict == NOT_READ
    assert judge_key(1, {"side_play": 0.5}, [PLAY, DIP], left_out={"dip"}).verdict == PASS
    assert judge_key(1, {}, [PLAY, DIP], left_out={"dip", "side_play"}).verdict == NOT_READ
    # a reading that is there counts, whatever was said about leaving it out
    assert judge_key(1, {"side_play": 0.5, "dip": 12.0}, [PLAY, DIP], left_out={"dip"}).verdict == FAIL


@pytest.mark.parametrize(("grade", "verdict"), [(None, PASS), (0, PASS), (1, FAIL), (3, FAIL)])
def test_a_key_that_is_not_sound_by_sight_fails_whatever_it_measures(grade, verdict):
    key = judge_key(1, {"side_play": 0.5}, [PLAY], grade=grade)
    assert (key.verdict, key.seen) == (verdict, verdict == FAIL)


def test_a_set_counts_its_keys_and_is_proved_when_none_fails_and_none_is_unread():
    def of(*values):
        return judge_set(judge_key(key, {"side_play": value}, [PLAY]) for key, value in enumerate(values, start=1))

    assert of(0.5, 0.72, 0.5).proved
    assert not of(0.5, 1.0).proved
    assert not of(0.5, None).proved
    assert not judge_set([]).proved
    found = of(0.5, 1.0, None, 0.72, 1.1)
    assert found.counts == {PASS: 1, UNDECIDED: 1, NOT_READ: 1, FAIL: 2}
    assert found.with_verdict(FAIL) == (2, 5)


@given(value=st.floats(-2, 3), u=st.floats(0, 0.2), low=st.floats(-1, 1), width=st.floats(0.01, 2))
def test_a_verdict_never_turns_better_as_the_uncertainty_grows(value, u, low, width):
    def verdict(uncertainty):
        return judge(value, FinalLimit("dip", low, low + width, "mm", uncertainty, "key", "")).verdict

    small, large = verdict(u), verdict(2 * u)
    if small == UNDECIDED:
        assert large == UNDECIDED
    if small != large:
        assert large == UNDECIDED


@given(st.lists(st.sampled_from(VERDICTS), min_size=1))
def test_the_order_of_the_quantities_changes_no_verdict(verdicts):
    assert worst(verdicts) == worst(reversed(verdicts)) == worst(sorted(verdicts))


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "0.5", True, 1e300])
def test_a_value_that_is_no_reading_is_refused(value):
    with pytest.raises(MeasurementError):
        judge(value, PLAY)


def test_every_limit_of_the_shop_names_its_place_and_whether_the_key_is_up_or_down():
    limits = final_limits(effective({}, {}).assumed)
    assert {limit.quantity for limit in limits} == {
        "side_play",
        "balance_clearance",
        "front_clearance",
        "dip",
        "level",
        "skew_copy",
    }
    for limit in limits:
        assert limit.place in ("fingertip", "bushing")
        assert limit.key in ("up", "down")
        assert limit.low < limit.high
        assert limit.u > 0


def test_the_guard_band_is_that_of_the_fit():
    edge = PLAY.high - fit.GUARD * PLAY.u
    assert judge(edge - 1e-9, PLAY).verdict == PASS
    assert judge(edge + 1e-6, PLAY).verdict == UNDECIDED


def test_readings_that_contradict_each_other_prove_no_key_good():
    assert judge_key(1, {"side_play": 0.5}, [PLAY]).verdict == PASS
    assert judge_key(1, {"side_play": 0.5}, [PLAY], differ={"side_play"}).verdict == UNDECIDED
    assert judge_key(1, {"side_play": 9.0}, [PLAY], differ={"side_play"}).verdict == FAIL

"""Two checks held against each other."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.compare import compare, median_interval, per_year
from keyboards.core.errors import MeasurementError

readings = st.dictionaries(st.integers(1, 88), st.floats(-10, 10), max_size=88)


def test_only_keys_read_twice_are_compared_and_the_others_are_named():
    found = compare({1: 5.0, 2: 5.1, 3: 5.2}, {2: 5.3, 3: 5.2, 4: 5.0}, 0.03, 0.04)
    assert [change.key for change in found.changes] == [2, 3]
    assert (found.only_before, found.only_after) == ((1,), (4,))
    assert found.u == pytest.approx(0.05)
    assert found.beyond == (2,)
    assert found.middle == pytest.approx(0.1)


def test_nothing_read_twice_is_no_comparison():
    assert compare({1: 5.0}, {2: 5.0}, 0.1, 0.1) is None


def test_a_change_that_the_instruments_could_make_up_is_not_one():
    assert compare({1: 5.0}, {1: 5.1}, 0.03, 0.04).beyond == ()
    assert compare({1: 5.0}, {1: 5.1001}, 0.03, 0.04).beyond == (1,)


@given(readings, readings)
def test_turned_round_every_change_has_the_other_sign(before, after):
    there, back = compare(before, after, 0.1, 0.2), compare(after, before, 0.2, 0.1)
    if there is None:
        assert back is None
        return
    assert [change.change for change in there.changes] == [-change.change for change in back.changes]
    assert there.middle == pytest.approx(-back.middle)
    assert there.beyond == back.beyond
    if there.low is not None:
        assert (there.low, there.high) == pytest.approx((-back.high, -back.low))


@given(st.lists(st.floats(-10, 10), min_size=1, max_size=88))
def test_the_interval_holds_the_median_of_the_values(values):
    low, high = median_interval(values)
    assert (low is None) == (len(values) < 6)
    if low is not None:
        middle = sorted(values)[len(values) // 2]
        assert low <= middle <= high


def test_two_checks_in_one_season_say_nothing_about_a_year():
    assert per_year(0.05, 179) is None
    assert per_year(0.05, 730) == pytest.approx(0.025, abs=1e-4)


def test_an_uncertainty_below_zero_is_refused():
    with pytest.raises(MeasurementError):
        compare({1: 1.0}, {1: 1.0}, -0.1, 0.1)

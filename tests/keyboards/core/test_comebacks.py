"""Rates of what comes back, and chances learned from them."""

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.comebacks import PRIOR_WEIGHT, guarantee_ends, learned, rate
from keyboards.core.errors import MeasurementError

counts = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(counts)
def test_the_interval_holds_the_share_and_stays_a_share(pair):
    hits, n = pair
    found = rate(hits, n)
    assert 0 <= found.low <= found.share <= found.high <= 1


@given(counts)
def test_a_rate_and_the_rate_of_what_stayed_mirror_each_other(pair):
    hits, n = pair
    assert rate(hits, n).low == pytest.approx(1 - rate(n - hits, n).high, abs=1e-12)


@given(st.floats(0, 1), counts)
def test_what_is_learned_lies_between_the_assumed_and_the_found(assumed, pair):
    hits, n = pair
    low, high = sorted((assumed, hits / n))
    assert low - 1e-12 <= learned(assumed, hits, n) <= high + 1e-12


def test_without_keys_nothing_is_learned():
    assert learned(0.1, 0, 0) == 0.1


def test_as_many_keys_as_the_prior_weighs_meet_it_half_way():
    assert learned(0.0, PRIOR_WEIGHT // 2, PRIOR_WEIGHT) == 0.25


@pytest.mark.parametrize(("hits", "n"), [(1, 0), (2, 1), (-1, 5), (True, 3)])
def test_more_comebacks_than_keys_are_refused(hits, n):
    with pytest.raises(MeasurementError):
        rate(hits, n)


@pytest.mark.parametrize(
    ("left", "months", "ends"),
    [("2024-02-29", 12, "2025-02-28"), ("2026-01-31", 1, "2026-02-28"), ("2026-11-25", 60, "2031-11-25")],
)
def test_a_guarantee_ends_on_the_same_day_or_the_last_of_the_month(left, months, ends):
    assert guarantee_ends(datetime.date.fromisoformat(left), months).isoformat() == ends

"""Quoted against actual: the arithmetic, by hand and against an outside library."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.core.hours import Worked, learned

NOW = {"cloth": Decimal("2"), "ease": Decimal("1")}


def job(number: int, *, quoted: str, booked: str, code: str = "cloth", each: str = "2", units: str = "88") -> Worked:
    return Worked(number, code, Decimal(each), Decimal(units), Decimal(quoted), Decimal(booked))


def test_booked_minutes_are_split_in_proportion_to_what_was_quoted():
    """By hand: 88 keys at 2 min and 88 at 1 min quote 264; 330 booked are 1.25 of it: 2.50 and 1.25 min a key."""
    rows = [
        job(1, quoted="264", booked="330"),
        job(1, code="ease", each="1", quoted="264", booked="330"),
    ]
    cloth, ease = learned(rows, NOW)
    assert (cloth.median, ease.median) == (1.25, 1.25)
    assert cloth.booked + ease.booked == 330
    assert cloth.quoted + ease.quoted == 264


def test_five_jobs_propose_their_median_and_four_propose_nothing():
    """By hand: 1.1, 1.2, 1.3, 1.4, 2.0 times 2 min; median 1.3, so 2.60 min."""
    rows = [job(n, quoted="100", booked=str(100 * r)) for n, r in enumerate((1.3, 1.1, 2.0, 1.2, 1.4))]
    (five,) = learned(rows, NOW)
    assert (five.jobs, five.proposal) == (5, Decimal("2.60"))
    assert five.ratios == (1.1, 1.2, 1.3, 1.4, 2.0)
    (four,) = learned(rows[:4], NOW)
    assert four.proposal is None


def test_a_proposal_that_was_taken_over_is_not_made_again():
    rows = [job(n, quoted="100", booked="130") for n in range(5)]
    (again,) = learned(rows, {"cloth": Decimal("2.60")})
    assert (again.proposal, again.median) == (None, 1.0)


def test_what_nobody_booked_or_lists_says_nothing():
    assert learned([job(1, quoted="100", booked="0")], NOW) == []
    assert learned([job(1, quoted="100", booked="50", code="gone")], NOW) == []


def test_a_job_with_an_operation_in_two_lines_counts_once():
    rows = [job(1, quoted="264", booked="264", units="60"), job(1, quoted="264", booked="264", units="28")]
    (found,) = learned(rows, NOW)
    assert found.jobs == 1


@given(st.lists(st.integers(1, 100_000), min_size=2, max_size=40))
def test_median_and_quartiles_are_those_of_numpy(booked):
    """numpy.percentile, method "linear": type 7 of R. Hyndman and Y. Fan, Sample quantiles in statistical packages,
    The American Statistician 50 (1996) 361-365."""
    rows = [job(n, quoted="1000", booked=str(minutes)) for n, minutes in enumerate(booked)]
    (found,) = learned(rows, NOW)
    low, middle, high = np.percentile([minutes / 1000 for minutes in booked], [25, 50, 75])
    assert found.low == pytest.approx(low)
    assert found.median == pytest.approx(middle)
    assert found.high == pytest.approx(high)

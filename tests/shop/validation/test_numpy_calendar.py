"""Working days and the buffer against numpy.

Harris, C. R. et al., Array programming with NumPy, Nature 585, 357-362 (2020): numpy.busday_offset counts working days
with a week mask and holidays; its random generator plays a queue many times over, each stage taking its own time.
"""

import math
import random
from datetime import date, timedelta

import numpy as np
import pytest

from shop.core.promise import add_working_days, buffer_days, fit_habits

MONDAY = date(2025, 12, 1)


@pytest.mark.parametrize("seed", range(25))
def test_working_days_are_numpys_business_days(seed):
    draw = random.Random(seed)
    week = [draw.choice([0, 4, 8]) for _ in range(7)]
    week[draw.randrange(7)] = 8
    holidays = [MONDAY + timedelta(draw.randint(0, 90)) for _ in range(draw.randint(0, 12))]
    begin, days = MONDAY + timedelta(draw.randint(0, 60)), draw.randint(1, 60)
    # numpy counts from an open day; a closed start is rolled back to the last open one
    expected = np.busday_offset(begin, days, roll="backward", weekmask=[hours > 0 for hours in week], holidays=holidays)
    assert add_working_days(begin, days, week, holidays) == expected.astype(date)


def needed_days(stages, per_day, spread, bias, waits):
    """By how much 200 000 simulated courses of the queue overrun the plan, in days."""
    draw = np.random.default_rng(3)
    hours = np.array(stages)
    taken = hours * (1 + bias) + spread * hours * draw.normal(size=(200_000, hours.size))
    waited = (draw.normal(size=(200_000, len(waits))) * waits).sum(axis=1) if waits else 0.0
    return (taken.sum(axis=1) - hours.sum()) / per_day + waited


@pytest.mark.parametrize(
    ("stages", "per_day", "waits"),
    [([3, 10, 6, 2], 6, []), ([3, 10, 6, 2] * 6, 5.6, [0.5, 1.0]), ([40, 2, 2], 4, [2.0]), ([12] * 20, 7, [])],
)
def test_the_buffer_is_the_fewest_whole_days_that_hold_nine_times_in_ten(stages, per_day, waits):
    over = needed_days(stages, per_day, 0.35, 0.10, waits)
    days = buffer_days(stages, per_day, wait_sds=waits)
    assert (over <= days).mean() >= 0.899
    assert (over <= days - 1).mean() < 0.901


def test_habits_are_found_again_from_simulated_work():
    draw = np.random.default_rng(8)
    quoted = draw.uniform(1, 12, 4000)
    actual = np.maximum(0, quoted * (1.2 + 0.3 * draw.normal(size=4000)))
    habits = fit_habits(quoted.tolist(), actual.tolist())
    assert habits.bias == pytest.approx(0.2, abs=3 * 0.3 / math.sqrt(4000))
    assert habits.spread == pytest.approx(0.3, abs=0.01)
    assert habits.spread == pytest.approx((actual / quoted).std(ddof=1), rel=1e-12)

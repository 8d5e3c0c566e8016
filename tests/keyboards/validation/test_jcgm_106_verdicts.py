"""Verdicts of the final check against the decision rule of the standard.

JCGM 106:2012, Evaluation of measurement data - The role of measurement uncertainty in conformity assessment, BIPM.
Clause 8.3.2: guarded acceptance; an item is accepted where its reading lies within limits drawn in by the guard band.
Clauses 7.2 and 9.5.2 (from memory): the specific consumer's risk of an accepted item is the chance that it does not
conform. Chances are recomputed with scipy.stats.norm; the risks by simulation with numpy.
"""

import numpy as np
import pytest
from scipy import stats

from keyboards.core.assumptions import effective, final_limits
from keyboards.core.verdicts import FAIL, PASS, UNDECIDED, judge

LIMITS = final_limits(effective({}, {}).assumed)
by_quantity = pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: limit.quantity)


def chance_by_scipy(value, limit):
    return stats.norm.cdf(limit.high, value, limit.u) - stats.norm.cdf(limit.low, value, limit.u)


@by_quantity
def test_the_chance_beside_a_verdict_is_that_of_the_normal_distribution(limit):
    width = limit.high - limit.low
    for value in np.linspace(limit.low - width / 2, limit.high + width / 2, 41):
        assert judge(float(value), limit).chance == pytest.approx(chance_by_scipy(value, limit), abs=1e-12)


@by_quantity
def test_a_pass_carries_at_most_5_percent_risk_at_each_limit_and_a_fail_conforms_with_at_most_5_percent(limit):
    width = limit.high - limit.low
    seen = set()
    for value in np.linspace(limit.low - width, limit.high + width, 2001):
        judged = judge(float(value), limit)
        seen.add(judged.verdict)
        above, below = stats.norm.sf(limit.high, value, limit.u), stats.norm.cdf(limit.low, value, limit.u)
        if judged.verdict == PASS:
            assert max(above, below) <= 0.0501
        elif judged.verdict == FAIL:
            assert 1 - above - below <= 0.0501
        else:
            assert max(above, below) >= 0.0499
            assert 1 - above - below >= 0.0499 or max(above, below) <= 0.9501
    assert seen >= {UNDECIDED, FAIL}


def test_of_simulated_keys_that_pass_few_are_outside_and_of_those_that_fail_few_are_inside():
    # True side plays anywhere from 0 to 1.2 mm, read with an error of 0.03 mm.
    limit = LIMITS[0]
    chance = np.random.default_rng(106)
    true = chance.uniform(0.0, 1.2, 20_000)
    read = true + chance.normal(0, limit.u, true.size)
    inside = (true >= limit.low) & (true <= limit.high)
    verdicts = np.array([judge(float(value), limit).verdict for value in read])
    assert (~inside)[verdicts == PASS].mean() < 0.005
    assert inside[verdicts == FAIL].mean() < 0.005
    # Without the guard band, at the edge every second key would be taken wrongly.
    edge = np.abs(read - limit.high) < 0.01
    assert inside[edge].mean() == pytest.approx(0.5, abs=0.1)
    assert set(verdicts[edge]) == {UNDECIDED}

"""The count of failing keys against SciPy and NumPy.

scipy.stats.poisson_binom (SciPy 1.15 and later: P. Virtanen et al., Nature Methods 17, 2020, 261-272) for keys
that fail independently; numpy.convolve for the same by repeated convolution; scipy.integrate.quad over the normal
density for an error that all keys share.
"""

import numpy as np
import pytest
from scipy import integrate, stats

from keyboards.core import fit

LIMITS = {"lower": -0.05, "upper": 0.10}


def misfits_of(count, seed):
    return [float(e) for e in np.random.default_rng(seed).normal(0.03, 0.06, count)]


def failing_chances(misfits, u):
    e = np.array(misfits)
    return stats.norm.cdf(LIMITS["lower"], e, u) + stats.norm.sf(LIMITS["upper"], e, u)


@pytest.mark.parametrize("count", [1, 2, 5, 30, 88])
@pytest.mark.parametrize("u", [0.002, 0.03, 0.09])
def test_independent_keys_fail_as_a_poisson_binomial(count, u):
    misfits = misfits_of(count, count)
    chances = failing_chances(misfits, u)
    found = fit.failing_count_distribution(misfits, u, 0.0, **LIMITS)
    assert found == pytest.approx(stats.poisson_binom.pmf(np.arange(count + 1), chances), abs=1e-12)


@pytest.mark.parametrize("count", [1, 3, 20, 88])
def test_the_same_by_repeated_convolution(count):
    misfits = misfits_of(count, count + 7)
    expected = np.array([1.0])
    for chance in failing_chances(misfits, 0.03):
        expected = np.convolve(expected, [1 - chance, chance])
    assert fit.failing_count_distribution(misfits, 0.03, 0.0, **LIMITS) == pytest.approx(expected, abs=1e-13)


@pytest.mark.parametrize("failing", [0, 3, 8])
def test_keys_alike_fail_as_a_binomial(failing):
    chance = float(failing_chances([0.10], 0.03)[0])
    found = fit.failing_count_distribution([0.10] * 8, 0.03, 0.0, **LIMITS)
    assert found[failing] == pytest.approx(stats.binom.pmf(failing, 8, chance), rel=1e-10)


@pytest.mark.parametrize(("u", "u_common"), [(0.03, 0.01), (0.032, 0.026), (0.03, 0.06)])
@pytest.mark.parametrize("count", [1, 6, 20])
def test_an_error_that_all_keys_share_is_integrated_out(count, u, u_common):
    misfits = misfits_of(count, count + 30)

    def weighted(z, failing):
        chances = failing_chances([e + z * u_common for e in misfits], u)
        return stats.poisson_binom.pmf(failing, chances) * stats.norm.pdf(z)

    found = fit.failing_count_distribution(misfits, u, u_common, **LIMITS)
    for failing in {0, count // 2, count}:
        expected = integrate.quad(weighted, -6, 6, args=(failing,), epsabs=1e-11, limit=200)[0]
        assert found[failing] == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("most", [0, 2, 5, 19])
def test_the_chance_of_a_wrong_decision_is_a_tail(most):
    misfits = misfits_of(20, 3)
    chances = failing_chances(misfits, 0.03)
    counted = sum(not LIMITS["lower"] <= e <= LIMITS["upper"] for e in misfits)
    tail = stats.poisson_binom.sf(most, chances) if counted <= most else stats.poisson_binom.cdf(most, chances)
    assert fit.flip_probability(misfits, 0.03, 0.0, **LIMITS, most_failing=most) == pytest.approx(tail, abs=1e-12)

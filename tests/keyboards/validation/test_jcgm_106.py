"""Chances of conformity and guard bands.

JCGM 106:2012, Evaluation of measurement data - The role of measurement uncertainty in conformity assessment, BIPM
(also ISO/IEC Guide 98-4). Clause 7: conformance probability, with and without prior knowledge; clause 8: guard
bands. The worked examples (a Zener diode, a motor oil, a lot of precision resistors) are stated from memory.

Probabilities are recomputed here with scipy.stats.norm, and the prior form by integrating prior times likelihood
with scipy.integrate.quad, which knows nothing of the closed form.
"""

import math
from itertools import pairwise

import pytest
from scipy import integrate, optimize, stats

from keyboards.core import fit

LIMITS = {"lower": -0.05, "upper": 0.10}
FAR = 1e6  # a limit that is not there


def by_scipy(misfit, u, lower, upper):
    return stats.norm.cdf(upper, misfit, u) - stats.norm.cdf(lower, misfit, u)


def by_integration(misfit, u, prior_mean, prior_sd, lower, upper):
    """Bayes' theorem with no algebra: the part of prior x likelihood between the limits."""

    def weight(y):
        return stats.norm.pdf(y, prior_mean, prior_sd) * stats.norm.pdf(misfit, y, u)

    mode = (misfit / u**2 + prior_mean / prior_sd**2) / (1 / u**2 + 1 / prior_sd**2)
    width = 12 * min(u, prior_sd)
    ends = sorted({mode - width, mode + width, *(x for x in (lower, upper) if abs(x - mode) < width)})
    pieces = [(a, b, integrate.quad(weight, a, b, epsabs=0, epsrel=1e-11)[0]) for a, b in pairwise(ends)]
    inside = sum(area for a, b, area in pieces if lower <= (a + b) / 2 <= upper)
    return inside / sum(area for _, _, area in pieces)


@pytest.mark.parametrize("misfit", [-0.2, -0.06, -0.05, 0.0, 0.025, 0.05, 0.1, 0.13, 0.4])
@pytest.mark.parametrize("u", [0.005, 0.0416, 0.088, 0.5])
def test_the_chance_of_conforming_is_that_of_the_normal_distribution(misfit, u):
    assert fit.conformance_probability(misfit, u, **LIMITS) == pytest.approx(by_scipy(misfit, u, **LIMITS), abs=1e-14)


@pytest.mark.parametrize("misfit", [-0.6, -0.4, 0.5, 0.7])
def test_tiny_chances_keep_their_digits(misfit):
    # above the window the difference of two values near 1 loses everything: take the upper tail
    u = 0.05
    tail = stats.norm.sf if misfit < 0 else stats.norm.cdf
    exact = abs(tail(0.10, misfit, u) - tail(-0.05, misfit, u))
    assert fit.conformance_probability(misfit, u, **LIMITS) == pytest.approx(exact, rel=1e-9, abs=0)


def test_the_reference_key_conforms_with_0_877():
    u = fit.misfit_uncertainty(1.0, 0.15, 0.03, 0.012, 0.01, 0.01)
    misfit = fit.misfit(5.5, 3.7, 1.0, 0.15, 0.05)
    assert fit.conformance_probability(misfit, u, **LIMITS) == pytest.approx(0.8770, abs=5e-5)
    assert by_scipy(misfit, u, **LIMITS) == pytest.approx(0.8770, abs=5e-5)


def test_zener_diode():
    # upper limit of a breakdown voltage -5.40 V, reading -5.47 V with u = 0.05 V: 92 %
    chance = fit.conformance_probability(misfit=-5.47, u=0.05, lower=-FAR, upper=-5.40)
    assert round(chance, 2) == 0.92


def test_motor_oil():
    # SAE 40: kinematic viscosity 12.5 to 16.3 mm2/s, reading 13.6 with u = 1.8: 66 %
    chance = fit.conformance_probability(misfit=13.6, u=1.8, lower=12.5, upper=16.3)
    assert round(chance, 2) == 0.66


def test_precision_resistors():
    # made as 1500 ohm with a standard deviation of 0.12 ohm, limits 1499.8 to 1500.2: 90 % conform; the meter has
    # u = 0.04 ohm
    lot = {"lower": 1499.8, "upper": 1500.2}
    assert round(fit.conformance_probability(1500, 0.12, **lot), 2) == 0.90
    for reading in (1499.75, 1499.82, 1500.0, 1500.18, 1500.24):
        found = fit.conformance_with_prior(reading, 0.04, 1500, 0.12, **lot)
        assert found == pytest.approx(by_integration(reading, 0.04, 1500, 0.12, **lot), abs=1e-8)


@pytest.mark.parametrize("misfit", [-0.1, -0.04, 0.02, 0.09, 0.12, 0.2])
@pytest.mark.parametrize(("prior_mean", "prior_sd"), [(0.0, 0.05), (0.03, 0.01), (-0.05, 0.2)])
@pytest.mark.parametrize("u", [0.01, 0.03, 0.08])
def test_prior_knowledge_enters_as_bayes_theorem_has_it(misfit, u, prior_mean, prior_sd):
    found = fit.conformance_with_prior(misfit, u, prior_mean, prior_sd, **LIMITS)
    assert found == pytest.approx(by_integration(misfit, u, prior_mean, prior_sd, **LIMITS), abs=1e-8)


def test_the_reference_prior_gives_0_6763():
    assert by_integration(0.12, 0.03, 0.0, 0.05, **LIMITS) == pytest.approx(0.6763, abs=5e-5)
    assert fit.conformance_with_prior(0.12, 0.03, 0.0, 0.05, **LIMITS) == pytest.approx(0.6763, abs=5e-5)


@pytest.mark.parametrize(("guard", "risk"), [(1.645, 0.05), (2.0, 0.02275), (2.326, 0.01), (0.0, 0.5)])
def test_a_reading_at_the_edge_of_its_guard_band_carries_the_stated_risk(guard, risk):
    # against one limit; a guard band of 2 u leaves 2.3 %
    u = 0.01
    edge = optimize.brentq(lambda e: fit.conformance_probability(e, u, -FAR, 0.10) - (1 - risk), -0.1, 0.2)
    assert 0.10 - edge == pytest.approx(guard * u, abs=6e-4 * u)
    assert fit.conformance_status(0.10 - guard * u - 1e-6, u, -FAR, 0.10, guard=guard) == "pass"
    assert fit.conformance_status(0.10 + guard * u + 1e-6, u, -FAR, 0.10, guard=guard) == "fail"
    if guard:
        assert fit.conformance_status(0.10 - guard * u + 1e-6, u, -FAR, 0.10, guard=guard) == "marginal pass"
        assert fit.conformance_status(0.10 + guard * u - 1e-6, u, -FAR, 0.10, guard=guard) == "marginal fail"


def test_the_default_guard_band_is_the_one_sided_95_percent_point():
    assert pytest.approx(stats.norm.ppf(0.95), abs=2e-4) == fit.GUARD


@pytest.mark.parametrize("seed", range(5))
def test_counting_reading_error_twice_finds_too_many_failing_keys_and_the_prior_form_does_not(seed):
    # Simulated keyboards of known truth: keys spread by 0.03 mm, readings by another 0.04 mm.
    rng = stats.norm(0.03, 0.03)
    truly_failing = 88 * (1 - by_scipy(0.03, 0.03, **LIMITS))
    plain = []
    with_prior = []
    for repeat in range(20):
        true = rng.rvs(88, random_state=1000 * seed + repeat)
        read = true + stats.norm(0, 0.04).rvs(88, random_state=1000 * seed + repeat + 500)
        drawn = fit.set_posterior([float(e) for e in read], 0.04)
        for expected, misfits, u in ((plain, read, 0.04), (with_prior, drawn.misfits, drawn.u)):
            chances = fit.failing_count_distribution([float(e) for e in misfits], u, 0.0, **LIMITS)
            expected.append(math.fsum(count * chance for count, chance in enumerate(chances)))
    assert truly_failing == pytest.approx(1.2, abs=0.1)
    assert sum(with_prior) / 20 == pytest.approx(truly_failing, abs=1.2)
    assert sum(plain) / 20 > 8 * truly_failing

"""Robust statistics against SciPy and NumPy.

scipy.stats.theilslopes (method "joint": P. K. Sen, J. Amer. Statist. Assoc. 63, 1968, 1379-1389),
scipy.stats.median_abs_deviation and scipy.stats.norm; numpy.percentile with method "linear", which is type 7 of
R. J. Hyndman and Y. Fan, The American Statistician 50, 1996, 361-365.
"""

import numpy as np
import pytest
from scipy import stats

from keyboards.core.spread import IQR_TO_SD, MAD_TO_SD, outliers, robust_spread, theil_sen

SIZES = [2, 3, 4, 5, 7, 8, 22, 61, 88]


def keyboard(size, seed):
    rng = np.random.default_rng(seed)
    keys = np.sort(rng.choice(np.arange(1, 117), size, replace=False))
    values = 5.5 + 0.001 * keys + rng.normal(0, 0.05, size) + rng.choice([0, 0, 0, 0.4], size)
    return [int(key) for key in keys], [float(value) for value in values]


def test_the_factors_to_a_standard_deviation_are_those_of_the_normal_distribution():
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-14) == MAD_TO_SD
    assert pytest.approx(stats.norm.ppf(0.75) - stats.norm.ppf(0.25), rel=1e-14) == IQR_TO_SD


@pytest.mark.parametrize("size", SIZES)
def test_the_median_and_its_absolute_deviation_agree(size):
    _, values = keyboard(size, size)
    found = robust_spread(values)
    assert found.median == pytest.approx(np.median(values), rel=1e-14)
    assert found.mad_sd == pytest.approx(stats.median_abs_deviation(values, scale="normal"), rel=1e-12)


@pytest.mark.parametrize("size", SIZES)
def test_the_quartiles_are_of_type_7(size):
    _, values = keyboard(size, size + 100)
    low, high = np.percentile(values, [25, 75], method="linear")
    assert robust_spread(values).iqr_sd == pytest.approx((high - low) / IQR_TO_SD, rel=1e-12)


@pytest.mark.parametrize("size", SIZES)
def test_the_line_of_theil_and_sen_agrees(size):
    keys, values = keyboard(size, size + 200)
    expected = stats.theilslopes(values, keys, method="joint")
    slope, intercept = theil_sen(keys, values)
    assert slope == pytest.approx(expected.slope, rel=1e-12)
    assert intercept == pytest.approx(expected.intercept, rel=1e-12)


def test_ties_in_x_are_left_out_as_there():
    x, y = [1, 1, 2, 2, 3, 3], [1.0, 1.2, 2.1, 2.3, 2.9, 3.3]
    expected = stats.theilslopes(y, x, method="joint")
    assert theil_sen(x, y) == pytest.approx((expected.slope, expected.intercept), rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_outliers_are_those_of_the_same_rule_in_numpy(seed):
    keys, values = keyboard(60, seed)
    line = stats.theilslopes(values, keys, method="joint")
    residuals = np.array(values) - line.intercept - line.slope * np.array(keys)
    limit = 3 * max(stats.median_abs_deviation(residuals, scale="normal"), 0.02)
    expected = np.array(keys)[np.abs(residuals - np.median(residuals)) > limit]
    assert outliers(keys, values) == tuple(expected)

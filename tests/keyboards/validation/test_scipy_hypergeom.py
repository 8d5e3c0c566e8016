"""Bounds from a sample against the hypergeometric distribution of SciPy.

scipy.stats.hypergeom, SciPy (P. Virtanen et al., Nature Methods 17, 2020, 261-272). The bound is searched here by
trying every possible count of failing keys, in floating point; the program sums exact whole numbers.
"""

import pytest
from scipy import stats

from keyboards.core.spread import smallest_sample, upper_failing


def by_scipy(total, inspected, failing, confidence=0.95):
    plausible = [
        count
        for count in range(failing, total - (inspected - failing) + 1)
        if stats.hypergeom.cdf(failing, total, count, inspected) > 1 - confidence
    ]
    return max(plausible)


@pytest.mark.parametrize(("failing", "most"), [(0, 9), (1, 15), (2, 21), (3, 25)])
def test_the_table_for_22_of_88(failing, most):
    assert by_scipy(88, 22, failing) == most
    assert upper_failing(88, 22, failing) == most


@pytest.mark.parametrize("total", [61, 73, 85, 88])
@pytest.mark.parametrize("inspected", [8, 13, 22, 44, 60])
def test_every_bound_agrees(total, inspected):
    for failing in range(0, min(inspected, 12) + 1):
        assert upper_failing(total, inspected, failing) == by_scipy(total, inspected, failing)


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.99, 0.999])
def test_other_confidences_agree(confidence):
    for failing in range(6):
        assert upper_failing(88, 22, failing, confidence=confidence) == by_scipy(88, 22, failing, confidence)


@pytest.mark.parametrize(("allowed", "needed"), [(0, 84), (1, 68), (2, 55), (4, 39), (8, 24), (10, 20)])
def test_the_smallest_samples(allowed, needed):
    first = next(n for n in range(89) if by_scipy(88, n, 0) <= allowed)
    assert first == needed
    assert smallest_sample(88, allowed) == needed


@pytest.mark.parametrize(("allowed", "failing"), [(4, 1), (8, 2), (15, 3), (20, 5)])
def test_the_smallest_samples_when_some_may_fail(allowed, failing):
    first = next(n for n in range(failing, 89) if by_scipy(88, n, failing) <= allowed)
    assert smallest_sample(88, allowed, failing=failing) == first


@pytest.mark.parametrize(("failing_keys", "inspected"), [(5, 22), (10, 22), (20, 12), (40, 30), (3, 60)])
def test_the_bound_is_right_in_at_least_95_of_100_samples(failing_keys, inspected):
    # the chance of drawing a sample whose bound lies below the truth
    wrong = sum(
        stats.hypergeom.pmf(found, 88, failing_keys, inspected)
        for found in range(min(failing_keys, inspected) + 1)
        if inspected - found <= 88 - failing_keys and upper_failing(88, inspected, found) < failing_keys
    )
    assert wrong <= 0.05

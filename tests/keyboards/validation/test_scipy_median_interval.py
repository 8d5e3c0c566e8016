"""The interval of a median, against SciPy: scipy.stats.binom gives the coverage that each pair of ranks has.

Source of the method: ISO 16269-7, Statistical interpretation of data, Median, Estimation and confidence intervals
(the rule of ranks, from memory); the law behind it is computed by the library.
"""

import pytest
from scipy.stats import binom

from keyboards.core.compare import median_interval


@pytest.mark.parametrize("n", range(1, 129))
def test_the_ranks_are_the_narrowest_that_reach_95_percent(n):
    low, high = median_interval([float(rank) for rank in range(1, n + 1)])

    def coverage(k):  # between the k-th smallest and the k-th largest
        return 1 - 2 * binom.cdf(k - 1, n, 0.5)

    if low is None:
        assert n < 6
        assert coverage(1) < 0.95
        return
    k = int(low)
    assert high == n + 1 - k
    assert coverage(k) >= 0.95 - 1e-12
    assert k == n // 2 or coverage(k + 1) < 0.95

"""Wilson's interval of a rate, against SciPy: scipy.stats.binomtest(...).proportion_ci(method="wilson").

Source of the method: E. B. Wilson, Probable inference, the law of succession, and statistical inference, Journal of
the American Statistical Association 22 (1927), as implemented by the library.
"""

import pytest
from scipy.stats import binomtest

from keyboards.core.comebacks import rate


@pytest.mark.parametrize("n", [1, 2, 3, 7, 31, 88, 500, 4096])
@pytest.mark.parametrize("share", [0.0, 0.01, 0.1, 0.5, 0.9, 1.0])
def test_the_interval_is_the_librarys(n, share):
    hits = round(share * n)
    theirs = binomtest(hits, n).proportion_ci(confidence_level=0.95, method="wilson")
    found = rate(hits, n)
    assert (found.low, found.high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)

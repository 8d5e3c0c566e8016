"""The optimal cut into sections against ruptures.

ruptures.Dynp, exact dynamic programming with least-squares cost, minimal length 5 and every key a possible
boundary (C. Truong, L. Oudre, N. Vayatis, Signal Processing 167, 2020, 107299).
"""

import numpy as np
import pytest
import ruptures

from keyboards.core.skew import find_sections, optimal_segmentation


def keyboard(levels, seed, noise=0.5, count=88):
    rng = np.random.default_rng(seed)
    bounds = np.linspace(0, count, len(levels) + 1).round().astype(int)
    angles = np.repeat(np.array(levels, float), np.diff(bounds))
    return angles + rng.normal(0, noise, count), bounds


def squared_errors(angles, ends):
    return sum(((part - part.mean()) ** 2).sum() for part in np.split(angles, ends[:-1]))


@pytest.mark.parametrize("segments", [2, 3, 4, 5, 6])
@pytest.mark.parametrize(
    ("levels", "noise", "count"),
    [((0,), 0.5, 88), ((0, 3), 0.5, 88), ((0, 3, 6), 0.5, 88), ((-2, 1, -1, 4), 1.0, 61), ((0, 1, 2, 3, 4), 0.3, 40)],
)
@pytest.mark.parametrize("seed", range(3))
def test_the_cut_is_as_good_as_that_of_ruptures(segments, levels, noise, count, seed):
    angles, _ = keyboard(levels, seed, noise, count)
    model = ruptures.Dynp(model="l2", min_size=5, jump=1).fit(angles)
    theirs = model.predict(n_bkps=segments - 1)
    ends, sse = optimal_segmentation([float(a) for a in angles], segments=segments, min_length=5)
    assert sse == pytest.approx(squared_errors(angles, theirs), abs=1e-7)
    assert sse == pytest.approx(model.cost.sum_of_costs(theirs), abs=1e-7)
    assert ends == tuple(theirs)


def test_one_section_is_the_spread_about_the_mean():
    angles, _ = keyboard((0, 3), 1)
    ends, sse = optimal_segmentation([float(a) for a in angles], segments=1, min_length=5)
    assert ends == (88,)
    assert sse == pytest.approx(angles.var() * 88, abs=1e-7)


@pytest.mark.parametrize("levels", [(0, 3, 6), (-3, 0, 3), (0, 3, 0)])
def test_three_levels_are_found_in_at_least_97_of_100_keyboards(levels):
    # 3 deg apart with 0.5 deg of reading error: the count right and every boundary within 2 keys
    found = 0
    for seed in range(100):
        angles, bounds = keyboard(levels, seed)
        pattern = find_sections(keys=list(range(1, 89)), angles=[float(a) for a in angles])
        ends = [section.last for section in pattern.sections]
        found += (
            pattern.kind == "steps"
            and len(ends) == 3
            and all(abs(end - bound) <= 2 for end, bound in zip(ends, bounds[1:], strict=True))
        )
    assert found >= 97

"""The uncertainty of the angles to cut against numpy: the covariance of a least-squares fit that weighs readings of
unequal variance alike, (X'X)^-1 X'VX (X'X)^-1 (JCGM 100:2008, 5.1.2, in matrices), and a simulation of the fit itself.
"""

import numpy
import pytest

from keyboards.core.skew import angle_uncertainty, find_sections

KEYS = numpy.arange(1, 89)


@pytest.mark.parametrize("kind", ["steps", "fan"])
def test_the_uncertainty_of_an_angle_is_that_of_the_fit(kind):
    chance = numpy.random.default_rng(29)
    truth = numpy.where(KEYS <= 40, 3.0, -2.0) if kind == "steps" else 0.08 * KEYS - 3
    pattern = find_sections(KEYS.tolist(), (truth + chance.normal(0, 0.2, 88)).tolist())
    assert pattern.kind == kind
    photos = dict.fromkeys(range(5, 30, 2), 0.9) | {50: 0.01}  # one that claims more than the readings show
    used = numpy.array(pattern.sections[0].keys)
    rows = numpy.stack([numpy.ones(len(used)), *([used] if kind == "fan" else [])], axis=1)
    sds = numpy.array([max(pattern.noise, photos.get(int(key), 0)) for key in used])
    bread = numpy.linalg.inv(rows.T @ rows)
    covariance = bread @ rows.T @ numpy.diag(sds**2) @ rows @ bread
    for key in (1, 20, int(used[-1])):
        at = numpy.array([1, key][: rows.shape[1]])
        expected = numpy.sqrt(at @ covariance @ at)
        assert angle_uncertainty(pattern, key, photos) == pytest.approx(expected, rel=1e-9)
    trials = chance.normal(0, sds, (4000, len(used)))
    fits = numpy.polyfit(used, trials.T, rows.shape[1] - 1)
    assert numpy.polyval(fits, 20).std() == pytest.approx(angle_uncertainty(pattern, 20, photos), rel=0.05)


def test_between_two_sections_nothing_is_claimed():
    keys = [*range(1, 31), *range(50, 80)]
    pattern = find_sections(keys, [3.0] * 30 + [-2.0] * 30)
    assert angle_uncertainty(pattern, 40, {}) is None

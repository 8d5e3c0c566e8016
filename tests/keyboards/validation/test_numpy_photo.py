"""Angles from a photo against numpy: linear algebra for the values, simulated taps for the uncertainties.

Harris, C. R. et al., Array programming with NumPy, Nature 585, 357-362 (2020). The homography is found a second way,
as the null vector of the direct linear transform (Hartley, R. and Zisserman, A., Multiple View Geometry in Computer
Vision, 2nd ed., section 4.1) by singular value decomposition; uncertainties by propagation of distributions (JCGM
101:2008) with normal errors on every tapped coordinate.
"""

import numpy as np
import pytest

from keyboards.core import protractor

CARD = (85.6, 54.0)
CORNERS = {
    "square from above": [(300, 200), (1156, 200), (1156, 740), (300, 740)],
    "turned": [(300, 200), (1150, 90), (1230, 640), (370, 740)],
    "tilted": [(300, 200), (1156, 230), (1190, 760), (260, 740)],
    "steep": [(500, 300), (900, 310), (1150, 800), (220, 760)],
    "small": [(1700, 1500), (1790, 1505), (1792, 1565), (1698, 1560)],
}
REFERENCE = [(120.0, 900.0), (1500.0, 930.0)]
EDGE = [(600.0, 420.0), (615.0, 610.0)]
each_view = pytest.mark.parametrize("corners", CORNERS.values(), ids=CORNERS)


def card():
    width, height = CARD
    return [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]


def null_vector(source, target):
    """Homographies of many fours at once, from the last right singular vector: (..., 4, 2) -> (..., 3, 3)."""
    x, y = source[..., 0], source[..., 1]
    u, v = target[..., 0], target[..., 1]
    one, nil = np.ones_like(x), np.zeros_like(x)
    upper = np.stack([x, y, one, nil, nil, nil, -u * x, -u * y, -u], axis=-1)
    lower = np.stack([nil, nil, nil, x, y, one, -v * x, -v * y, -v], axis=-1)
    return np.linalg.svd(np.concatenate([upper, lower], axis=-2))[2][..., -1, :].reshape(*x.shape[:-1], 3, 3)


def angles(points):
    """line_angle of many pictures at once: (..., 4, 2) of reference and edge -> degrees."""
    first = points[..., 1, :] - points[..., 0, :]
    second = points[..., 3, :] - points[..., 2, :]
    cross = first[..., 0] * second[..., 1] - first[..., 1] * second[..., 0]
    return np.degrees(np.arctan(cross / (first * second).sum(-1)))


def rectified(points):
    """The same after the homography of the first four of (..., 8, 2) points onto the card."""
    target = np.broadcast_to(np.array(card()), (*points.shape[:-2], 4, 2))
    maps = null_vector(points[..., :4, :] / 1000, target / 100)  # scaled: the decomposition likes numbers near 1
    lines = points[..., 4:, :] / 1000
    mapped = np.einsum("...ij,...kj->...ki", maps, np.concatenate([lines, np.ones_like(lines[..., :1])], axis=-1))
    return angles(mapped[..., :2] / mapped[..., 2:])


@each_view
def test_the_homography_is_the_null_vector_of_the_direct_linear_transform(corners):
    other = null_vector(np.array(corners, float), np.array(card()))
    ours = np.array(protractor.homography(corners, card()))
    assert ours == pytest.approx(other / other[2, 2], rel=1e-6, abs=1e-9)


@each_view
def test_the_homography_solves_its_eight_equations(corners):
    rows, right = [], []
    for (x, y), (u, v) in zip(corners, card(), strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    solved = np.linalg.solve(np.array(rows, float), np.array(right))
    ours = np.array(protractor.homography(corners, card())).ravel()
    assert ours == pytest.approx(np.append(solved, 1), rel=1e-7, abs=1e-10)


@each_view
def test_a_rectified_angle_is_that_of_the_mapped_points(corners):
    found = protractor.rectified_angle(corners, *CARD, REFERENCE, EDGE)
    assert found == pytest.approx(float(rectified(np.array([*corners, *REFERENCE, *EDGE]))), abs=1e-7)


@pytest.mark.parametrize("seed", range(5))
def test_an_angle_is_that_of_the_complex_quotient(seed):
    taps = np.random.default_rng(seed).uniform(0, 2000, (4, 2))
    a, b, c, d = (complex(*tap) for tap in taps)
    quotient = (d - c) / (b - a)
    expected = np.degrees(np.arctan(quotient.imag / quotient.real))
    assert protractor.line_angle(taps[:2].tolist(), taps[2:].tolist()) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("reference", "edge", "sd"), [(1000, 150, 1.0), (1500, 60, 1.5), (300, 300, 2.0)])
def test_the_uncertainty_of_an_angle_is_the_spread_of_simulated_taps(reference, edge, sd):
    taps = np.array([(0, 0), (reference, 0), (200, 300), (200 + edge, 310)], float)
    shaken = taps + np.random.default_rng(7).normal(0, sd, (200_000, 4, 2))
    assert protractor.angle_uncertainty(sd, reference, float(np.hypot(edge, 10))) == pytest.approx(
        angles(shaken).std(), rel=0.01
    )


@pytest.mark.parametrize("name", ["square from above", "turned", "tilted", "steep"])
def test_the_uncertainty_through_a_card_is_the_spread_of_simulated_taps(name):
    taps = np.array([*CORNERS[name], *REFERENCE, *EDGE], float)
    shaken = taps + np.random.default_rng(11).normal(0, 0.5, (40_000, 8, 2))
    found = protractor.rectified_uncertainty(CORNERS[name], *CARD, REFERENCE, EDGE, click_sd=0.5)
    # 1 % for the simulation, and what bends beyond the linear law at half a pixel
    assert found == pytest.approx(rectified(shaken).std(), rel=0.02)


def test_a_camera_tilted_by_11_degrees_costs_up_to_half_a_degree_and_the_card_takes_it_out():
    """A pinhole camera over the keybed, tilted fore and aft; mortises at 45 degrees to the tilt suffer most."""
    tilt, focus, away = np.radians(11), 2000.0, 600.0
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])

    def seen(points):
        placed = np.array([(x, y, 0) for x, y in points]) @ turn.T + (0, 0, away)
        return (focus * placed[:, :2] / placed[:, 2:] + 1000).tolist()

    worst = 0.0
    for lean in np.radians(np.arange(-90, 90, 1.5)):
        edge = seen([(0, 0), (30 * np.sin(lean), 30 * np.cos(lean))])
        square = seen([(0, -100), (0, 100)])
        true = -np.degrees(lean)
        raw = protractor.line_angle(square, edge)
        worst = max(worst, abs((raw - true + 90) % 180 - 90))
        corners = seen([(-42.8, -27), (42.8, -27), (42.8, 27), (-42.8, 27)])
        mended = protractor.rectified_angle(corners, *CARD, square, edge)
        assert abs((mended - true + 90) % 180 - 90) < 1e-6
    assert 0.4 < worst < 1.5

"""Angles from a photo: check values, signs, rejections, and laws of any picture."""

import math
from math import cos, radians, sin

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from keyboards.core import protractor
from keyboards.core.errors import MeasurementError

REFERENCE = [(100, 100), (1100, 120)]
EDGE = [(500, 300), (650, 312)]
CARD = [(300, 200), (1156, 230), (1190, 760), (260, 740)]  # tapped corners of a card of 85.6 x 54 mm
TILTED = {"corners": CARD, "width": 85.6, "height": 54, "reference": [(300, 100), (1200, 120)]}


def line(angle, length=200.0, middle=(500.0, 500.0)):
    """A line in the picture, its direction turned clockwise from straight up by so many degrees."""
    across, up = length / 2 * sin(radians(angle)), length / 2 * cos(radians(angle))
    return [(middle[0] - across, middle[1] + up), (middle[0] + across, middle[1] - up)]


def turned(points, angle):
    c, s = cos(radians(angle)), sin(radians(angle))
    return [(c * x - s * y, s * x + c * y) for x, y in points]


angles = st.floats(-80, 80)
leans = st.floats(-20, 20)


# Check values


def test_the_angle_of_the_worked_lines_is_3_4282():
    assert protractor.line_angle(reference=REFERENCE, edge=EDGE) == pytest.approx(3.4282, abs=5e-5)


def test_a_pixel_of_click_error_on_1000_and_150_px_is_0_5462_degrees():
    u = protractor.angle_uncertainty(click_sd=1, reference_length=1000, edge_length=150)
    assert u == pytest.approx(0.5462, abs=5e-5)
    assert protractor.angle_uncertainty(1, 1000, 150, repeats=4) == pytest.approx(u / 2)


def test_half_a_degree_takes_162_px_an_edge_against_a_long_rail():
    assert protractor.angle_uncertainty(1, 1e9, 162.06) == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize(("edge", "repeats"), [(165, 1), (150, 2), (82, 4), (40, 17)])
def test_a_coarse_photo_asks_for_repeats(edge, repeats):
    assert protractor.repeats_needed(click_sd=1, reference_length=1e6, edge_length=edge) == repeats
    assert protractor.angle_uncertainty(1, 1e6, edge, repeats) <= protractor.TARGET + 1e-9
    if repeats > 1:
        assert protractor.angle_uncertainty(1, 1e6, edge, repeats - 1) > protractor.TARGET


# Signs


def test_a_playing_end_to_the_right_leans_to_the_treble_and_is_positive():
    """Bass on the left, playing ends at the bottom, y downwards: the mortise runs down and to the right."""
    leaning = [(500, 400), (520, 600)]
    lean = math.degrees(math.atan2(20, 200))
    square, rail = [(100, 900), (100, 100)], [(100, 700), (1500, 700)]
    assert protractor.skew_from_photo(reference=square, edge=leaning) == pytest.approx(lean)
    assert protractor.skew_from_photo(reference=rail, edge=leaning, reference_is="rail") == pytest.approx(lean)
    mirrored = [(1600 - x, y) for x, y in leaning]
    assert protractor.skew_from_photo(square, mirrored) == pytest.approx(-lean)
    assert protractor.skew_from_photo(square, mirrored, bass_on="right") == pytest.approx(lean)
    assert protractor.skew_from_photo(rail, mirrored, "rail", "right") == pytest.approx(lean)


def test_an_edge_along_the_square_has_no_skew_and_no_minus_before_it():
    assert str(protractor.skew_from_photo(line(0), line(0))) == "0.0"
    assert str(protractor.skew_from_photo(line(0), line(0), bass_on="right")) == "0.0"


@given(leans, st.floats(-30, 30), st.booleans(), st.booleans(), st.booleans())
def test_square_and_rail_agree_in_a_photo_however_it_is_held(lean, held, swap_edge, swap_reference, mirror):
    edge, square, rail = line(-lean), line(0, 900), line(90, 900)
    if mirror:
        edge, square, rail = ([(1000 - x, y) for x, y in points] for points in (edge, square, rail))
    edge, square, rail = (turned(points, held) for points in (edge, square, rail))
    if swap_edge:
        edge.reverse()
    if swap_reference:
        square.reverse()
        rail.reverse()
    bass_on = "right" if mirror else "left"
    assert protractor.skew_from_photo(square, edge, "square", bass_on) == pytest.approx(lean, abs=1e-9)
    assert protractor.skew_from_photo(rail, edge, "rail", bass_on) == pytest.approx(lean, abs=1e-9)


@given(angles, angles)
def test_swapping_the_lines_turns_the_sign(one, other):
    assume(abs(one - other) < 89.9)
    assert protractor.line_angle(line(one), line(other)) == pytest.approx(other - one, abs=1e-9)
    assert protractor.line_angle(line(other), line(one)) == pytest.approx(one - other, abs=1e-9)


def test_lines_square_to_each_other_are_at_plus_90_whichever_way_they_run():
    for edge in ([(0, 0), (0, 100)], [(0, 100), (0, 0)]):
        assert protractor.line_angle([(0, 0), (100, 0)], edge) == 90


# A card that lies on the keys


def test_a_card_seen_squarely_changes_no_angle():
    corners = [(100, 100), (956, 100), (956, 640), (100, 640)]
    found = protractor.rectified_angle(corners=corners, width=85.6, height=54, reference=REFERENCE, edge=EDGE)
    assert found == pytest.approx(protractor.line_angle(REFERENCE, EDGE), abs=1e-9)


@given(leans, st.floats(-25, 25), st.floats(-3e-4, 3e-4), st.floats(-3e-4, 3e-4))
def test_the_card_takes_out_any_tilt_of_the_camera(lean, held, across, along):
    """Millimetres on the keybed, seen by a camera that is turned, stands off and is tilted."""

    def seen(points):
        mapped = []
        for x, y in turned(points, held):
            w = 1 + across * x + along * y
            mapped.append(((8 * x + 900) / w, (8 * y + 700) / w))
        return mapped

    corners = seen([(-42.8, -27), (42.8, -27), (42.8, 27), (-42.8, 27)])
    square, edge = seen([(90, 50), (90, -50)]), seen(line(-lean, 14, (-60, 10)))
    angle = protractor.rectified_angle(corners, 85.6, 54, square, edge)
    assert protractor.skew_from_angle(angle) == pytest.approx(lean, abs=1e-7)


def test_a_line_of_a_few_mm_is_long_enough_if_it_is_in_the_picture():
    edge = [(900, 500), (905, 540)]
    assert -90 < protractor.rectified_angle(**TILTED, edge=edge) <= 90


def test_the_uncertainty_through_a_card_is_that_of_the_lines_when_the_card_is_large():
    """With a huge card its corners hardly count, and seen squarely the two formulas must agree."""
    corners = [(0, 0), (1e6, 0), (1e6, 1e6), (0, 1e6)]
    found = protractor.rectified_uncertainty(corners, 1e5, 1e5, REFERENCE, EDGE, click_sd=1)
    lengths = [math.dist(*REFERENCE), math.dist(*EDGE)]
    assert found == pytest.approx(protractor.angle_uncertainty(1, *lengths), rel=1e-3)


def test_the_uncertainty_grows_with_the_click_error_and_a_card_adds_to_it():
    one = protractor.rectified_uncertainty(**TILTED, edge=EDGE, click_sd=1)
    assert protractor.rectified_uncertainty(**TILTED, edge=EDGE, click_sd=2) == pytest.approx(2 * one)
    assert protractor.rectified_uncertainty(**TILTED, edge=EDGE, click_sd=0) == 0
    lines_alone = protractor.angle_uncertainty(1, math.dist(*TILTED["reference"]), math.dist(*EDGE))
    assert one > lines_alone


def test_an_angle_at_the_fold_has_no_jump_in_its_uncertainty():
    corners = [(0, 0), (856, 0), (856, 540), (0, 540)]
    upright, flat = [(400, 0), (400, 800)], [(0, 300), (800, 300)]
    at_fold = protractor.rectified_uncertainty(corners, 85.6, 54, upright, flat, click_sd=1)
    beside = protractor.rectified_uncertainty(corners, 85.6, 54, upright, [(0, 300), (800, 310)], click_sd=1)
    assert at_fold == pytest.approx(beside, rel=0.05)


def test_a_homography_takes_each_corner_to_its_place_and_leaves_a_line_a_line():
    target = [(0, 0), (85.6, 0), (85.6, 54), (0, 54)]
    matrix = protractor.homography(source=CARD, target=target)
    assert [len(row) for row in matrix] == [3, 3, 3]
    assert matrix[2][2] == 1
    for (x, y), place in zip(CARD, target, strict=True):
        u, v, w = (row[0] * x + row[1] * y + row[2] for row in matrix)
        assert (u / w, v / w) == pytest.approx(place, abs=1e-9)


def test_a_homography_onto_itself_is_the_identity():
    found = [value for row in protractor.homography(CARD, CARD) for value in row]
    assert found == pytest.approx([1, 0, 0, 0, 1, 0, 0, 0, 1], abs=1e-9)


# Rejections


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        ([(5, 5), (5, 5)], "two different points"),
        ([(5, 5), (20, 5)], "at least 20 px"),
        ([(5, 5)], "2 points"),
        ([(5, 5), (50, 5), (90, 5)], "2 points"),
        ([(5, 5), (50, 5, 0)], "two numbers"),
        ([(5, 5), (math.nan, 5)], "finite"),
        ([(5, 5), ("50", 5)], "text"),
        ([(5, 5), (True, 5)], "yes or no"),
        ([5, 50], "list"),
        ("line", "list"),
        (None, "list"),
        ([], "2 points"),
    ],
)
def test_a_line_that_is_none_is_refused_by_name(bad, says):
    for name in ("reference", "edge"):
        lines = {"reference": REFERENCE, "edge": EDGE, name: bad}
        for call in (
            protractor.line_angle,
            protractor.skew_from_photo,
            lambda reference, edge: protractor.rectified_angle(CARD, 85.6, 54, reference, edge),
            lambda reference, edge: protractor.rectified_uncertainty(CARD, 85.6, 54, reference, edge, 1),
        ):
            with pytest.raises(MeasurementError, match=rf"{name}.*{says}"):
                call(**lines)


@pytest.mark.parametrize(
    ("corners", "says"),
    [
        ([CARD[0], CARD[2], CARD[1], CARD[3]], "cross"),
        ([CARD[0], CARD[3], CARD[2], CARD[1]], "clockwise"),
        ([CARD[0], CARD[1], CARD[2], (900, 400)], "cross or are dented"),
        ([(0, 0), (100, 0), (200, 0), (0, 100)], "one line"),
        ([CARD[0], CARD[1], CARD[2], CARD[2]], "px apart"),
        ([(0, 0), (100, 0), (100, 10), (0, 10)], "px apart"),
        (CARD[:3], "4 points"),
        ([*CARD, (0, 0)], "4 points"),
        ([*CARD[:3], (math.inf, 0)], "finite"),
        ("card", "list"),
    ],
)
def test_corners_that_are_no_card_are_refused(corners, says):
    for call in (
        lambda: protractor.rectified_angle(**{**TILTED, "corners": corners}, edge=EDGE),
        lambda: protractor.rectified_uncertainty(**{**TILTED, "corners": corners}, edge=EDGE, click_sd=1),
    ):
        with pytest.raises(MeasurementError, match=rf"corners.*{says}"):
            call()


def test_a_line_beyond_the_horizon_is_refused():
    steep = [(400, 300), (600, 300), (900, 800), (100, 800)]  # its sides meet at (500, 133)
    card = {"corners": steep, "width": 85.6, "height": 54}
    for name, lines in (
        ("edge", {"reference": [(0, 900), (900, 900)], "edge": [(500, 100), (600, 100)]}),
        ("reference", {"reference": [(0, 133), (900, 120)], "edge": [(400, 500), (500, 500)]}),
    ):
        with pytest.raises(MeasurementError, match=f"{name} lies beyond the horizon"):
            protractor.rectified_angle(**card, **lines)


def test_a_horizon_below_the_corner_of_the_picture_is_no_hindrance():
    steep = [(400, 300), (600, 300), (900, 800), (100, 800)]  # the picture's own corner (0, 0) lies beyond it
    found = protractor.rectified_angle(steep, 54, 85.6, [(450, 300), (300, 800)], [(550, 300), (700, 800)])
    assert found == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("four", [[(0, 0), (1, 0), (2, 0), (0, 1)], [(0, 0), (1, 1), (1, 0), (0, 1)], [(0, 0)] * 4])
def test_a_homography_from_or_to_a_degenerate_four_is_refused(four):
    with pytest.raises(MeasurementError, match="source"):
        protractor.homography(source=four, target=CARD)
    with pytest.raises(MeasurementError, match="target"):
        protractor.homography(source=CARD, target=four)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1, True, "1", None])
def test_sizes_and_errors_that_cannot_be_are_refused(bad):
    for call, named in (
        (lambda: protractor.angle_uncertainty(bad, 100, 100), "click_sd"),
        (lambda: protractor.angle_uncertainty(1, bad, 100), "reference_length"),
        (lambda: protractor.angle_uncertainty(1, 100, bad), "edge_length"),
        (lambda: protractor.angle_uncertainty(1, 100, 100, bad), "repeats"),
        (lambda: protractor.repeats_needed(1, 100, 100, bad), "target"),
        (lambda: protractor.rectified_angle(**{**TILTED, "width": bad}, edge=EDGE), "width"),
        (lambda: protractor.rectified_angle(**{**TILTED, "height": bad}, edge=EDGE), "height"),
        (lambda: protractor.rectified_uncertainty(**TILTED, edge=EDGE, click_sd=bad), "click_sd"),
    ):
        with pytest.raises(MeasurementError, match=named):
            call()


def test_lines_under_20_px_have_no_uncertainty_worth_telling():
    with pytest.raises(MeasurementError, match="edge_length must be at least 20"):
        protractor.angle_uncertainty(1, 1000, 19.9)


def test_only_known_references_and_sides_are_taken():
    with pytest.raises(MeasurementError, match="reference_is"):
        protractor.skew_from_photo(REFERENCE, EDGE, reference_is="table")
    with pytest.raises(MeasurementError, match="bass_on"):
        protractor.skew_from_photo(REFERENCE, EDGE, bass_on="top")
    with pytest.raises(MeasurementError, match="angle"):
        protractor.skew_from_angle(91)

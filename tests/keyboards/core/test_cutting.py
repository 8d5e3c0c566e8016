"""What to cut: check values, rejections, and laws of any cut list. Kerf, spares and walls are the shop's estimates."""

import math
from collections import Counter
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyboards.core import cutting
from keyboards.core.cutting import ButtonSpec, fewest_blanks, group_specs
from keyboards.core.errors import MeasurementError

SPEC = ButtonSpec(length=40, width=13, height=8, mortise_width=5.5, mortise_length=14, skew=0)


def spec(**changes):
    return ButtonSpec(**{**SPEC.__dict__, **changes})


# Groups


def test_buttons_cut_alike_are_one_group_in_order_of_its_lowest_key():
    groups = group_specs(buttons=[(3, spec(skew=3)), (2, SPEC), (1, spec(skew=3)), (8, SPEC)])
    assert [group.keys for group in groups] == [(1, 3), (2, 8)]
    assert [group.count for group in groups] == [2, 2]
    assert groups[0].spec.skew == 3


def test_sizes_go_to_tenths_and_angles_to_half_degrees_half_away_from_zero():
    (group,) = group_specs([(1, spec(length=40.05, width=12.949, height=8.25, skew=-2.75))])
    assert group.spec == spec(length=40.1, width=12.9, height=8.3, skew=-3)
    (group,) = group_specs([(1, spec(skew=2.4))], angle_step=1)
    assert group.spec.skew == 2


def test_a_skew_that_rounds_to_nothing_is_plain_zero():
    (group,) = group_specs([(1, spec(skew=-0.1)), (2, spec(skew=0.1))])
    assert str(group.spec.skew) == "0.0"


@pytest.mark.parametrize(("count", "spares"), [(1, 1), (20, 1), (21, 2), (60, 3), (88, 5)])
def test_spares_are_5_percent_and_at_least_one(count, spares):
    (group,) = group_specs([(key, SPEC) for key in range(1, count + 1)])
    assert group.spares == spares


def test_without_a_share_of_spares_there_is_still_one():
    (group,) = group_specs([(1, SPEC)], spare=0)
    assert group.spares == 1


@pytest.mark.parametrize(
    ("buttons", "named"),
    [
        ([], "buttons"),
        ("12", "buttons"),
        ([(1, SPEC), (1, SPEC)], "key 1 twice"),
        ([(0, SPEC)], "key"),
        ([(1.0, SPEC)], "key"),
        ([(True, SPEC)], "key"),
        ([(1, None)], "ButtonSpec"),
        ([1], "ButtonSpec"),
    ],
)
def test_buttons_that_are_no_pairs_of_key_and_spec_are_refused(buttons, named):
    with pytest.raises(MeasurementError, match=named):
        group_specs(buttons)


@pytest.mark.parametrize("name", ["length", "width", "height", "mortise_width", "mortise_length", "skew"])
@pytest.mark.parametrize("bad", [math.nan, math.inf, True, "40", None, -100])
def test_a_spec_holds_only_possible_sizes(name, bad):
    with pytest.raises(MeasurementError, match=name):
        spec(**{name: bad})


def test_a_mortise_as_wide_or_long_as_its_button_is_refused():
    with pytest.raises(MeasurementError, match="mortise_width"):
        spec(mortise_width=13)
    with pytest.raises(MeasurementError, match="mortise_length"):
        spec(mortise_length=40)


@pytest.mark.parametrize("options", [{"angle_step": 0}, {"angle_step": math.nan}, {"spare": -0.1}, {"spare": 2}])
def test_impossible_steps_and_spares_are_refused(options):
    with pytest.raises(MeasurementError, match=next(iter(options))):
        group_specs([(1, SPEC)], **options)


@given(st.lists(st.tuples(st.integers(1, 88), st.floats(-8, 8)), min_size=1, max_size=60, unique_by=lambda b: b[0]))
def test_no_key_is_lost_and_no_angle_is_off_by_more_than_half_a_step(buttons):
    skews = dict(buttons)
    groups = group_specs([(key, spec(skew=skew)) for key, skew in buttons])
    assert sorted(key for group in groups for key in group.keys) == sorted(skews)
    assert [group.keys[0] for group in groups] == sorted(group.keys[0] for group in groups)
    for group in groups:
        assert all(abs(skews[key] - group.spec.skew) <= 0.25 + 1e-6 for key in group.keys)
    mirrored = group_specs([(key, spec(skew=-skew)) for key, skew in buttons])
    assert [(group.keys, -group.spec.skew) for group in groups] == [(m.keys, m.spec.skew) for m in mirrored]


# Blanks


def test_92_pieces_of_40_from_300_with_a_kerf_of_2_take_14_blanks():
    found = fewest_blanks(pieces={40: 92}, blank=300, kerf=2)
    assert (found.blanks, found.bound, found.optimal) == (14, 13, True)
    assert [len(row) for row in found.layout] == [7] * 13 + [1]


def test_a_blank_holds_pieces_with_kerfs_only_between_them():
    assert fewest_blanks({98: 3}, blank=300, kerf=3).blanks == 1
    assert fewest_blanks({98.001: 3}, blank=300, kerf=3).blanks == 2
    assert fewest_blanks({300: 2}, blank=300, kerf=3).blanks == 2


def test_first_fit_is_beaten_where_it_wastes():
    # Longest first: 60 60 | 45 45 35 | ... needs 4; 60 + 2 x 45 with 60 + 3 x 30 does it in 3
    pieces = {60: 3, 45: 2, 30: 6}
    found = fewest_blanks(pieces, blank=150, kerf=0)
    assert (found.blanks, found.optimal) == (3, True)


def test_with_five_lengths_the_gap_is_told_and_never_hidden():
    found = fewest_blanks({103: 7, 102: 7, 101: 7, 100.5: 7, 100.2: 7}, blank=300, kerf=0)
    assert found.blanks == 18
    assert found.bound == 12
    assert not found.optimal


def test_first_fit_that_meets_the_bound_is_optimal_for_any_number_of_lengths():
    found = fewest_blanks({50: 2, 40: 5, 30: 2, 20: 2, 10: 10}, blank=100, kerf=0)
    assert (found.blanks, found.bound, found.optimal) == (5, 5, True)


def test_nothing_wanted_takes_no_blank():
    found = fewest_blanks({40: 0}, blank=300, kerf=2)
    assert (found.blanks, found.bound, found.optimal, found.layout) == (0, 0, True, ())


def test_thousands_of_pieces_of_many_lengths_are_laid_out_at_once():
    found = fewest_blanks({40 + step / 10: 50 for step in range(200)}, blank=300, kerf=2)
    assert sum(len(row) for row in found.layout) == 10_000


@pytest.mark.parametrize(
    ("pieces", "blank", "kerf", "named"),
    [
        ({301: 1}, 300, 2, "longer than the blank"),
        ({40: -1}, 300, 2, "pieces of 40 mm"),
        ({40: 1.5}, 300, 2, "pieces of 40 mm"),
        ({40: True}, 300, 2, "pieces of 40 mm"),
        ({40: 10**9}, 300, 2, "pieces of 40 mm"),
        ({40: 9000, 41: 9000}, 300, 2, "pieces"),
        ({0: 1}, 300, 2, "pieces length"),
        ({math.nan: 1}, 300, 2, "pieces length"),
        ({"40": 1}, 300, 2, "pieces length"),
        ({0.0001: 1}, 300, 0, "pieces"),
        ({}, 300, 2, "pieces"),
        ([(40, 1)], 300, 2, "pieces"),
        ({40: 1}, 300, -1, "kerf"),
        ({40: 1}, 300, math.inf, "kerf"),
        ({40: 1}, 0, 2, "blank"),
        ({40: 1}, "300", 2, "blank"),
    ],
)
def test_pieces_blanks_and_kerfs_that_cannot_be_are_refused(pieces, blank, kerf, named):
    with pytest.raises(MeasurementError, match=named):
        fewest_blanks(pieces, blank, kerf)


cut_lists = st.dictionaries(st.integers(20, 160), st.integers(0, 40), min_size=1, max_size=6)


@settings(max_examples=150, deadline=None)
@given(cut_lists, st.integers(160, 400), st.integers(0, 4))
def test_a_layout_holds_every_piece_once_and_no_blank_is_overfilled(pieces, blank, kerf):
    found = fewest_blanks(pieces, blank, kerf)
    assert Counter(length for row in found.layout for length in row) == Counter(
        {length: count for length, count in pieces.items() if count}
    )
    assert len(found.layout) == found.blanks >= found.bound
    for row in found.layout:
        assert row
        assert sum(row) + kerf * (len(row) - 1) <= blank


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(st.integers(40, 100), st.integers(1, 3), min_size=1, max_size=3), st.integers(100, 200))
def test_no_way_of_sawing_needs_fewer_blanks(pieces, blank):
    """Every way of putting the pieces into one blank less, tried out."""
    found = fewest_blanks(pieces, blank, kerf=2)
    assert found.optimal
    fewer = found.blanks - 1
    all_pieces = [length for length, count in pieces.items() for _ in range(count)]
    if fewer ** len(all_pieces) > 3000:
        return
    for places in product(range(fewer), repeat=len(all_pieces)):
        filled = [0] * fewer
        for length, place in zip(all_pieces, places, strict=True):
            filled[place] += length + 2
        assert max(filled, default=blank + 3) > blank + 2


# Cloth and width


def test_cloth_for_88_keys_from_a_sheet_of_300_by_300():
    sheet = cutting.cloth_sheet(keys=88, piece_length=12, piece_width=14, sheet_length=300, sheet_width=300)
    assert (sheet.pieces, sheet.strips, sheet.sheets) == (185, 8, 1)
    assert sheet.waste == pytest.approx(0.6547, abs=5e-5)


def test_a_kerf_costs_pieces_and_more_cloth_takes_more_sheets():
    sheet = cutting.cloth_sheet(
        keys=100, piece_length=10, piece_width=10, sheet_length=100, sheet_width=50, kerf=1, spare=0
    )
    assert (sheet.pieces, sheet.strips, sheet.sheets) == (200, 23, 6)  # 9 pieces a strip, 4 strips a sheet
    assert sheet.waste == pytest.approx(1 - 200 * 100 / (6 * 5000))


def test_kerfs_lie_only_between_pieces_and_strips():
    sheet = cutting.cloth_sheet(50, 9, 9, 99, 99, kerf=1, spare=0)
    assert (sheet.pieces, sheet.strips, sheet.sheets) == (100, 10, 1)  # ten by ten, with nine cuts each way


def test_pieces_that_fill_the_sheet_exactly_waste_nothing():
    assert cutting.cloth_sheet(50, 0.1, 0.1, 1, 1, spare=0).waste == pytest.approx(0, abs=1e-12)


GOOD_CLOTH = {"keys": 88, "piece_length": 12, "piece_width": 14, "sheet_length": 300, "sheet_width": 300}


@pytest.mark.parametrize("name", [*GOOD_CLOTH, "kerf", "spare"])
@pytest.mark.parametrize("bad", [math.nan, math.inf, True, "12", None, -1, []])
def test_cloth_that_cannot_be_is_refused(name, bad):
    with pytest.raises(MeasurementError, match=name):
        cutting.cloth_sheet(**{**GOOD_CLOTH, name: bad})


@pytest.mark.parametrize("name", ["piece_length", "piece_width"])
def test_a_piece_larger_than_the_sheet_is_refused(name):
    with pytest.raises(MeasurementError, match=name):
        cutting.cloth_sheet(**{**GOOD_CLOTH, name: 301})


def test_a_mortise_skewed_3_degrees_needs_a_button_11_225_wide():
    needed = cutting.button_width_needed(mortise_length=14, mortise_width=5.5, skew=3, wall=2.5)
    assert needed == pytest.approx(11.225, abs=5e-4)
    assert cutting.button_width_needed(14, 5.5, -3, 2.5) == needed
    assert cutting.button_width_needed(14, 5.5, 0, 2.5) == 10.5


@pytest.mark.parametrize(
    "bad", [{"mortise_length": 0}, {"mortise_width": math.nan}, {"skew": 90}, {"skew": "3"}, {"wall": -1}]
)
def test_a_width_for_impossible_mortises_is_refused(bad):
    good = {"mortise_length": 14, "mortise_width": 5.5, "skew": 3, "wall": 2.5}
    with pytest.raises(MeasurementError, match=next(iter(bad))):
        cutting.button_width_needed(**{**good, **bad})


@given(st.floats(0, 45), st.floats(0, 45))
def test_more_skew_never_needs_a_narrower_button_while_the_mortise_is_longer_than_wide(one, other):
    low, high = sorted((one, other))
    assert cutting.button_width_needed(14, 5.5, low, 2) <= cutting.button_width_needed(14, 5.5, high, 2) + 1e-9

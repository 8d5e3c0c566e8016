"""Fewest blanks against a mixed-integer solver.

HiGHS (Huangfu, Q. and Hall, J. A. J., Parallelizing the dual revised simplex method, Mathematical Programming
Computation 10, 119-142 (2018)), as scipy.optimize.milp calls it: the cutting-stock problem of Gilmore and Gomory
(1961) over all cutting patterns, which are enumerated here anew.
"""

import random
from itertools import product

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from keyboards.core.cutting import cloth_sheet, fewest_blanks


def solver(pieces, blank, kerf):
    """The fewest blanks of all, by the solver."""
    lengths = sorted(pieces)
    most = [int((blank + kerf + 1e-9) // (length + kerf)) for length in lengths]
    patterns = [
        counts
        for counts in product(*(range(n + 1) for n in most))
        if any(counts)
        and sum(n * (length + kerf) for n, length in zip(counts, lengths, strict=True)) <= blank + kerf + 1e-9
    ]
    found = milp(
        np.ones(len(patterns)),
        constraints=LinearConstraint(np.array(patterns).T, lb=[pieces[length] for length in lengths]),
        integrality=np.ones(len(patterns)),
        bounds=Bounds(0, np.inf),
    )
    assert found.success
    return round(found.fun)


def cut_list(seed):
    """One to four lengths in tenths of a mm, as a keyboard's buttons have."""
    draw = random.Random(seed)
    blank = draw.choice([200, 300, 305, 450, 600])
    lengths = {round(draw.uniform(25, draw.choice([60, blank * 0.6])), 1) for _ in range(draw.randint(1, 4))}
    return {length: draw.randint(1, 60) for length in lengths}, blank, draw.choice([0, 1, 1.5, 2, 3])


def test_92_pieces_of_40_from_300_need_14_blanks():
    assert solver({40: 92}, 300, 2) == fewest_blanks({40: 92}, 300, 2).blanks == 14


@pytest.mark.parametrize("seed", range(40))
def test_the_solver_finds_no_shorter_layout(seed):
    pieces, blank, kerf = cut_list(seed)
    found = fewest_blanks(pieces, blank, kerf)
    assert found.optimal
    assert found.blanks == solver(pieces, blank, kerf)


@pytest.mark.parametrize(
    ("pieces", "blank", "kerf", "blanks"),
    [
        ({41.5: 35, 70.6: 53, 172.2: 36, 135.8: 21}, 300, 2, 51),
        ({22.3: 4, 322.3: 42, 34.2: 29, 33.6: 21}, 600, 2, 42),
        ({59.1: 41, 95.9: 42, 35.8: 37, 244.3: 28}, 600, 2, 25),
    ],
)
def test_hard_lists_are_settled_too(pieces, blank, kerf, blanks):
    found = fewest_blanks(pieces, blank, kerf)
    assert found.optimal
    assert found.blanks == solver(pieces, blank, kerf) == blanks


def test_with_six_lengths_the_truth_lies_in_the_gap_that_is_told():
    pieces = {41.3: 9, 52.7: 8, 63.1: 7, 74.9: 6, 88.2: 5, 97.6: 4}
    found = fewest_blanks(pieces, 300, 2)
    assert found.bound <= solver(pieces, 300, 2) <= found.blanks


def fewest_bins(count, size, room):
    """Bins that so many pieces of one size need, by the solver: pieces in each bin, and whether it is begun."""
    most = -(-count // int(room // size))
    fits = np.hstack([size * np.eye(most), -room * np.eye(most)])
    found = milp(
        np.r_[np.zeros(most), np.ones(most)],
        constraints=[
            LinearConstraint(fits, -np.inf, 0),
            LinearConstraint(np.r_[np.ones(most), np.zeros(most)], count, np.inf),
        ],
        integrality=np.ones(2 * most),
        bounds=Bounds(0, np.r_[np.full(most, np.inf), np.ones(most)]),
    )
    assert found.success
    return round(found.fun)


@pytest.mark.parametrize(
    ("keys", "piece", "sheet"),
    [(88, (14, 14), (300, 300)), (26, (11, 9), (60, 100)), (20, (14, 14), (150, 40)), (3, (14, 14), (14, 14))],
)
def test_the_solver_finds_no_fewer_strips_and_sheets_of_cloth(keys, piece, sheet):
    found = cloth_sheet(keys, *piece, *sheet, spare=0)
    assert found.strips == fewest_bins(2 * keys, piece[0], sheet[0])
    assert found.sheets == fewest_bins(found.strips, piece[1], sheet[1])
    assert sum(map(sum, found.layout)) == 2 * keys

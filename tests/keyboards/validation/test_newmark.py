"""How far a glued button takes up its share, against Newmark's equation solved numerically.

Newmark, N. M., Siess, C. P. and Viest, I. M., Tests and analysis of composite beams with incomplete interaction,
Proceedings of the Society for Experimental Stress Analysis 9(1), 75-92 (1951). With the axial force N in the button,
N0 its value under perfect interaction and lam the engagement length, N'' - N/lam^2 = -N0/lam^2, N = 0 at both ends.
Here it is solved by scipy's boundary-value and banded solvers; the equation is quoted from memory.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_bvp
from scipy.linalg import solve_banded

from keyboards.core.flex import KeyGeometry, fibre_stress, key_flexibility, section_at

REFERENCE = KeyGeometry()
LOOSE = replace(REFERENCE, button_length=0)


def share(length, slip):
    """N/N0 over the button under an even moment, as a function of the distance from its centre."""

    def slopes(x, y):
        return np.vstack([y[1], (y[0] - 1) / slip**2])

    def held(start, end):
        return np.array([start[0], end[0]])

    x = np.linspace(-length / 2, length / 2, 401)
    found = solve_bvp(slopes, held, x, np.zeros((2, x.size)), tol=1e-8)
    assert found.success
    return lambda distance: found.sol(distance)[0]


@pytest.mark.parametrize(("length", "slip"), [(40, 19.2), (60, 10.0), (30, 30.0)])
@pytest.mark.parametrize("distance", [-14, -9, 0, 5, 12])
def test_the_stress_under_a_button_is_newmarks(length, slip, distance):
    """Curvature (M - N e)/EI0: between the stress without the button and that of the perfect composite by N/N0."""
    key = replace(REFERENCE, button_length=length, slot_length=0, hole_diameter=0, mortise_length=0)
    x = key.front_arm + distance
    part = share(length, slip)(distance)
    loose = np.array(fibre_stress(replace(key, button_length=0), 30, x))
    perfect = np.array(fibre_stress(key, 30, x, engagement_length=0))
    assert fibre_stress(key, 30, x, engagement_length=slip) == pytest.approx(
        (1 - part) * loose + part * perfect, rel=1e-5
    )


def test_the_raised_stiffness_is_within_5_percent_of_the_full_equation_for_a_lever():
    """With the lever's own moment, highest over the pin, instead of an even one. The model is the stiffer one."""
    key, slip = REFERENCE, 2.4 * REFERENCE.button_height
    a, b, length = key.front_arm, key.rear_arm, key.front_arm + key.rear_arm
    x = np.linspace(*key.button_span, 8001)
    moment = np.where(x <= a, x, a / b * (length - x))
    step = x[1] - x[0]
    bands = np.zeros((3, x.size))
    bands[0, 2:] = bands[2, :-2] = 1 / step**2
    bands[1] = -2 / step**2 - 1 / slip**2
    bands[1, [0, -1]] = 1
    right = -moment / slip**2
    right[[0, -1]] = 0
    taken = solve_banded((1, 1), bands, right)  # N in proportion to the moment it would carry if perfect

    bare = np.array([section_at(LOOSE, place).bending_stiffness for place in x])
    whole = np.array([section_at(key, place).bending_stiffness for place in x])
    under = np.trapezoid(moment * ((moment - taken) / bare + taken / whole), x)
    plain = np.trapezoid(moment * moment / bare, x)
    newmark = key_flexibility(LOOSE, shear=False) - plain + under
    model = key_flexibility(key, shear=False)
    assert newmark == pytest.approx(0.034587, rel=1e-3)
    assert 0.95 * newmark < model < newmark

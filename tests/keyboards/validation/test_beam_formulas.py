"""Deflections, shear and stress against the standard formulas of the strength of materials.

Gere, J. M. and Timoshenko, S. P., Mechanics of Materials: tables of deflections of beams, flexure formula, shear
deflection. The formulas are standard and quoted from memory; every handbook of beams carries them.
"""

from dataclasses import replace

import pytest

from keyboards.core.flex import KeyGeometry, fibre_stress, key_flexibility, section_at

STICK = KeyGeometry(slot_length=0, hole_diameter=0, button_length=0, mortise_length=0)
EI = 10800 * 13 * 24**3 / 12
GA = 0.064 * 10800 * 13 * 24
BENDING = {"engagement_length": 0, "shear": False}


@pytest.mark.parametrize(("a", "b"), [(220, 130), (200, 200), (150, 300), (280, 90)])
def test_an_overhanging_beam_sinks_f_a2_times_a_plus_b_over_3_ei(a, b):
    key = replace(STICK, front_arm=a, rear_arm=b)
    assert key_flexibility(key, **BENDING) == pytest.approx(a**2 * (a + b) / (3 * EI), rel=1e-12)


@pytest.mark.parametrize("half", [150, 200])
def test_a_centrally_loaded_simple_beam_sinks_f_l3_over_48_ei(half):
    """The key turned over: lifted by 2 F at the pin, held at both ends, the ends sink relative to the middle."""
    key = replace(STICK, front_arm=half, rear_arm=half)
    length, force = 2 * half, 2
    middle = force * length**3 / (48 * EI)
    # The playing end sinks twice as far when the chord of the other two points is held level.
    assert key_flexibility(key, **BENDING) == pytest.approx(2 * middle, rel=1e-12)


def test_a_cantilever_of_two_sections_sinks_as_superposition_says():
    """F/3E [c^3/I1 + (L^3 - c^3)/I2], stiff at its root; a short rear arm is as good as a wall."""
    key = replace(STICK, rear_arm=20, button_length=40, slot_length=0, button_width=13)
    # The button reaches 20 mm to both sides of the pin: rear arm wholly stiff, front arm in two parts.
    inner = section_at(key, 210).bending_stiffness
    outer = section_at(key, 100).bending_stiffness
    front = 200**3 / (3 * outer) + (220**3 - 200**3) / (3 * inner)
    rear = (220 / 20) ** 2 * 20**3 / (3 * inner)
    assert key_flexibility(key, **BENDING) == pytest.approx(front + rear, rel=1e-12)


def test_shear_adds_1_2_f_a_over_ga_and_its_share_behind_the_pin():
    a, b = 220, 130
    added = key_flexibility(STICK, engagement_length=0) - key_flexibility(STICK, **BENDING)
    assert added == pytest.approx(1.2 * (a + (a / b) ** 2 * b) / GA, rel=1e-12)


@pytest.mark.parametrize("x", [50, 150, 220])
def test_the_outer_fibre_carries_6_m_over_b_h2(x):
    bottom, top = fibre_stress(STICK, 25, x)
    assert top == pytest.approx(6 * 25 * x / (13 * 24**2), rel=1e-12)
    assert bottom == pytest.approx(top, rel=1e-12)


def test_a_steel_like_reinforcement_takes_its_modular_ratio_of_the_load():
    """Composite beam, method of the transformed section: stick 13 x 24 of E, button 13 x 8 of 3 E."""
    key = replace(STICK, button_length=40, button_modulus=3 * 10800)
    area = 24 + 3 * 8
    neutral = (24 * 12 + 3 * 8 * 28) / area
    inertia = 13 * (24**3 / 12 + 24 * (12 - neutral) ** 2 + 3 * 8**3 / 12 + 3 * 8 * (28 - neutral) ** 2)
    bottom, top = fibre_stress(key, 25, 210, engagement_length=0)
    assert bottom == pytest.approx(25 * 210 * neutral / inertia, rel=1e-12)
    assert top == pytest.approx(25 * 210 * (24 - neutral) / inertia, rel=1e-12)

"""The stepped lever against a finite-element beam program.

anaStruct, 2D frames and trusses by the finite-element method (Ritchie Vink and contributors), version 1.7. It gets a
key as beam elements of constant EI over three supports' worth of statics: hinged at the pin, held at the rear, 1 N
at the playing end. Its elements bend and do not shear, so shear is left out on our side too; section stiffnesses are
reckoned here by hand, from the parallel-axis theorem, not taken from the module under test.
"""

from dataclasses import replace
from itertools import pairwise
from math import cosh

import pytest
from anastruct import SystemElements

from keyboards.core.flex import KeyGeometry, key_flexibility

REFERENCE = KeyGeometry()
BARE = replace(REFERENCE, button_length=0)
STICK = replace(BARE, slot_length=0, hole_diameter=0)


def stiffness(key, x, *, button):
    """EI at x by hand: rectangles of modulus, width, bottom and top about their common neutral axis."""
    from_pin = abs(x - key.front_arm)
    width = key.width - (key.hole_diameter if from_pin < key.hole_diameter / 2 else 0)
    slot = from_pin < key.slot_length / 2
    floor = key.height - key.slot_depth if slot else key.height
    parts = [(key.modulus, width, 0, floor)]
    if slot:
        parts.append((key.modulus, key.width - key.slot_width, floor, key.height))
    if button and abs(x - key.front_arm - key.button_offset) < key.button_length / 2:
        opening = key.mortise_width if from_pin < key.mortise_length / 2 else 0
        parts.append((key.button_modulus, key.button_width - opening, key.height, key.height + key.button_height))
    axial = sum(e * w * (top - bottom) for e, w, bottom, top in parts)
    neutral = sum(e * w * (top**2 - bottom**2) / 2 for e, w, bottom, top in parts) / axial
    return sum(e * w * ((top - neutral) ** 3 - (bottom - neutral) ** 3) / 3 for e, w, bottom, top in parts)


def finite_elements(key, *, slip=0.0):
    """Sink of the playing end under 1 N, from elements between all changes of section.

    Where the stiffness changes along the way, under a slipping button, no element is longer than 0.5 mm.
    """
    length = key.front_arm + key.rear_arm
    cuts = {0.0, key.front_arm, length}
    for centre, part in (
        (key.front_arm, key.slot_length),
        (key.front_arm, key.hole_diameter),
        (key.front_arm, key.mortise_length),
        (key.front_arm + key.button_offset, key.button_length),
    ):
        cuts |= {centre - part / 2, centre + part / 2}
    coarse = sorted(cuts)
    nodes = [0.0]
    for start, end in pairwise(coarse):
        under = abs((start + end) / 2 - key.front_arm - key.button_offset) < key.button_length / 2
        pieces = int((end - start) // 0.5) + 1 if slip and under else 1
        nodes += [start + (end - start) * n / pieces for n in range(1, pieces + 1)]

    def engaged(x):
        centre, half = key.front_arm + key.button_offset, key.button_length / 2
        if not slip or abs(x - centre) >= half:
            return 1.0
        return 1 - cosh((x - centre) / slip) / cosh(half / slip)

    system = SystemElements(EA=1e12)
    for start, end in pairwise(nodes):
        x = (start + end) / 2
        bare, whole = stiffness(key, x, button=False), stiffness(key, x, button=True)
        system.add_element([[start, 0], [end, 0]], EI=bare + engaged(x) * (whole - bare))
    system.add_support_hinged(system.find_node_id([key.front_arm, 0]))
    system.add_support_roll(system.find_node_id([length, 0]))
    system.point_load(1, Fy=-1)
    system.solve()
    return abs(system.get_node_displacements(1)["uy"])


@pytest.mark.parametrize(
    ("key", "check"),
    [
        (STICK, 0.034912),
        (BARE, 0.036599),
        (REFERENCE, 0.029216),
        (replace(REFERENCE, button_length=32), 0.030365),
        (replace(REFERENCE, modulus=8200), 0.037738),
        (replace(REFERENCE, height=22, slot_depth=16), 0.037493),
        (replace(REFERENCE, height=22), 0.037590),
        (replace(REFERENCE, button_offset=6), None),
        (replace(REFERENCE, button_offset=-9, button_length=50, mortise_length=20), None),
        (replace(REFERENCE, front_arm=180, rear_arm=210, button_width=11), None),
        (replace(REFERENCE, hole_diameter=6, slot_length=3), None),
        (replace(REFERENCE, slot_length=50, button_length=30, button_modulus=3000), None),
    ],
)
def test_a_perfectly_glued_key_bends_as_its_finite_elements_do(key, check):
    elements = finite_elements(key)
    assert key_flexibility(key, engagement_length=0, shear=False) == pytest.approx(elements, rel=1e-6)
    if check:
        assert elements == pytest.approx(check, abs=5.1e-7)


@pytest.mark.parametrize(
    ("key", "slip"),
    [(REFERENCE, 19.2), (replace(REFERENCE, button_length=60, button_offset=5), 12.0), (REFERENCE, 5.0)],
)
def test_a_slipping_button_bends_as_many_small_elements_do(key, slip):
    elements = finite_elements(key, slip=slip)
    assert key_flexibility(key, engagement_length=slip, shear=False) == pytest.approx(elements, rel=2e-4)

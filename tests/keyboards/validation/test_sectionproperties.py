"""Transformed sections against a finite-element program for cross-sections.

sectionproperties, Robbie van Leeuwen and contributors: a Python package for the analysis of arbitrary cross-sections
using the finite element method, Journal of Open Source Software 9(96), 6105 (2024). It meshes the section and
integrates; area, first and second moments of polygons are exact in its six-noded triangles.
"""

from dataclasses import replace

import pytest
from sectionproperties.analysis import Section
from sectionproperties.pre import Material
from sectionproperties.pre.library import rectangular_section

from keyboards.core.flex import KeyGeometry, section_at

REFERENCE = KeyGeometry()
FULL = replace(
    REFERENCE, shoe_length=36, shoe_height=3, shoe_modulus=11000, plate_length=50, plate_height=2, plate_modulus=9000
)
FRONT = {"front_mortise_x": 20, "front_mortise_length": 12, "front_mortise_width": 5, "front_mortise_depth": 14}


def wood(modulus):
    return Material("wood", elastic_modulus=modulus, poissons_ratio=0.3, yield_strength=50, density=5e-7, color="w")


def meshed(*parts):
    """(modulus, width, bottom, top, opening) each; an opening is cut from the middle, walls stay."""
    geometry = None
    for modulus, width, bottom, top, opening in parts:
        wall = (width - opening) / 2
        sides = [(-width / 2, wall), (width / 2 - wall, wall)] if opening else [(-width / 2, width)]
        for left, broad in sides:
            part = rectangular_section(d=top - bottom, b=broad, material=wood(modulus)).shift_section(left, bottom)
            geometry = part if geometry is None else geometry + part
    section = Section(geometry.create_mesh(mesh_sizes=[4]))
    section.calculate_geometric_properties()
    return section


STICK, BUTTON = 10800, 12600


@pytest.mark.parametrize(
    ("key", "x", "parts"),
    [
        (REFERENCE, 100, [(STICK, 13, 0, 24, 0)]),
        (REFERENCE, 205, [(STICK, 13, 0, 24, 0), (BUTTON, 13, 24, 32, 0)]),
        (REFERENCE, 216, [(STICK, 13, 0, 6, 0), (STICK, 13, 6, 24, 5.5), (BUTTON, 13, 24, 32, 5.5)]),
        (REFERENCE, 220, [(STICK, 13, 0, 6, 3.7), (STICK, 13, 6, 24, 5.5), (BUTTON, 13, 24, 32, 5.5)]),
        (replace(REFERENCE, button_width=11), 205, [(STICK, 13, 0, 24, 0), (BUTTON, 11, 24, 32, 0)]),
        (
            FULL,
            220,
            [
                (11000, 13, -3, 0, 3.7),
                (STICK, 13, 0, 6, 3.7),
                (STICK, 13, 6, 24, 5.5),
                (9000, 13, 24, 26, 5.5),
                (BUTTON, 13, 26, 34, 5.5),
            ],
        ),
        (FULL, 197, [(STICK, 13, 0, 24, 0), (9000, 13, 24, 26, 0)]),
        (replace(REFERENCE, **FRONT), 18, [(STICK, 13, 0, 14, 5), (STICK, 13, 14, 24, 0)]),
    ],
    ids=["stick", "button", "slot", "hole", "narrow button", "shoe and plate", "plate alone", "front mortise"],
)
def test_a_section_of_the_key_is_as_stiff_as_its_mesh(key, x, parts):
    ours, mesh = section_at(key, x), meshed(*parts)
    exx, _, _ = mesh.get_eic()
    assert ours.bending_stiffness == pytest.approx(exx, rel=1e-9)
    assert ours.neutral_axis == pytest.approx(mesh.get_c()[1], rel=1e-9)

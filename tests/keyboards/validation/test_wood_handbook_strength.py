"""Moduli of the woods against the handbook they come from.

Forest Products Laboratory, Wood handbook: wood as an engineering material, General Technical Report FPL-GTR-282,
Madison, Wisconsin: U.S. Department of Agriculture, Forest Service (2021), chapter 5, Table 5-1 (elastic ratios) and
Tables 5-3a and 5-3b (strength properties at 12 % moisture, metric and inch-pound). The two tables were converted
separately, each rounded, so the inch-pound one checks the metric one. Inch-pound values: basswood and Engelmann
spruce read from reprints of the table; the others, and Table 5-1, from memory.
"""

import pytest

from keyboards.core.flex import BUTTON_SHEAR_RATIO, STICK_SHEAR_RATIO, WOODS

PSI = 4.4482216152605 / 25.4**2  # MPa, exact: pound-force over square inch

INCH_POUND = {  # modulus of elasticity in million psi, modulus of rupture in psi (None: not read)
    "sugar_maple": (1.83, 15_800),
    "american_basswood": (1.46, 8_700),
    "yellow_poplar": (1.58, 10_100),
    "engelmann_spruce": (1.30, 9_300),
    "sugar_pine": (1.19, 8_200),
    "sitka_spruce": (1.57, 10_200),
}


@pytest.mark.parametrize("slug", WOODS)
def test_both_tables_of_the_handbook_agree(slug):
    modulus, rupture = INCH_POUND[slug]
    assert WOODS[slug].modulus == pytest.approx(modulus * 1e6 * PSI, abs=100)  # the metric table is in steps of 100
    assert WOODS[slug].rupture == pytest.approx(rupture * PSI, abs=1)


def test_sugar_pine_is_as_printed_in_the_metric_table():
    """FPL-GTR-190, the edition before, Table 5-3a: pine, sugar, 12 %: 57 000 kPa and 8 200 MPa."""
    assert (WOODS["sugar_pine"].modulus, WOODS["sugar_pine"].rupture) == (8200, 57)


def test_shear_moduli_are_the_ratios_of_sitka_spruce_and_sugar_maple():
    """Table 5-1, G_LR/E_L: Sitka spruce 0.064, sugar maple 0.111."""
    assert (STICK_SHEAR_RATIO, BUTTON_SHEAR_RATIO) == (0.064, 0.111)

"""Moisture and movement of wood against the Wood Handbook.

Wood Handbook - Wood as an Engineering Material, General Technical Report FPL-GTR-282, U.S. Department of
Agriculture, Forest Service, Forest Products Laboratory, Madison, 2021 (earlier edition FPL-GTR-190, 2010).

Table 4-2, moisture content in equilibrium with stated temperature and relative humidity, -1.1 to 60 degC (30 to
140 degF) and 5 to 95 %: cells from memory; that all 228 lie within rounding of equation 4-5 is itself a check of
the memory. Equation 13-2 with its worked example of a white fir board (start and end size seen in a stored copy of
GTR-190, the moistures from memory) and Table 13-5 (hardwoods seen in a stored copy of GTR-190; yellow-poplar and
sugar pine from memory).
"""

import pytest

from keyboards.core.humidity import PUBLISHED_MOISTURE, WOODS, dimensional_change, equilibrium_moisture

# degC: moisture in % at 5, 10, ... 95 % relative humidity
TABLE_4_2 = {
    -1.1: "1.4 2.6 3.7 4.6 5.5 6.3 7.1 7.9 8.7 9.5 10.4 11.3 12.4 13.5 14.9 16.5 18.5 21.0 24.3",
    4.4: "1.4 2.6 3.7 4.6 5.5 6.3 7.1 7.9 8.7 9.5 10.4 11.3 12.3 13.5 14.9 16.5 18.5 21.0 24.3",
    10.0: "1.4 2.6 3.6 4.6 5.5 6.3 7.1 7.9 8.7 9.5 10.3 11.2 12.3 13.4 14.8 16.4 18.4 20.9 24.3",
    15.6: "1.3 2.5 3.6 4.6 5.4 6.2 7.0 7.8 8.6 9.4 10.2 11.1 12.1 13.3 14.6 16.2 18.2 20.7 24.1",
    21.1: "1.3 2.5 3.5 4.5 5.4 6.2 6.9 7.7 8.5 9.2 10.1 11.0 12.0 13.1 14.4 16.0 17.9 20.5 23.9",
    26.7: "1.3 2.4 3.5 4.4 5.3 6.1 6.8 7.6 8.3 9.1 9.9 10.8 11.7 12.9 14.2 15.7 17.7 20.2 23.6",
    32.2: "1.2 2.3 3.4 4.3 5.1 5.9 6.7 7.4 8.1 8.9 9.7 10.5 11.5 12.6 13.9 15.4 17.3 19.8 23.3",
    37.8: "1.2 2.3 3.3 4.2 5.0 5.8 6.5 7.2 7.9 8.7 9.5 10.3 11.2 12.3 13.6 15.1 17.0 19.5 22.9",
    43.3: "1.1 2.2 3.2 4.0 4.9 5.6 6.3 7.0 7.7 8.4 9.2 10.0 11.0 12.0 13.2 14.7 16.6 19.1 22.4",
    48.9: "1.1 2.1 3.0 3.9 4.7 5.4 6.1 6.8 7.5 8.2 8.9 9.7 10.6 11.7 12.9 14.4 16.2 18.6 22.0",
    54.4: "1.0 2.0 2.9 3.7 4.5 5.2 5.9 6.6 7.2 7.9 8.7 9.4 10.3 11.3 12.5 14.0 15.8 18.2 21.5",
    60.0: "0.9 1.9 2.8 3.6 4.3 5.0 5.7 6.3 7.0 7.7 8.4 9.1 10.0 11.0 12.1 13.6 15.3 17.7 21.0",
}


@pytest.mark.parametrize("temperature", TABLE_4_2)
def test_every_cell_of_table_4_2(temperature):
    row = [float(cell) for cell in TABLE_4_2[temperature].split()]
    assert len(row) == 19
    for humidity, moisture in zip(range(5, 100, 5), row, strict=True):
        # half of the last digit printed, and the rounding of the temperature from whole degF
        assert equilibrium_moisture(temperature, humidity) == pytest.approx(moisture, abs=0.06)


def test_the_white_fir_board_of_chapter_13():
    # 232 mm wide, flat-sawn (0.00245 a percent), from 8 to 11 %: grows 1.7 mm to 233.7 mm
    change = dimensional_change(size=232, coefficient=0.00245, moisture_before=8, moisture_after=11)
    assert round(change, 1) == 1.7
    assert round(232 + change, 1) == 233.7
    # and in inches 9.15 grows 0.067 to 9.217
    inches = dimensional_change(size=9.15, coefficient=0.00245, moisture_before=8, moisture_after=11)
    assert round(inches, 3) == 0.067
    assert round(9.15 + inches, 3) == 9.217


@pytest.mark.parametrize(
    ("wood", "radial", "tangential"),
    [
        ("sugar maple", 0.00165, 0.00353),
        ("American basswood", 0.00230, 0.00330),
        ("American beech", 0.00190, 0.00431),
        ("yellow-poplar", 0.00158, 0.00289),
        ("sugar pine", 0.00099, 0.00194),
    ],
)
def test_the_coefficients_of_table_13_5(wood, radial, tangential):
    assert (WOODS[wood].radial, WOODS[wood].tangential) == (radial, tangential)


def test_the_range_for_which_table_13_5_is_stated():
    assert PUBLISHED_MOISTURE == (6, 14)


def test_a_maple_mortise_grows_by_0_06_mm_from_30_to_50_percent():
    by_the_table = 5.5 * 0.00353 * (9.2 - 6.2)
    moistures = [equilibrium_moisture(21.1, humidity) for humidity in (30, 50)]
    change = dimensional_change(5.5, WOODS["sugar maple"].tangential, *moistures)
    assert change == pytest.approx(0.060, abs=5e-4)
    assert change == pytest.approx(by_the_table, abs=5.5 * 0.00353 * 0.1)

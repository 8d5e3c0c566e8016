"""Moisture and movement of wood: check values, rejections, laws. The tables are in the validation tests."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.errors import MeasurementError
from keyboards.core.humidity import (
    COMPARABLE,
    WOODS,
    dimensional_change,
    equilibrium_moisture,
    humidity_correction,
)

temperatures = st.floats(-10, 60)
humidities = st.floats(0, 95)
moistures = st.floats(0, 30)
MAPLE = WOODS["sugar maple"].tangential


@pytest.mark.parametrize(("humidity", "moisture"), [(30, 6.2), (50, 9.2), (65, 12.0), (80, 16.0)])
def test_wood_at_21_degrees_settles_at_the_published_moisture(humidity, moisture):
    assert equilibrium_moisture(temperature=21.1, humidity=humidity) == pytest.approx(moisture, abs=0.06)


def test_a_maple_mortise_grows_by_a_whole_clearance_from_30_to_50_percent():
    found = humidity_correction(
        size=5.5,
        coefficient=MAPLE,
        temperature_before=21.1,
        humidity_before=30,
        temperature_after=21.1,
        humidity_after=50,
    )
    assert found.change == pytest.approx(0.060, abs=5e-4)
    assert found.warn
    assert found.published


def test_dry_air_leaves_dry_wood():
    assert equilibrium_moisture(20, 0) == 0


@given(temperatures, humidities, humidities)
def test_damper_air_makes_damper_wood(temperature, one, other):
    dry, damp = sorted((one, other))
    assert equilibrium_moisture(temperature, dry) <= equilibrium_moisture(temperature, damp) + 1e-12
    assert 0 <= equilibrium_moisture(temperature, damp) < 30


@given(st.floats(0.1, 300), moistures, moistures, moistures)
def test_wood_comes_back_to_its_size(size, one, other, third):
    there = dimensional_change(size, MAPLE, one, other)
    assert there + dimensional_change(size, MAPLE, other, one) == pytest.approx(0, abs=1e-9)
    stages = dimensional_change(size, MAPLE, one, third) + dimensional_change(size, MAPLE, third, other)
    assert stages == pytest.approx(there, abs=1e-9)


@given(temperatures, humidities, temperatures, humidities)
def test_the_correction_is_both_steps_in_one(t1, h1, t2, h2):
    found = humidity_correction(5.5, MAPLE, t1, h1, t2, h2)
    assert found.moisture_before == equilibrium_moisture(t1, h1)
    assert found.moisture_after == equilibrium_moisture(t2, h2)
    assert found.change == dimensional_change(5.5, MAPLE, found.moisture_before, found.moisture_after)
    assert found.warn == (abs(h2 - h1) > COMPARABLE)


@pytest.mark.parametrize(("after", "warn"), [(50, False), (60, False), (60.1, True), (40, False), (39.9, True)])
def test_airs_more_than_10_percent_apart_warn(after, warn):
    assert humidity_correction(5.5, MAPLE, 20, 50, 20, after).warn is warn


@pytest.mark.parametrize(("before", "after", "published"), [(30, 70, True), (20, 50, False), (50, 80, False)])
def test_moistures_outside_the_published_range_are_said(before, after, published):
    assert humidity_correction(5.5, MAPLE, 20, before, 20, after).published is published


def test_the_woods_cannot_be_changed_by_accident():
    with pytest.raises(TypeError):
        WOODS["sugar maple"] = WOODS["sugar pine"]
    for wood in WOODS.values():
        assert 0 < wood.radial < wood.tangential


BAD = [float("nan"), float("inf"), True, "20", None]


@pytest.mark.parametrize("bad", BAD)
def test_every_argument_is_checked_and_named(bad):
    air = {"temperature": 20.0, "humidity": 50.0}
    for name in air:
        with pytest.raises(MeasurementError, match=rf"^{name} must be"):
            equilibrium_moisture(**{**air, name: bad})
    wood = {"size": 5.5, "coefficient": MAPLE, "moisture_before": 6.0, "moisture_after": 9.0}
    for name in wood:
        with pytest.raises(MeasurementError, match=rf"^{name} must be"):
            dimensional_change(**{**wood, name: bad})
    checks = {
        "size": 5.5,
        "coefficient": MAPLE,
        "temperature_before": 20.0,
        "humidity_before": 50.0,
        "temperature_after": 20.0,
        "humidity_after": 40.0,
    }
    for name in checks:
        with pytest.raises(MeasurementError, match=rf"^{name} must be"):
            humidity_correction(**{**checks, name: bad})


@pytest.mark.parametrize(
    ("temperature", "humidity", "named"),
    [(20, -0.1, "humidity"), (20, 95.1, "humidity"), (-10.1, 50, "temperature"), (60.1, 50, "temperature")],
)
def test_air_outside_the_range_is_refused(temperature, humidity, named):
    with pytest.raises(MeasurementError, match=rf"^{named} must be at"):
        equilibrium_moisture(temperature, humidity)
    with pytest.raises(MeasurementError, match=rf"^{named}_after must be at"):
        humidity_correction(5.5, MAPLE, 20, 50, temperature, humidity)


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        ("size", 0),
        ("size", -5.5),
        ("coefficient", 0),
        ("coefficient", 1),
        ("moisture_before", -1),
        ("moisture_after", 30.1),
    ],
)
def test_wood_that_cannot_be_is_refused(name, bad):
    wood = {"size": 5.5, "coefficient": MAPLE, "moisture_before": 6.0, "moisture_after": 9.0}
    with pytest.raises(MeasurementError, match=rf"^{name} must be"):
        dimensional_change(**{**wood, name: bad})

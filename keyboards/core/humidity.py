"""Humidity: the moisture that wood takes from the air, and how a mortise grows with it.

Temperatures in degC, relative humidity and moisture content in %, lengths in mm. Source of formulas and
coefficients: Wood Handbook, Wood as an Engineering Material, Forest Products Laboratory, FPL-GTR-282, 2021:
equation 4-5 (Hailwood and Horrobin's sorption model), equation 13-2 and Table 13-5.

A mortise of 5.5 mm in flat-sawn maple grows by 0.06 mm from 30 to 50 % humidity, as much as a whole side
clearance: readings taken in airs that differ are compared with a warning and the correction beside them.
"""

from dataclasses import dataclass
from types import MappingProxyType

from keyboards.core.checked import number

COMPARABLE = 10.0  # % relative humidity between two checks from which on a warning is due (an estimate)
PUBLISHED_MOISTURE = (6.0, 14.0)  # the range for which Table 13-5 is stated
_SATURATION = 30.0  # % moisture above which wood no longer changes its size


@dataclass(frozen=True, slots=True)
class WoodMovement:
    """Change of size per % of moisture, as a fraction: along the radius and along the rings (Table 13-5)."""

    radial: float
    tangential: float


WOODS = MappingProxyType(
    {
        "sugar maple": WoodMovement(0.00165, 0.00353),
        "American basswood": WoodMovement(0.00230, 0.00330),
        "American beech": WoodMovement(0.00190, 0.00431),
        "yellow-poplar": WoodMovement(0.00158, 0.00289),
        "sugar pine": WoodMovement(0.00099, 0.00194),
    }
)


@dataclass(frozen=True, slots=True)
class HumidityCorrection:
    """What the air alone does to a size between two checks.

    `change` in mm, to be taken from the later size before the two are compared. `moisture_before` and
    `moisture_after` in %. `warn`: the airs differ by more than 10 % relative humidity. `published`:
    both moistures lie in the range for which the coefficient is stated.
    """

    change: float
    moisture_before: float
    moisture_after: float
    warn: bool
    published: bool


def equilibrium_moisture(temperature: float, humidity: float) -> float:
    """The moisture content in % that wood settles at in air of that temperature and relative humidity.

    Equation 4-5. MeasurementError for humidity outside 0 to 95 % or temperature outside -10 to 60 degC.
    """
    return _settled(temperature, humidity)


def dimensional_change(size: float, coefficient: float, moisture_before: float, moisture_after: float) -> float:
    """How much a size in mm grows (or shrinks, negative) between two moisture contents in %.

    Equation 13-2. Stated for 6 to 14 % (PUBLISHED_MOISTURE); it answers up to 30 %, where wood stops
    swelling.
    """
    size = number("size", size, above=0)
    coefficient = number("coefficient", coefficient, above=0, below=1)
    before = number("moisture_before", moisture_before, minimum=0, maximum=_SATURATION)
    after = number("moisture_after", moisture_after, minimum=0, maximum=_SATURATION)
    return size * coefficient * (after - before)


def humidity_correction(
    size: float,
    coefficient: float,
    temperature_before: float,
    humidity_before: float,
    temperature_after: float,
    humidity_after: float,
) -> HumidityCorrection:
    """The change of a size between the airs of two checks, once the wood has settled in each.

    Wood follows the air over days or weeks, so this is the most that can be expected of a short change.
    """
    before = _settled(temperature_before, humidity_before, "_before")
    after = _settled(temperature_after, humidity_after, "_after")
    low, high = PUBLISHED_MOISTURE
    return HumidityCorrection(
        change=dimensional_change(size, coefficient, before, after),
        moisture_before=before,
        moisture_after=after,
        warn=abs(humidity_after - humidity_before) > COMPARABLE,
        published=low <= before <= high and low <= after <= high,
    )


def _settled(temperature: float, humidity: float, when: str = "") -> float:
    t = number(f"temperature{when}", temperature, minimum=-10, maximum=60)
    h = number(f"humidity{when}", humidity, minimum=0, maximum=95) / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    dissolved = kh / (1 - kh)
    bound = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return 1800 / w * (dissolved + bound)

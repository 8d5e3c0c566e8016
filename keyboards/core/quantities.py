"""The quantities a key is read for: unit, place of measurement and the range a real key can have.

Canonical integers: lengths in micrometres, angles in thousandths of a degree, weights in milligrams, so one
factor of 1000 serves all three. The possible range only catches slips of the finger (562 for 5.62) and is wide on
purpose; outside the usual one a first reading is asked about, since there are no others yet to hold it against. Both
are estimates without a source, and say nothing about whether a key is good.
"""

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal

from keyboards.core.errors import MeasurementError

LENGTH = "mm"
ANGLE = "deg"
WEIGHT = "g"
# Exact by definition: 1 inch = 25.4 mm.
_PER_UNIT = {"mm": Decimal(1000), "in": Decimal(25400), "deg": Decimal(1000), "g": Decimal(1000)}
_NUMBER = re.compile(r"[+-]?\d{1,6}([.,]\d{1,6})?|[+-]?[.,]\d{1,6}", re.ASCII)


@dataclass(frozen=True)
class Quantity:
    """slug; dimension (mm, deg or g); lowest and highest possible reading, and the usual ones, in canonical integers;
    decimals shown."""

    slug: str
    dimension: str
    lowest: int
    highest: int
    usual: tuple[int, int]
    decimals: int = 2


_ALL = (
    Quantity("balance_mortise_width", LENGTH, 2_000, 15_000, (4_000, 8_000)),
    Quantity("front_mortise_width", LENGTH, 2_000, 15_000, (4_000, 9_000)),
    Quantity("balance_pin", LENGTH, 2_000, 8_000, (3_000, 5_000)),
    Quantity("front_pin", LENGTH, 2_000, 8_000, (2_500, 6_000)),
    Quantity("side_play", LENGTH, 0, 5_000, (0, 2_500)),
    Quantity("button_length", LENGTH, 10_000, 90_000, (20_000, 70_000), 1),
    Quantity("button_width", LENGTH, 5_000, 30_000, (8_000, 22_000), 1),
    Quantity("button_height", LENGTH, 2_000, 30_000, (4_000, 22_000), 1),
    Quantity("slot_length", LENGTH, 3_000, 40_000, (6_000, 25_000), 1),
    Quantity("mortise_offset", LENGTH, -5_000, 5_000, (-2_000, 2_000)),
    Quantity("skew", ANGLE, -15_000, 15_000, (-10_000, 10_000), 1),
    Quantity("splay", ANGLE, -25_000, 25_000, (-20_000, 20_000), 1),
    Quantity("dip", LENGTH, 0, 20_000, (6_000, 14_000), 1),
    Quantity("level", LENGTH, -10_000, 10_000, (-4_000, 4_000)),
    Quantity("down_weight", WEIGHT, 5_000, 200_000, (25_000, 100_000), 0),
    Quantity("up_weight", WEIGHT, 0, 150_000, (5_000, 60_000), 0),
)
QUANTITIES: dict[str, Quantity] = {quantity.slug: quantity for quantity in _ALL}
UNITS = tuple(_PER_UNIT)


def units_for(quantity: str) -> tuple[str, ...]:
    """The units a reading of this quantity may be typed in."""
    dimension = QUANTITIES[quantity].dimension
    return ("mm", "in") if dimension == LENGTH else (dimension,)


def parse(quantity: str, text: str, unit: str) -> int:
    """Canonical integer from what was typed: "5.62", "5,62", "0.146" with its unit.

    Raises MeasurementError with a sentence for an unknown quantity or unit, text that is no number, or a value
    that no key can have.
    """
    if quantity not in QUANTITIES:
        raise MeasurementError("quantity: {quantity!r} is not one we know", quantity=quantity)
    if not isinstance(text, str):
        raise MeasurementError("value: must be written as text, such as 5.62")
    if unit not in units_for(quantity):
        raise MeasurementError(
            "unit: {unit!r} does not fit; use {units}", unit=unit, units=" or ".join(units_for(quantity))
        )
    canonical = parse_number(text, unit)
    check_range(quantity, canonical)
    return canonical


def parse_number(text: str, unit: str) -> int:
    """The typed number in canonical integers, whatever it is of. Raises MeasurementError for what is no number."""
    cleaned = unicodedata.normalize("NFC", text).strip().replace("−", "-").replace(" ", "")
    if not cleaned.isascii() or not _NUMBER.fullmatch(cleaned):
        raise MeasurementError("value: {text!r} is not a number such as 5.62", text=text[:20])
    # The pattern admits only what Decimal reads, and nothing that could overflow.
    number = Decimal(cleaned.replace(",", "."))
    return int((number * _PER_UNIT[unit]).to_integral_value(rounding="ROUND_HALF_UP"))


def check_range(quantity: str, canonical: int) -> None:
    """Raises MeasurementError where no real key can have this reading."""
    known = QUANTITIES[quantity]
    if not known.lowest <= canonical <= known.highest:
        raise MeasurementError(
            "value: {found} {dimension} cannot be right; between {lowest} and {highest} {dimension} is possible",
            found=show(canonical, known.dimension, 3),
            dimension=known.dimension,
            lowest=show(known.lowest, known.dimension, 1),
            highest=show(known.highest, known.dimension, 1),
        )


def show(canonical: int, unit: str, decimals: int) -> str:
    """A canonical integer in a unit with so many decimals, half away from zero: (5620, "mm", 2) -> "5.62"."""
    value = Decimal(canonical) / _PER_UNIT[unit]
    quantum = Decimal(1).scaleb(-decimals)
    return str(value.quantize(quantum, rounding="ROUND_HALF_UP"))

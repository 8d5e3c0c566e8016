"""What a key weighs to the finger, and the size of a caul. Grams and millimetres."""

from dataclasses import dataclass

from keyboards.core.checked import number
from keyboards.core.errors import MeasurementError

INCH = 25.4  # mm, exact by definition
CAUL_OVER_PIN = 0.002 * INCH  # common practice: one practitioner cuts a .148 caul for a .146 pin


@dataclass(frozen=True)
class Touch:
    """balance: what holds the key level without friction; friction: what the bushings and the action take; grams."""

    balance: float
    friction: float


def touch(down: float, up: float) -> Touch:
    """From the least weight that lets the key sink and the most it still lifts: (D+U)/2 and (D-U)/2.

    MeasurementError where the key would lift more than makes it sink.
    """
    down = number("down", down, above=0)
    up = number("up", up, minimum=0)
    if up > down:
        raise MeasurementError(
            "up must be at most down: a key cannot lift {up:g} g when {down:g} g make it sink", up=up, down=down
        )
    return Touch((down + up) / 2, (down - up) / 2)


def caul_width(pin: float) -> float:
    """The width of the caul that shapes the glued cloth, for a pin as measured after polishing; mm."""
    return number("pin", pin, above=0) + CAUL_OVER_PIN

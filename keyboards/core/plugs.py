"""A set of plug gauges: its diameters, and whether what was read with it can have been read with it.

Diameters are micrometres, the smallest first. A reading is the largest gauge that enters and the smallest that does
not, so the two are neighbours in the set. static/js/rules.js says the same without network.
"""

from collections.abc import Sequence
from typing import Literal

from keyboards.core.errors import MeasurementError
from keyboards.core.quantities import parse_number

MOST = 300
SMALLEST, LARGEST = 100, 40_000
# A gauge may be typed in inches with three decimals: half of the last is 0.0127 mm.
SAME = 13


def read_sizes(text: str) -> list[int]:
    """ "4.90 4.95 5.00", in mm, in any order -> the diameters. MeasurementError for what is no set of gauges."""
    words = text.replace(";", " ").split()
    if len(words) > MOST:
        raise MeasurementError("at most {most} diameters", most=MOST)
    sizes = sorted(parse_number(word, "mm") for word in words)
    if sizes and not (sizes[0] >= SMALLEST and sizes[-1] <= LARGEST):
        raise MeasurementError(
            "a diameter lies between {low:g} and {high:g} mm", low=SMALLEST / 1000, high=LARGEST / 1000
        )
    if len(sizes) != len(set(sizes)):
        raise MeasurementError("a diameter stands there twice")
    return sizes


def plug_doubt(
    sizes: Sequence[int], enters: int, stops: int | None = None
) -> tuple[Literal["stranger", "between"], int] | None:
    """What is odd about a reading: a stranger is no gauge of the set; between the two lies one that was not tried.

    enters: what enters; stops: what does not, None where it was not tried. None where nothing is odd, or no diameters
    are known.
    """
    for value in (enters, stops):
        if sizes and value is not None and min(abs(size - value) for size in sizes) > SAME:
            return "stranger", value
    if stops is not None:
        untried = [size for size in sizes if enters + SAME < size < stops - SAME]
        if untried:
            return "between", untried[0]
    return None

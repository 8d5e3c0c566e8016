"""Arguments checked before they are used: the one place where a bad value is turned away.

Every function takes the argument's name first, so that its message can say which value is wrong and why.
Nothing is clamped, rounded or guessed: a value is returned as a plain float or int, or MeasurementError is
raised. Numbers are int or float (and their subclasses); booleans, text, None and decimals are not.
"""

import math
from collections.abc import Iterable, Mapping

from keyboards.core.errors import MeasurementError

LARGEST = 1e12  # beyond every quantity of this trade; below it no square, cube or sum of them overflows


def number(
    name: str,
    value: object,
    *,
    minimum: float | None = None,
    above: float | None = None,
    maximum: float | None = None,
    below: float | None = None,
) -> float:
    """The value as a finite float within the limits; `minimum` and `maximum` themselves are allowed.

    Whatever the limits, a size beyond `LARGEST` is refused.
    """
    if type(value) is float:  # the common case, kept short: a full advice checks thousands of values
        result = value
    elif isinstance(value, bool) or not isinstance(value, int | float):
        raise MeasurementError("{name} must be a number, not {kind}", name=name, kind=_kind(value))
    else:
        try:
            result = float(value)
        except OverflowError:
            raise MeasurementError("{name} is too large", name=name) from None
    if not math.isfinite(result):
        raise MeasurementError("{name} must be a finite number, not {result}", name=name, result=result)
    if abs(result) > LARGEST:
        raise MeasurementError("{name} is too large", name=name)
    if minimum is not None and result < minimum:
        raise MeasurementError(
            "{name} must be at least {minimum:g}, not {result}", name=name, minimum=minimum, result=_shown(result)
        )
    if above is not None and result <= above:
        raise MeasurementError(
            "{name} must be above {above:g}, not {result}", name=name, above=above, result=_shown(result)
        )
    if maximum is not None and result > maximum:
        raise MeasurementError(
            "{name} must be at most {maximum:g}, not {result}", name=name, maximum=maximum, result=_shown(result)
        )
    if below is not None and result >= below:
        raise MeasurementError(
            "{name} must be below {below:g}, not {result}", name=name, below=below, result=_shown(result)
        )
    return result


def numbers(
    name: str,
    values: object,
    *,
    minimum: float | None = None,
    above: float | None = None,
    maximum: float | None = None,
    below: float | None = None,
    at_least: int = 1,
) -> tuple[float, ...]:
    """The values as finite floats in their order, `at_least` of them; the limits hold for each one."""
    found = tuple(
        number(f"{name}[{position}]", value, minimum=minimum, above=above, maximum=maximum, below=below)
        for position, value in enumerate(items(name, values))
    )
    _enough(name, len(found), at_least)
    return found


def whole(name: str, value: object, minimum: int | None = None, maximum: int | None = None) -> int:
    """The value as an int within the limits, both included. A float is refused even when it is whole."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise MeasurementError("{name} must be a whole number, not {kind}", name=name, kind=_kind(value))
    result = int(value)
    if abs(result) > LARGEST:
        raise MeasurementError("{name} is too large", name=name)
    if minimum is not None and result < minimum:
        raise MeasurementError(
            "{name} must be at least {minimum}, not {result}", name=name, minimum=minimum, result=_shown(result)
        )
    if maximum is not None and result > maximum:
        raise MeasurementError(
            "{name} must be at most {maximum}, not {result}", name=name, maximum=maximum, result=_shown(result)
        )
    return result


def wholes(
    name: str,
    values: object,
    minimum: int | None = None,
    maximum: int | None = None,
    *,
    at_least: int = 1,
    distinct: bool = False,
) -> tuple[int, ...]:
    """The values as ints in their order, `at_least` of them; `distinct` refuses one that comes twice."""
    found = tuple(
        whole(f"{name}[{position}]", value, minimum, maximum) for position, value in enumerate(items(name, values))
    )
    _enough(name, len(found), at_least)
    if distinct and len(set(found)) < len(found):
        twice = next(value for position, value in enumerate(found) if value in found[:position])
        raise MeasurementError("{name} has {twice} twice", name=name, twice=_shown(twice))
    return found


def items(name: str, values: object) -> Iterable[object]:
    """The values when they come in an order (list, tuple, generator): not text, a set or a mapping."""
    unordered = isinstance(values, str | bytes | bytearray | Mapping | set | frozenset)
    if unordered or not isinstance(values, Iterable):
        raise MeasurementError("{name} must be a list, not {kind}", name=name, kind=_kind(values))
    return values


def _enough(name: str, count: int, at_least: int) -> None:
    if count == 0 < at_least:
        raise MeasurementError("{name} must not be empty", name=name)
    if count < at_least:
        raise MeasurementError(
            "{name} must hold at least {at_least} values, not {count}", name=name, at_least=at_least, count=count
        )


def _kind(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, str):
        return "text"
    if isinstance(value, bool):
        return "yes or no"
    if isinstance(value, float):
        return _shown(value)
    return type(value).__name__


def _shown(value: float) -> str:
    return str(value) if isinstance(value, int) else f"{value:.12g}"

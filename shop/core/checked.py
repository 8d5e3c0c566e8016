"""Arguments checked before they are used: the one place where the shop's arithmetic turns a bad value away."""

import math
from collections.abc import Iterable
from datetime import date, datetime
from typing import TypeVar

from shop.core.errors import MeasurementError

LARGEST = 1e12
_T = TypeVar("_T")


def number(name: str, value: object, *, minimum: float | None = None, maximum: float | None = None) -> float:
    """The value as a finite float from minimum to maximum, both allowed. Booleans and text are no numbers."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise MeasurementError(f"{name} must be a number, not {_kind(value)}")
    if isinstance(value, float) and not math.isfinite(value):
        raise MeasurementError(f"{name} must be a finite number, not {value}")
    if abs(value) > LARGEST:
        raise MeasurementError(f"{name} is too large")
    if minimum is not None and value < minimum:
        raise MeasurementError(f"{name} must be at least {minimum:g}, not {value:g}")
    if maximum is not None and value > maximum:
        raise MeasurementError(f"{name} must be at most {maximum:g}, not {value:g}")
    return float(value)


def whole(name: str, value: object, minimum: int, maximum: int) -> int:
    """The value as an int from minimum to maximum, both allowed. A float is refused even when it is whole."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise MeasurementError(f"{name} must be a whole number, not {_kind(value)}")
    if value < minimum:
        raise MeasurementError(f"{name} must be at least {minimum}")
    if value > maximum:
        raise MeasurementError(f"{name} must be at most {maximum}")
    return int(value)


def day(name: str, value: object) -> date:
    """The value if it is a date without a time."""
    if isinstance(value, datetime) or not isinstance(value, date):
        raise MeasurementError(f"{name} must be a date, not {_kind(value)}")
    return value


def items(name: str, values: Iterable[_T]) -> Iterable[_T]:
    """The values if they are a list of any kind; text is none."""
    if isinstance(values, str | bytes | bytearray) or not isinstance(values, Iterable):
        raise MeasurementError(f"{name} must be a list, not {_kind(values)}")
    return values


def _kind(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "yes or no"
    if isinstance(value, str):
        return "text"
    return type(value).__name__

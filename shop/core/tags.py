"""The names that stand on boxes and paper: K-0147 for a job, E-0312 for an estimate, B-0001 for a bill,
C-0001 for a credit note, P-0001 for a payment."""

import re

from shop.core.checked import whole
from shop.core.errors import MeasurementError

MOST = 999_999_999
_LONGEST = 40  # characters read; more is no number, whatever it holds
_NAMES = {"K": "a job", "E": "an estimate", "B": "a bill", "C": "a credit note", "P": "a payment"}
_SHAPE = re.compile(r"([A-Z])?[ \-.‐‑–_]*([0-9]+)")


def job_tag(number: int) -> str:
    """147 -> "K-0147": four digits at least, more when there are more jobs."""
    return _format("K", number)


def parse_job_tag(text: str) -> int:
    """ "K-0147", "k147", "K 0147" or "0147" -> 147. Raises MeasurementError with a sentence."""
    return _parse("K", text)


def estimate_number(number: int) -> str:
    """312 -> "E-0312"."""
    return _format("E", number)


def parse_estimate_number(text: str) -> int:
    """ "E-0312", "e312" or "312" -> 312."""
    return _parse("E", text)


def bill_number(number: int) -> str:
    """1 -> "B-0001"."""
    return _format("B", number)


def parse_bill_number(text: str) -> int:
    """ "B-0001", "b1" or "1" -> 1."""
    return _parse("B", text)


def credit_number(number: int) -> str:
    """1 -> "C-0001"."""
    return _format("C", number)


def payment_number(number: int) -> str:
    """7 -> "P-0007"."""
    return _format("P", number)


def _format(letter: str, number: int) -> str:
    return f"{letter}-{whole('number', number, 1, MOST):04d}"


def _parse(letter: str, text: str) -> int:
    if not isinstance(text, str):
        raise MeasurementError("text must be written as text")
    example = f"{letter}-0147"
    shape = _SHAPE.fullmatch(text.strip().upper()) if len(text) <= _LONGEST else None
    if shape is None:
        raise MeasurementError(f"text must be a number such as {example}, not {text[:20]!r}")
    found, digits = shape[1] or letter, shape[2]
    if found != letter:
        other = _NAMES.get(found)
        meant = f"{found}-{digits} is the number of {other}" if other else f"the letter {found} is not known"
        raise MeasurementError(f"text must be the number of {_NAMES[letter]}, such as {example}: {meant}")
    number = int(digits)
    if number == 0:
        raise MeasurementError(f"text must be a number from 1 up, such as {example}")
    if number > MOST:
        raise MeasurementError(f"text has too many digits for the number of {_NAMES[letter]}")
    return number

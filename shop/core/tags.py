"""The names that stand on boxes and paper: K-0147 for a job, E-0312 for an estimate, B-0001 for a bill."""

import re

from shop.core.errors import MeasurementError

_MOST = 999_999_999


def _format(letter: str, number: int) -> str:
    if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= _MOST:
        raise MeasurementError(f"number: must be a whole number from 1 to {_MOST}; it is {number!r}")
    return f"{letter}-{number:04d}"


def _parse(letter: str, text: str) -> int:
    if not isinstance(text, str):
        raise MeasurementError("text: must be written as text")
    match = re.fullmatch(rf"{letter}?[\s\-‐‑–]*0*([1-9][0-9]{{0,8}})", text.strip().upper(), re.ASCII)
    if not match:
        raise MeasurementError(f"text: {text[:20]!r} is not a number such as {letter}-0147")
    return int(match.group(1))


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

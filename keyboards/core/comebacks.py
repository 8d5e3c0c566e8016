"""What comes back under guarantee: rates with their uncertainty, and chances learned from them."""

import datetime
import math
from dataclasses import dataclass

from keyboards.core.checked import number, whole

_Z95 = 1.959963984540054  # the 97.5 % point of the normal distribution
PRIOR_WEIGHT = 100  # keys that an assumed chance counts for against the shop's own (an estimate)


@dataclass(frozen=True, slots=True)
class Rate:
    """hits of n, with the interval that holds the true rate at 95 %."""

    hits: int
    n: int
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.hits / self.n


def rate(hits: int, n: int) -> Rate:
    """A share and its interval by Wilson's score method (1927), which stays within 0 and 1 for few and for none."""
    n = whole("n", n, 1)
    hits = whole("hits", hits, 0, n)
    z2 = _Z95 * _Z95
    middle = (hits + z2 / 2) / (n + z2)
    half = _Z95 / (n + z2) * math.sqrt(hits * (n - hits) / n + z2 / 4)
    return Rate(hits, n, 0.0 if hits == 0 else middle - half, 1.0 if hits == n else middle + half)


def learned(assumed: float, hits: int, n: int) -> float:
    """The chance that a key comes back, the assumed one moved by hits among n keys.

    The mean of a beta distribution whose prior has the assumed mean and weighs PRIOR_WEIGHT keys: one comeback in
    three keys moves it little, thirty in three thousand move it nearly all the way.
    """
    assumed = number("assumed", assumed, minimum=0, maximum=1)
    n = whole("n", n, 0)
    hits = whole("hits", hits, 0, n)
    return (assumed * PRIOR_WEIGHT + hits) / (PRIOR_WEIGHT + n)


def guarantee_ends(left: datetime.date, months: int) -> datetime.date:
    """The same day so many months on; the last of the month where that month is shorter."""
    year, month = divmod(left.year * 12 + left.month - 1 + months, 12)
    for last in (left.day, 30, 29, 28):
        try:
            return datetime.date(year, month + 1, last)
        except ValueError:
            continue
    raise ValueError(left)

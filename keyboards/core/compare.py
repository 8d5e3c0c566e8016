"""Two checks of one keyboard held against each other: what changed on each key, how sure that is, and how fast.

Values carry the unit they were given in. Humidity is not corrected here: see humidity.py.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import median

from keyboards.core.checked import number

COVERAGE = 2.0  # k for about 95 % (JCGM 100, 6.3.3 and G.1.3)
YEAR = 365.25  # days
SHORTEST_SPAN = 180  # days below which a change a year says nothing (an estimate)


@dataclass(frozen=True, slots=True)
class Change:
    """One key in both checks. beyond: the change is larger than the instruments alone could make it."""

    key: int
    before: float
    after: float
    beyond: bool

    @property
    def change(self) -> float:
        return self.after - self.before


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed between two checks, in the unit of the values.

    u: standard uncertainty of one key's change. middle: the median change, low to high its interval at 95 % or more
    (None under six keys, where no such interval exists). only_before and only_after: keys read once.
    """

    changes: tuple[Change, ...]
    only_before: tuple[int, ...]
    only_after: tuple[int, ...]
    u: float
    middle: float
    low: float | None
    high: float | None

    @property
    def beyond(self) -> tuple[int, ...]:
        """Keys that changed by more than the instruments could make up."""
        return tuple(change.key for change in self.changes if change.beyond)

    @property
    def moved(self) -> bool:
        """Whether the keyboard as a whole changed: the interval of the median does not hold zero."""
        return self.low is not None and self.high is not None and not self.low <= 0 <= self.high


def compare(
    before: Mapping[int, float], after: Mapping[int, float], u_before: float, u_after: float
) -> Comparison | None:
    """Holds the readings of one quantity against each other, key by key; None where no key was read twice.

    u_before and u_after: standard uncertainties of one reading. The uncertainty of a difference is the root of the sum
    of squares (JCGM 100, 5.1.2), both instruments being taken for independent.
    """
    u = math.hypot(number("u_before", u_before, minimum=0), number("u_after", u_after, minimum=0))
    both = sorted(set(before) & set(after))
    if not both:
        return None
    changes = tuple(Change(key, before[key], after[key], abs(after[key] - before[key]) > COVERAGE * u) for key in both)
    found = [change.change for change in changes]
    low, high = median_interval(found)
    return Comparison(
        changes=changes,
        only_before=tuple(sorted(set(before) - set(after))),
        only_after=tuple(sorted(set(after) - set(before))),
        u=u,
        middle=median(found),
        low=low,
        high=high,
    )


def median_interval(values: list[float], confidence: float = 0.95) -> tuple[float | None, float | None]:
    """An interval that holds the median of what the values come from, whatever their distribution.

    Between the k-th smallest and k-th largest value, k as large as the binomial law of n and 1/2 allows (ISO 16269-7).
    (None, None) where even the smallest and largest do not reach the confidence.
    """
    ordered = sorted(values)
    n = len(ordered)
    outside, k = 0.0, 0
    while k < n // 2:
        outside += 2 * math.comb(n, k) / 2**n
        if outside > 1 - confidence:
            break
        k += 1
    if k == 0:
        return None, None
    return ordered[k - 1], ordered[n - k]


def per_year(change: float, days: int) -> float | None:
    """A change spread over the years between two checks; None where they lie too close together to say."""
    return change * YEAR / days if days >= SHORTEST_SPAN else None

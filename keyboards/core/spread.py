"""Consistency of a set: robust spread, drift along the keyboard, outliers, and what a sample can say.

Values carry the unit they were given in. The functions answer from two or three values on; below five, a page
should show the range alone.
"""

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from keyboards.core.checked import number, numbers, whole, wholes
from keyboards.core.errors import MeasurementError
from keyboards.core.keys import NOTES_PER_OCTAVE

MAD_TO_SD = 1.482602218505602  # 1 / the 75 % point of the normal distribution
IQR_TO_SD = 1.3489795003921634  # twice that point

_LARGEST_TOTAL = 1000  # more keys than any keyboard has; keeps the exact sums short


@dataclass(frozen=True, slots=True)
class RobustSpread:
    """The median, and two estimates of the standard deviation that a few wild values do not move."""

    median: float
    mad_sd: float
    iqr_sd: float


def robust_spread(values: Sequence[float]) -> RobustSpread:
    """Median, 1.4826 times the median absolute deviation, and the interquartile range over 1.349.

    Quartiles by linear interpolation (Hyndman and Fan's type 7).
    """
    ordered = sorted(numbers("values", values))
    middle = _median(ordered)
    mad = _median(sorted(abs(value - middle) for value in ordered))
    return RobustSpread(
        median=middle,
        mad_sd=MAD_TO_SD * mad,
        iqr_sd=(_quantile(ordered, 0.75) - _quantile(ordered, 0.25)) / IQR_TO_SD,
    )


def theil_sen(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """The line (slope, intercept) through the medians: of all pairs' slopes, then of y - slope x.

    MeasurementError unless x and y are equally long and x holds two different values.
    """
    xs, ys = numbers("x", x, at_least=2), numbers("y", y, at_least=2)
    if len(xs) != len(ys):
        raise MeasurementError("y must be as long as x: {count} values for {wanted}", count=len(ys), wanted=len(xs))
    slopes = sorted(
        (ys[j] - ys[i]) / (xs[j] - xs[i]) for i in range(len(xs) - 1) for j in range(i + 1, len(xs)) if xs[i] != xs[j]
    )
    if not slopes:
        raise MeasurementError("x must hold two different values")
    slope = _median(slopes)
    intercept = _median(sorted(b - slope * a for a, b in zip(xs, ys, strict=True)))
    if not (math.isfinite(slope) and math.isfinite(intercept)):
        raise MeasurementError("x: the values lie too close together for a line")
    return slope, intercept


def outliers(keys: Sequence[int], values: Sequence[float], k: float = 3.0, floor: float = 0.02) -> tuple[int, ...]:
    """The keys that depart from the keyboard's own drift, in the order given.

    A key is an outlier when its residual from the Theil-Sen line lies further than k standard
    deviations (1.4826 MAD, but at least `floor`, in the unit of the values) from the median residual: a
    slow change from bass to treble is not flagged. One key alone is never an outlier.
    """
    numbered = wholes("keys", keys, 1, distinct=True)
    measured = numbers("values", values)
    if len(numbered) != len(measured):
        raise MeasurementError(
            "values must be as long as keys: {count} values for {wanted}", count=len(measured), wanted=len(numbered)
        )
    k, floor = number("k", k, above=0), number("floor", floor, minimum=0)
    if len(numbered) == 1:
        return ()
    slope, intercept = theil_sen(numbered, measured)
    residuals = [value - intercept - slope * key for key, value in zip(numbered, measured, strict=True)]
    spread = robust_spread(residuals)
    limit = k * max(spread.mad_sd, floor)
    return tuple(
        key for key, residual in zip(numbered, residuals, strict=True) if abs(residual - spread.median) > limit
    )


def upper_failing(total: int, inspected: int, failing: int, confidence: float = 0.95) -> int:
    """At most how many of `total` keys fail, when `failing` of `inspected` keys picked at random do.

    The largest D for which so few failures still had a chance above 1 - confidence; X hypergeometric,
    summed in exact whole numbers (a one-sided bound). It assumes that every choice of keys was equally
    likely.
    """
    total = whole("total", total, 1, _LARGEST_TOTAL)
    inspected = whole("inspected", inspected, 0, total)
    failing = whole("failing", failing, 0, inspected)
    return _upper_failing(total, inspected, failing, _risk(confidence))


def smallest_sample(total: int, allowed: int, failing: int = 0, confidence: float = 0.95) -> int:
    """How many of `total` keys to inspect to say "at most `allowed` fail", if only `failing` show up."""
    total = whole("total", total, 1, _LARGEST_TOTAL)
    allowed = whole("allowed", allowed, 0, total)
    failing = whole("failing", failing, 0, allowed)
    risk = _risk(confidence)
    low, high = (
        failing,
        total,
    )  # inspecting every key always suffices, and the bound falls as the sample grows
    while low < high:
        middle = (low + high) // 2
        if _upper_failing(total, middle, failing, risk) <= allowed:
            high = middle
        else:
            low = middle + 1
    return low


def stratified_sample(keys: Sequence[int], count: int, seed: int) -> tuple[int, ...]:
    """`count` keys picked at random but spread over the keyboard, in order; the seed fixes which ones.

    The keys in order are cut into `count` stretches, as equal as they go, and one key is drawn from each. Every
    key has nearly the same chance, but not every choice of keys has: where failing keys lie evenly scattered, the
    bound of upper_failing is slightly bold (22 of 88 with none failing: 94.4 % instead of 95 %), where they lie
    in a run it is cautious.
    """
    ordered = sorted(wholes("keys", keys, 1, distinct=True))
    count = whole("count", count, 1, len(ordered))
    # Only random() itself is promised to give the same numbers in every version of Python.
    draw = random.Random(whole("seed", seed, 0)).random
    cuts = [len(ordered) * stretch // count for stretch in range(count + 1)]
    return tuple(ordered[first + int(draw() * (end - first))] for first, end in pairwise(cuts))


def notes_visited(keys: Sequence[int]) -> int:
    """How many of the 12 note names a choice of keys holds."""
    return len({key % NOTES_PER_OCTAVE for key in wholes("keys", keys, 1)})


def step_visits_all_notes(step: int, count: int = 88, start: int = 1) -> bool:
    """Whether every `step`-th key from `start` to `count` comes by all 12 note names.

    A step of 4 meets only 3 of them, and so only 3 of the shapes of a key: steps of 5 or 7 meet all.
    """
    step = whole("step", step, 1)
    count = whole("count", count, 1, _LARGEST_TOTAL)
    return notes_visited(range(whole("start", start, 1, count), count + 1, step)) == NOTES_PER_OCTAVE


def _upper_failing(total: int, inspected: int, failing: int, risk: Fraction) -> int:
    possible = math.comb(total, inspected)
    low, high = failing, total - (inspected - failing)  # the chance falls as more keys of the set fail
    while low < high:
        middle = (low + high + 1) // 2
        few = sum(math.comb(middle, seen) * math.comb(total - middle, inspected - seen) for seen in range(failing + 1))
        if few * risk.denominator > risk.numerator * possible:
            low = middle
        else:
            high = middle - 1
    return low


def _risk(confidence: float) -> Fraction:
    # 0.95 means 19/20 and not the nearest binary fraction: some chances are exactly 1/20
    return 1 - Fraction(str(number("confidence", confidence, above=0, below=1)))


def _median(ordered: Sequence[float]) -> float:
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else (ordered[middle - 1] + ordered[middle]) / 2


def _quantile(ordered: Sequence[float], part: float) -> float:
    place = part * (len(ordered) - 1)
    below = math.floor(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (place - below) * (ordered[above] - ordered[below])

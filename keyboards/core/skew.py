"""Skew: how the mortises' angles run along the keyboard, and which keys share one.

The angle in degrees of a mortise's long axis to the line square to the balance rail, seen from above:
positive when the playing end leans to the treble. A maker cut the mortises straight, all at one angle,
in steps from section to section, or fanned out evenly; the copy must follow. The splay of the key stick
itself is another reading.

Steps are found by optimal partition and weighed by the modified Bayesian information criterion (N. R.
Zhang and D. O. Siegmund, Biometrics 63, 2007, 22-32) against one angle for all and against a straight
line.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from statistics import fmean, median
from typing import Literal

from keyboards.core.checked import number, numbers, whole, wholes
from keyboards.core.errors import MeasurementError
from keyboards.core.spread import MAD_TO_SD

FEWEST_KEYS = 10
UNDECIDED = 2.0  # margins of the score below which the kinds cannot be told apart, or only weakly
WEAK = 6.0

_LEAST_NOISE = 0.1  # degrees: no bevel is read better
_WILD = 3.5  # noises by which a reading is wild
_WINDOW = 3  # neighbours on each side
_SAME = 0.75  # degrees: neighbouring sections closer than this are cut as one
_STRAIGHT = 0.25
_LARGEST_COUNT = 1000

SkewKind = Literal["straight", "uniform", "steps", "fan"]


@dataclass(frozen=True, slots=True)
class Section:
    """Measured keys that share one angle: the first and last of them, their mean angle in degrees, and they.

    Keys between two sections belong to neither until they are measured.
    """

    first: int
    last: int
    angle: float
    keys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SkewPattern:
    """What the angles of a keyboard are like.

    `kind`: straight, uniform, steps or fan. `sections`: from the bass; one unless the kind is steps.
    `slope` and `intercept`: the least-squares line, degrees a key and degrees at key 0, the angle of
    each key of a fan. `outliers`: keys to measure again, left out of everything else. `noise`: the
    standard deviation of a reading in degrees. `scores`: of uniform, steps and fan, lower is better.
    `margin`: from the best to the next of them.
    """

    kind: SkewKind
    sections: tuple[Section, ...]
    slope: float
    intercept: float
    outliers: tuple[int, ...]
    noise: float
    scores: Mapping[str, float]
    margin: float

    @property
    def certainty(self) -> Literal["undecided", "weak", "clear"]:
        """How plainly the kind stands out; unless it is clear, a person decides."""
        if self.margin < UNDECIDED:
            return "undecided"
        return "weak" if self.margin <= WEAK else "clear"


def optimal_segmentation(values: Sequence[float], segments: int, min_length: int) -> tuple[tuple[int, ...], float]:
    """The cut of a row of values into stretches of one level each, with the least sum of squared errors.

    Returns (ends, sse): where each of the `segments` stretches ends, exclusive, the last end being the
    count of values. No stretch is shorter than `min_length`; MeasurementError when the values do not
    suffice for that.
    """
    row = numbers("values", values)
    segments = whole("segments", segments, 1)
    min_length = whole("min_length", min_length, 1)
    if segments * min_length > len(row):
        raise MeasurementError(
            "values: {segments} segments of {min_length} need {wanted} values, not {count}",
            segments=segments,
            min_length=min_length,
            wanted=segments * min_length,
            count=len(row),
        )
    return _segmentations(row, segments, min_length)[-1]


def find_sections(keys: Sequence[int], angles: Sequence[float], min_length: int = 5, most: int = 6) -> SkewPattern:
    """How the measured angles run along the keyboard; `keys` and `angles` belong together, in any order.

    At least 10 keys; no section has fewer than `min_length` measured keys, and there are no more than `most`.
    """
    numbered = wholes("keys", keys, 1, distinct=True)
    measured = numbers("angles", angles, minimum=-90, maximum=90)
    min_length = whole("min_length", min_length, 1, _LARGEST_COUNT)
    most = whole("most", most, 1, _LARGEST_COUNT)
    if len(numbered) != len(measured):
        raise MeasurementError(
            "angles must be as long as keys: {count} angles for {wanted} keys",
            count=len(measured),
            wanted=len(numbered),
        )
    if len(numbered) < FEWEST_KEYS:
        raise MeasurementError(
            "keys: at least {least} measured keys are needed, not {count}",
            least=FEWEST_KEYS,
            count=len(numbered),
        )
    along = sorted(zip(numbered, measured, strict=True))

    wild = _wild_readings([angle for _, angle in along])
    used = [pair for index, pair in enumerate(along) if index not in wild]
    if len(used) < max(min_length, 2):
        raise MeasurementError("angles: the readings contradict each other too much, measure again")
    row = [angle for _, angle in used]
    noise = _noise(row)

    segmentations = _segmentations(row, min(most, len(row) // min_length), min_length)
    by_count = [_steps_score(ends, sse, noise) for ends, sse in segmentations]
    slope, intercept, fan_sse = _line(used)
    scores = {"uniform": by_count[0], "fan": fan_sse / noise**2 + 2 * math.log(len(row))}
    if len(by_count) > 1:
        scores["steps"] = min(by_count[1:])
    best, second = sorted(scores, key=lambda name: scores[name])[:2]

    sections: tuple[Section, ...] = (_section(used),)
    if best == "steps":
        ends, _ = segmentations[by_count.index(scores["steps"], 1)]
        sections = _merged([used[start:end] for start, end in pairwise((0, *ends))])
    kind: SkewKind = "uniform"
    if best == "fan":
        kind = "fan"
    elif len(sections) > 1:
        kind = "steps"
    elif abs(sections[0].angle) <= _STRAIGHT + 2 * noise / math.sqrt(len(row)):
        kind = "straight"
    return SkewPattern(
        kind=kind,
        sections=sections,
        slope=slope,
        intercept=intercept,
        outliers=tuple(key for index, (key, _) in enumerate(along) if index in wild),
        noise=noise,
        scores=scores,
        margin=scores[second] - scores[best],
    )


def angle_uncertainty(pattern: SkewPattern, key: int, own: Mapping[int, float]) -> float | None:
    """Standard uncertainty in degrees of the angle that the pattern gives a key, None for one between two sections.

    `own`: key -> standard uncertainty of its reading, where it is known (a photo's). A reading counts with that or
    with the pattern's noise, whichever is larger. The fit weighs all readings alike, so this is what their variances
    come to in it, as independent (JCGM 100:2008, 5.1.2): of the section's mean, or of the fan's line at the key.
    """
    key = whole("key", key, 1)
    section = next((part for part in pattern.sections if part.first <= key <= part.last), None)
    section = pattern.sections[0] if pattern.kind == "fan" else section
    if section is None:
        return None
    middle = fmean(section.keys)
    lever = 0.0
    if pattern.kind == "fan":
        lever = (key - middle) / math.fsum((one - middle) ** 2 for one in section.keys)
    shares = ((1 / len(section.keys) + lever * (one - middle), one) for one in section.keys)
    return math.hypot(*(share * max(pattern.noise, own.get(one, 0.0)) for share, one in shares))


def round_angle(angle: float, step: float = 0.5) -> float:
    """The angle to the nearest `step` in degrees, halves away from zero, reckoned in decimal."""
    value = Decimal(str(number("angle", angle)))
    unit = Decimal(str(number("step", step, above=0)))
    return float((value / unit).to_integral_value(rounding=ROUND_HALF_UP) * unit) + 0.0


def _noise(row: Sequence[float]) -> float:
    """The standard deviation of a reading, from the differences of neighbours (steps hardly touch it)."""
    differences = [abs(b - a) for a, b in pairwise(row)]
    return max(_LEAST_NOISE, MAD_TO_SD * median(differences) / math.sqrt(2))


def _wild_readings(row: Sequence[float]) -> set[int]:
    limit = _WILD * _noise(row)
    return {
        index
        for index, value in enumerate(row)
        if abs(value - median(row[max(0, index - _WINDOW) : index + _WINDOW + 1])) > limit
    }


def _segmentations(row: Sequence[float], most: int, min_length: int) -> list[tuple[tuple[int, ...], float]]:
    """The optimal cut into 1, 2, ... `most` stretches: (ends, sse) each. O(most n^2) by prefix sums."""
    n = len(row)
    centre = fmean(row)  # sums of squares about the mean keep their digits
    sums, squares = [0.0], [0.0]
    for value in row:
        sums.append(sums[-1] + value - centre)
        squares.append(squares[-1] + (value - centre) ** 2)

    costs = [math.inf] * (n + 1)
    for end in range(min_length, n + 1):
        costs[end] = squares[end] - sums[end] ** 2 / end
    starts_of: list[list[int]] = [[0] * (n + 1)]
    found = [_ends(row, starts_of)]
    for parts in range(2, most + 1):
        fewer, costs = costs, [math.inf] * (n + 1)
        starts = [0] * (n + 1)
        for end in range(parts * min_length, n + 1):
            square, total = squares[end], sums[end]
            costs[end], starts[end] = min(
                (fewer[start] + square - squares[start] - (total - sums[start]) ** 2 / (end - start), start)
                for start in range((parts - 1) * min_length, end - min_length + 1)
            )
        starts_of.append(starts)
        found.append(_ends(row, starts_of))
    return found


def _ends(row: Sequence[float], starts_of: Sequence[Sequence[int]]) -> tuple[tuple[int, ...], float]:
    ends = [len(row)]
    for starts in reversed(starts_of[1:]):
        ends.append(starts[ends[-1]])
    ends.reverse()
    return tuple(ends), math.fsum(_sse(row[start:end]) for start, end in pairwise((0, *ends)))


def _sse(row: Sequence[float]) -> float:
    mean = fmean(row)
    return math.fsum((value - mean) ** 2 for value in row)


def _steps_score(ends: Sequence[int], sse: float, noise: float) -> float:
    n = ends[-1]
    lengths = [end - start for start, end in pairwise((0, *ends))]
    return sse / noise**2 + 3 * (len(lengths) - 1) * math.log(n) + math.fsum(math.log(length / n) for length in lengths)


def _line(pairs: Sequence[tuple[int, float]]) -> tuple[float, float, float]:
    """Least squares: (slope, intercept at key 0, sum of squared errors)."""
    middle = fmean(key for key, _ in pairs)
    mean = fmean(angle for _, angle in pairs)
    slope = math.fsum((key - middle) * (angle - mean) for key, angle in pairs) / math.fsum(
        (key - middle) ** 2 for key, _ in pairs
    )
    sse = math.fsum((angle - mean - slope * (key - middle)) ** 2 for key, angle in pairs)
    return slope, mean - slope * middle, sse


def _section(pairs: Sequence[tuple[int, float]]) -> Section:
    keys = tuple(key for key, _ in pairs)
    return Section(keys[0], keys[-1], fmean(angle for _, angle in pairs), keys)


def _merged(parts: list[list[tuple[int, float]]]) -> tuple[Section, ...]:
    """Sections of the parts, neighbours too much alike made one: the most alike first."""
    while len(parts) > 1:
        means = [fmean(angle for _, angle in part) for part in parts]
        gap, index = min((abs(b - a), index) for index, (a, b) in enumerate(pairwise(means)))
        if gap >= _SAME:
            break
        parts[index : index + 2] = [parts[index] + parts[index + 1]]
    return tuple(_section(part) for part in parts)

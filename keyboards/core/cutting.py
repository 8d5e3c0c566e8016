"""What to cut: buttons grouped by spec, blanks for their lengths, sheets of bushing cloth. Sizes in mm, degrees."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from math import ceil, cos, floor, radians, sin

from keyboards.core.checked import items, number, whole
from keyboards.core.errors import Length, MeasurementError

SIZE_STEP = 0.1  # mm; a saw and a caliper on wood do not tell finer sizes apart
MOST_PIECES = 10_000
EXACT_LENGTHS = 4  # up to so many different lengths the fewest blanks are searched for exactly
# Limits of that search, beyond which the gap is told instead
_SEARCHED = 20_000
_DEEPEST = 200
_MOST_PATTERNS = 5_000
_SIMPLEX_STEPS = 500
_WHOLE = 10**9  # what a blank is worth
_ROUNDING = 1e-9  # 0.05 * 60 is a hair above 3: no reason to cut a fourth spare


@dataclass(frozen=True)
class ButtonSpec:
    """One button: length along the key, width across it, height; its mortise; the skew of that in degrees."""

    length: float
    width: float
    height: float
    mortise_width: float
    mortise_length: float
    skew: float

    def __post_init__(self) -> None:
        for name in ("length", "width", "height", "mortise_width", "mortise_length"):
            number(name, getattr(self, name), minimum=SIZE_STEP)
        number("skew", self.skew, above=-90, below=90)
        if self.mortise_width >= self.width:
            raise MeasurementError("mortise_width must be below width")
        if self.mortise_length >= self.length:
            raise MeasurementError("mortise_length must be below length")


@dataclass(frozen=True)
class SpecGroup:
    """Buttons cut alike: the rounded spec, the keys from bass to treble, and how many spares to cut with them."""

    spec: ButtonSpec
    keys: tuple[int, ...]
    spares: int

    @property
    def count(self) -> int:
        return len(self.keys)


def group_specs(
    buttons: Iterable[tuple[int, ButtonSpec]], angle_step: float = 0.5, spare: float = 0.05
) -> tuple[SpecGroup, ...]:
    """(key number, ButtonSpec) pairs gathered into groups cut alike, in order of their lowest key.

    Sizes are rounded to 0.1 mm, skew to `angle_step` degrees, both half away from zero. `spare` is a fraction
    of the group; at least one spare each.
    """
    angle_step = number("angle_step", angle_step, minimum=0.001, maximum=15)
    spare = number("spare", spare, minimum=0, maximum=1)
    groups: dict[ButtonSpec, list[int]] = defaultdict(list)
    seen: set[int] = set()
    for position, pair in enumerate(items("buttons", buttons)):
        if not isinstance(pair, tuple | list) or len(pair) != 2 or not isinstance(pair[1], ButtonSpec):
            raise MeasurementError("buttons[{position}] must be a key number and a ButtonSpec", position=position)
        key = whole(f"buttons[{position}] key", pair[0], minimum=1)
        if key in seen:
            raise MeasurementError("buttons has key {key} twice", key=key)
        seen.add(key)
        groups[_rounded(pair[1], angle_step)].append(key)
    if not groups:
        raise MeasurementError("buttons must not be empty")
    return tuple(
        SpecGroup(spec, tuple(sorted(keys)), max(1, ceil(spare * len(keys) - _ROUNDING)))
        for spec, keys in sorted(groups.items(), key=lambda group: min(group[1]))
    )


def _rounded(spec: ButtonSpec, angle_step: float) -> ButtonSpec:
    return ButtonSpec(
        length=_to_step(spec.length, SIZE_STEP),
        width=_to_step(spec.width, SIZE_STEP),
        height=_to_step(spec.height, SIZE_STEP),
        mortise_width=_to_step(spec.mortise_width, SIZE_STEP),
        mortise_length=_to_step(spec.mortise_length, SIZE_STEP),
        skew=_to_step(spec.skew, angle_step),
    )


def _to_step(value: float, step: float) -> float:
    """Half away from zero; 40.05 counts as a half although its float lies a hair below."""
    steps = floor(abs(value) / step + 0.5 + _ROUNDING)
    size = round(steps * step, 9)
    return -size if value < 0 < size else size


@dataclass(frozen=True)
class Blanks:
    """How to saw: the lengths got from each blank. `bound` is the count that material alone would need;
    `optimal` says whether fewer blanks are proved impossible (else the truth lies from `bound` to `blanks`).
    """

    blanks: int
    bound: int
    optimal: bool
    layout: tuple[tuple[float, ...], ...]


def fewest_blanks(pieces: Mapping[float, int], blank: float, kerf: float) -> Blanks:
    """The fewest blanks of one length for pieces (length -> count), a kerf lost between neighbours, all in mm.

    First-fit decreasing; where that misses the bound, an exact search for up to four different lengths.
    """
    blank = number("blank", blank, above=0)
    kerf = number("kerf", kerf, minimum=0)
    if not isinstance(pieces, Mapping):
        raise MeasurementError("pieces must be a mapping of length to count")
    if not pieces:
        raise MeasurementError("pieces must not be empty")
    wanted: dict[float, int] = {}
    for length, count in pieces.items():
        length = number("pieces length", length, above=0)
        if length > blank:
            raise MeasurementError(
                "pieces of {length} are longer than the blank ({blank})", length=Length(length), blank=Length(blank)
            )
        wanted[length] = whole(f"pieces of {length:g} mm", count, minimum=0, maximum=MOST_PIECES)
    if sum(wanted.values()) > MOST_PIECES:
        raise MeasurementError("pieces must be at most {most} together", most=MOST_PIECES)
    lengths = sorted((length for length, count in wanted.items() if count), reverse=True)
    counts = [wanted[length] for length in lengths]
    # Every piece takes its kerf with it, so the blank is one kerf longer. Whole micrometres: sums are exact.
    sizes = [_micrometres(length + kerf) for length in lengths]
    room = _micrometres(blank + kerf)
    if any(size == 0 for size in sizes):
        raise MeasurementError("pieces must be at least 0.001 mm long")
    bound = -(-sum(size * count for size, count in zip(sizes, counts, strict=True)) // room)
    layout = _first_fit(sizes, counts, room)
    optimal = len(layout) == bound
    if not optimal and len(lengths) <= EXACT_LENGTHS:
        optimal, layout = _exact(sizes, counts, room, layout)
    return Blanks(
        len(layout),
        bound,
        optimal,
        tuple(tuple(lengths[index] for index, count in enumerate(row) for _ in range(count)) for row in layout),
    )


_Row = tuple[int, ...]  # how many pieces of each length come out of one blank


def _micrometres(size: float) -> int:
    return round(size * 1000)


def _first_fit(sizes: list[int], counts: list[int], room: int) -> list[_Row]:
    """First-fit decreasing; all pieces of one length at once, which fills the blanks the same way."""
    rows: list[list[int]] = []
    free: list[int] = []
    for index, (size, count) in enumerate(zip(sizes, counts, strict=True)):
        position = 0
        while count:
            if position == len(rows):
                rows.append([0] * len(sizes))
                free.append(room)
            taken = min(count, free[position] // size)
            rows[position][index] += taken
            free[position] -= taken * size
            count -= taken
            position += 1
    return [tuple(row) for row in rows]


def _exact(sizes: list[int], counts: list[int], room: int, best: list[_Row]) -> tuple[bool, list[_Row]]:
    """Whether the layout returned is proved to be the shortest, and that layout.

    The linear relaxation over all maximal patterns gives a bound that is seldom missed, and whole blanks of its
    patterns to begin with. What is left is searched depth-first; the fewer relaxed blanks are kept, the more is
    searched, until nothing is kept and the search is exhaustive.
    """
    patterns = list(islice(_maximal_patterns(sizes, tuple(counts), room), _MOST_PATTERNS + 1))
    if len(patterns) > _MOST_PATTERNS:
        return False, best
    worth, kept = _relaxed(patterns, counts)
    for blanks in range(-(-_weight(counts, worth) // _WHOLE), len(best)):
        drop = 0
        while True:
            keep = [(row, max(0, times - drop)) for row, times in kept]
            start = [row for row, times in keep for _ in range(times)]
            wanted = tuple(max(0, count - sum(row[index] for row in start)) for index, count in enumerate(counts))
            try:
                found = _Search(sizes, room, worth).fill(wanted, blanks - len(start))
            except _GaveUpError:
                return False, best
            if found is not None:
                return True, _trimmed([*start, *found], counts)
            if not start:
                break
            drop = 2 * drop or 1
    return True, best


class _GaveUpError(Exception):
    """The search became longer than the answer is worth."""


class _Search:
    """Depth-first search for a layout: the next blank always holds the longest piece still wanted."""

    def __init__(self, sizes: list[int], room: int, worth: list[int]) -> None:
        self.sizes, self.room, self.worth = sizes, room, worth
        self.hopeless: set[tuple[_Row, int]] = set()

    def fill(self, wanted: _Row, left: int) -> list[_Row] | None:
        """At most `left` rows for all that is wanted, or None where there are none."""
        if left < 0:
            return None
        if not any(wanted):
            return []
        if _weight(wanted, self.worth) > left * _WHOLE or (wanted, left) in self.hopeless:
            return None
        if left > _DEEPEST or len(self.hopeless) > _SEARCHED:
            raise _GaveUpError
        longest = next(index for index, count in enumerate(wanted) if count)
        rows = [row for row in _maximal_patterns(self.sizes, wanted, self.room) if row[longest]]
        for row in sorted(rows, key=lambda row: _weight(row, self.worth), reverse=True):
            rest = self.fill(tuple(want - got for want, got in zip(wanted, row, strict=True)), left - 1)
            if rest is not None:
                return [row, *rest]
        self.hopeless.add((wanted, left))
        return None


def _maximal_patterns(sizes: list[int], wanted: _Row, room: int) -> Iterator[_Row]:
    """All ways to saw one blank into wanted pieces so that no further wanted piece fits; sizes fall."""

    def grow(index: int, free: int) -> Iterator[_Row]:
        if index == len(sizes):
            yield ()
            return
        most = min(wanted[index], free // sizes[index])
        for count in range(most, -1, -1):
            for rest in grow(index + 1, free - count * sizes[index]):
                if count == most or free - count * sizes[index] - _weight(rest, sizes[index + 1 :]) < sizes[index]:
                    yield (count, *rest)

    return grow(0, room)


def _relaxed(patterns: list[_Row], counts: list[int]) -> tuple[list[int], list[tuple[_Row, int]]]:
    """Each size's worth, and whole blanks to begin with, of the linear relaxation: fewest blanks with fractions.

    By the simplex method, in floats. That is safe: the worths are scaled down until no pattern is worth more
    than a blank, so they bound the count from below however the floats fell.
    """
    span = range(len(counts))
    # Columns: patterns cost a blank; a surplus piece of any length costs nothing.
    surplus = [tuple(-1 if i == index else 0 for i in span) for index in span]
    most = [max(row[index] for row in patterns) for index in span]
    basis = [tuple(most[index] if i == index else 0 for i in span) for index in span]
    costs = [1] * len(counts)
    inverse = [[1 / most[i] if i == j else 0.0 for j in span] for i in span]
    amounts = [count / fitting for count, fitting in zip(counts, most, strict=True)]
    prices: list[float] = []
    for _ in range(_SIMPLEX_STEPS):
        prices = [_dot(costs, [row[index] for row in inverse]) for index in span]
        gains = [(_dot(row, prices) - 1, 1, row) for row in patterns]
        gains += [(_dot(row, prices), 0, row) for row in surplus]
        gain, cost, entering = max(gains)
        if gain <= _ROUNDING:
            break
        column = [_dot(row, entering) for row in inverse]
        ratios = [(amounts[i] / column[i], i) for i in span if column[i] > _ROUNDING]
        if not ratios:
            break
        step, leaving = min(ratios)
        pivot = inverse[leaving] = [value / column[leaving] for value in inverse[leaving]]
        for i in span:
            if i != leaving:
                inverse[i] = [own - column[i] * other for own, other in zip(inverse[i], pivot, strict=True)]
                amounts[i] = max(0.0, amounts[i] - step * column[i])
        amounts[leaving], basis[leaving], costs[leaving] = step, entering, cost
    prices = [max(0.0, price) for price in prices]
    dearest = max(_dot(row, prices) for row in patterns)
    worth = [floor(price / dearest * _WHOLE) for price in prices]
    over = max(0, max(_weight(row, worth) for row in patterns) - _WHOLE)
    kept = [(row, floor(amount + _ROUNDING)) for row, amount, cost in zip(basis, amounts, costs, strict=True) if cost]
    return [max(0, value - over) for value in worth], kept


def _dot(row: Sequence[float], other: Sequence[float]) -> float:
    return sum(a * b for a, b in zip(row, other, strict=True))


def _weight(row: Sequence[int], sizes: Sequence[int]) -> int:
    return sum(count * size for count, size in zip(row, sizes, strict=True))


def _trimmed(rows: list[_Row], counts: list[int]) -> list[_Row]:
    """The layout without the pieces that its full patterns hold beyond what was asked for."""
    left = list(counts)
    trimmed = []
    for row in rows:
        taken = tuple(min(count, rest) for count, rest in zip(row, left, strict=True))
        left = [rest - count for rest, count in zip(left, taken, strict=True)]
        trimmed.append(taken)
    return trimmed


@dataclass(frozen=True)
class ClothSheet:
    """Pieces to cut with their spares, strips across the sheet, sheets, and the part of the cloth left over.

    layout: for each sheet how many pieces each of its strips gives.
    """

    pieces: int
    strips: int
    sheets: int
    waste: float
    layout: tuple[tuple[int, ...], ...]


def cloth_sheet(
    keys: int,
    piece_length: float,
    piece_width: float,
    sheet_length: float,
    sheet_width: float,
    kerf: float = 0,
    spare: float = 0.05,
) -> ClothSheet:
    """Cloth for `keys` mortises, two pieces each.

    Strips as wide as a piece are cut along the sheet's length, then pieces off the strips. Sizes in mm; `spare`
    is a fraction. The waste is of all the sheets taken.
    """
    keys = whole("keys", keys, minimum=1, maximum=MOST_PIECES)
    piece_length = number("piece_length", piece_length, above=0)
    piece_width = number("piece_width", piece_width, above=0)
    sheet_length = number("sheet_length", sheet_length, above=0)
    sheet_width = number("sheet_width", sheet_width, above=0)
    kerf = number("kerf", kerf, minimum=0)
    spare = number("spare", spare, minimum=0, maximum=1)
    if piece_length > sheet_length:
        raise MeasurementError("piece_length must be at most sheet_length")
    if piece_width > sheet_width:
        raise MeasurementError("piece_width must be at most sheet_width")
    pieces = ceil(2 * keys * (1 + spare) - _ROUNDING)
    a_strip = floor((sheet_length + kerf) / (piece_length + kerf) + _ROUNDING)
    a_sheet = floor((sheet_width + kerf) / (piece_width + kerf) + _ROUNDING)
    strips = [min(a_strip, pieces - first) for first in range(0, pieces, a_strip)]
    layout = tuple(tuple(strips[first : first + a_sheet]) for first in range(0, len(strips), a_sheet))
    used = pieces * piece_length * piece_width
    return ClothSheet(pieces, len(strips), len(layout), 1 - used / (len(layout) * sheet_length * sheet_width), layout)


def button_width_needed(mortise_length: float, mortise_width: float, skew: float, wall: float) -> float:
    """The width in mm of a button whose mortise, turned by `skew` degrees, keeps `wall` mm of wood each side."""
    mortise_length = number("mortise_length", mortise_length, above=0)
    mortise_width = number("mortise_width", mortise_width, above=0)
    turn = abs(radians(number("skew", skew, above=-90, below=90)))
    wall = number("wall", wall, minimum=0)
    return mortise_length * sin(turn) + mortise_width * cos(turn) + 2 * wall

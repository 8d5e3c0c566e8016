"""What to cut: buttons grouped by spec, blanks for their lengths, sheets of bushing cloth. Sizes in mm, degrees."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, cos, floor, radians, sin

from keyboards.core.checked import items, number, whole
from keyboards.core.errors import MeasurementError

SIZE_STEP = 0.1  # mm; a saw and a caliper on wood do not tell finer sizes apart
MOST_PIECES = 10_000
EXACT_LENGTHS = 4  # up to so many different lengths the fewest blanks are searched for exactly
_SEARCHED = 100_000  # states looked at before the search gives up and the gap is told instead
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
    angle_step = number("angle_step", angle_step, above=0)
    spare = number("spare", spare, minimum=0, maximum=1)
    groups: dict[ButtonSpec, list[int]] = defaultdict(list)
    seen: set[int] = set()
    for position, pair in enumerate(items("buttons", buttons)):
        if not isinstance(pair, tuple | list) or len(pair) != 2 or not isinstance(pair[1], ButtonSpec):
            raise MeasurementError(f"buttons[{position}] must be a key number and a ButtonSpec")
        key = whole(f"buttons[{position}] key", pair[0], minimum=1)
        if key in seen:
            raise MeasurementError(f"buttons has key {key} twice")
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
        *(
            _to_step(size, SIZE_STEP)
            for size in (spec.length, spec.width, spec.height, spec.mortise_width, spec.mortise_length)
        ),
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
            raise MeasurementError(f"pieces of {length:g} mm are longer than the blank ({blank:g} mm)")
        wanted[length] = whole(f"pieces of {length:g} mm", count, minimum=0, maximum=MOST_PIECES)
    if sum(wanted.values()) > MOST_PIECES:
        raise MeasurementError(f"pieces must be at most {MOST_PIECES} together")
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


def _exact(
    sizes: list[int], counts: list[int], room: int, best: list[_Row]
) -> tuple[bool, list[_Row]]:
    """Whether the layout returned is proved to be the shortest, and that layout.

    Depth-first over maximal patterns (no further piece fits), each blank's pattern not before the last one's.
    What is still wanted can be weighed in several ways that no blank can exceed (dual feasible functions of
    Fekete and Schepers): a branch ends as soon as one of them needs more blanks than are left.
    """
    patterns = sorted(_maximal_patterns(sizes, room), key=lambda row: _weight(row, sizes), reverse=True)
    scales = [_weights(sizes, room, steps) for steps in range(0, room // min(sizes) + 1)]
    searched = 0

    def needed(wanted: _Row) -> int:
        return max(-(-sum(w * c for w, c in zip(row, wanted, strict=True)) // whole_blank) for whole_blank, row in scales)

    @lru_cache(maxsize=None)
    def fill(wanted: _Row, left: int, first: int) -> tuple[_Row, ...] | None:
        nonlocal searched
        if not any(wanted):
            return ()
        if needed(wanted) > left:
            return None
        searched += 1
        if searched > _SEARCHED:
            raise _GaveUp
        for index in range(first, len(patterns)):
            row = tuple(min(have, want) for have, want in zip(patterns[index], wanted, strict=True))
            if not any(row):
                continue
            rest = fill(tuple(want - got for want, got in zip(wanted, row, strict=True)), left - 1, index)
            if rest is not None:
                return (row, *rest)
        return None

    wanted = tuple(counts)
    try:
        for blanks in range(needed(wanted), len(best)):
            found = fill(wanted, blanks, 0)
            if found is not None:
                return True, list(found)
    except _GaveUp:
        return False, best
    return True, best


class _GaveUp(Exception):
    """The search became longer than the answer is worth."""


def _maximal_patterns(sizes: list[int], room: int) -> Iterator[_Row]:
    def grow(index: int, free: int) -> Iterator[_Row]:
        if index == len(sizes) - 1:
            yield (free // sizes[index],)
            return
        for count in range(free // sizes[index], -1, -1):
            for rest in grow(index + 1, free - count * sizes[index]):
                yield (count, *rest)

    shortest = min(sizes)
    return (row for row in grow(0, room) if room - _weight(row, sizes) < shortest)


def _weight(row: _Row, sizes: list[int]) -> int:
    return sum(count * size for count, size in zip(row, sizes, strict=True))


def _weights(sizes: list[int], room: int, steps: int) -> tuple[int, list[int]]:
    """A blank's weight and each size's, in whole numbers. steps = 0 is the plain length."""
    if steps == 0:
        return room, sizes
    # u(x) = x where (k+1) x is whole, else floor((k+1) x)/k, of x = size/room; times k (k+1)
    row = []
    for size in sizes:
        times, over = divmod((steps + 1) * size, room)
        row.append(times * steps if over == 0 else times * (steps + 1))
    return steps * (steps + 1), row


@dataclass(frozen=True)
class ClothSheet:
    """Pieces to cut with their spares, strips across the sheet, sheets, and the part of the cloth left over."""

    pieces: int
    strips: int
    sheets: int
    waste: float


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
    strips = -(-pieces // floor((sheet_length + kerf) / (piece_length + kerf) + _ROUNDING))
    sheets = -(-strips // floor((sheet_width + kerf) / (piece_width + kerf) + _ROUNDING))
    used = pieces * piece_length * piece_width
    return ClothSheet(pieces, strips, sheets, 1 - used / (sheets * sheet_length * sheet_width))


def button_width_needed(mortise_length: float, mortise_width: float, skew: float, wall: float) -> float:
    """The width in mm of a button whose mortise, turned by `skew` degrees, keeps `wall` mm of wood each side."""
    mortise_length = number("mortise_length", mortise_length, above=0)
    mortise_width = number("mortise_width", mortise_width, above=0)
    turn = abs(radians(number("skew", skew, above=-90, below=90)))
    wall = number("wall", wall, minimum=0)
    return mortise_length * sin(turn) + mortise_width * cos(turn) + 2 * wall

"""A bought button held against the original: same, acceptable or not, and why. Sizes in mm, angles in degrees.

The rule: length may be longer but not shorter, width and angle must match closely, the mortise must stand where it
stood across the key (an offset spoils a whole batch), and the button must cover the slot's ends. How far each may be
off is the shop's to say; every starting value is an estimate.
"""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

from keyboards.core.checked import number
from keyboards.core.errors import MeasurementError
from keyboards.core.flex import KeyGeometry, fibre_stress, key_flexibility, slot_cover

# Within these no saw and no caliper on wood tells two parts apart: half the steps buttons are cut in.
SAME_SIZE = 0.05
SAME_ANGLE = 0.25
SAME_FLEX = 0.01
_ROUNDING = 1e-9  # 40.1 - 40.0 is a hair more than 0.1

Status = Literal["same", "within", "beyond", "unread"]
Answer = Literal["same", "acceptable", "not acceptable", "open"]


@dataclass(frozen=True)
class PartFigures:
    """A button: sizes in mm, skew in degrees (plus: playing end to the treble), offset of its mortise from the
    button's middle in mm (plus to the treble), modulus of its wood in MPa."""

    length: float
    width: float
    height: float
    mortise_length: float
    mortise_width: float
    skew: float = 0.0
    offset: float = 0.0
    modulus: float = 12600

    def __post_init__(self) -> None:
        for name in ("length", "width", "height", "mortise_length", "mortise_width", "modulus"):
            number(name, getattr(self, name), above=0)
        number("skew", self.skew, above=-90, below=90)
        number("offset", self.offset, above=-self.width, below=self.width)
        if self.mortise_width >= self.width:
            raise MeasurementError("mortise_width must be below width")
        if self.mortise_length >= self.length:
            raise MeasurementError("mortise_length must be below length")


@dataclass(frozen=True)
class Tolerances:
    """How far a part may be off and still serve: mm and degrees; flex as a fraction. All estimates to start from."""

    length_minus: float = 0.0
    length_plus: float = 1.0
    width: float = 0.1
    height: float = 0.5
    skew: float = 0.5
    offset: float = 0.1  # as close as the width
    cover_stop: float = 0.0
    cover_least: float = 6.0
    flex: float = 0.05  # half of what a loose button costs


@dataclass(frozen=True)
class Held:
    """One figure of both. `low` and `high` bound the part's figure; None where that side is free.

    figure: length, width, height, skew, offset (mm, degrees), cover (mm, the smaller of the two ends), flex (the
    part's flexibility over the original's, both in the key; the original is 1).
    """

    figure: str
    original: float
    part: float
    low: float | None
    high: float | None
    status: Status

    @property
    def difference(self) -> float:
        return self.part - self.original


@dataclass(frozen=True)
class Verdict:
    """answer, and the figures it rests on; `cover` says how the slot is covered: stop, reject, warn or enough."""

    answer: Answer
    held: tuple[Held, ...]
    cover: str

    def of(self, figure: str) -> Held:
        return next(row for row in self.held if row.figure == figure)

    @property
    def beyond(self) -> tuple[Held, ...]:
        return tuple(row for row in self.held if row.status == "beyond")

    @property
    def flex_ratio(self) -> float:
        return self.of("flex").part


def with_button(key: KeyGeometry, part: PartFigures) -> KeyGeometry:
    """The same key with this button on it. MeasurementError where the button does not go on that key."""
    return replace(
        key,
        button_length=part.length,
        button_width=part.width,
        button_height=part.height,
        button_modulus=part.modulus,
        mortise_length=part.mortise_length,
        mortise_width=part.mortise_width,
    )


def hold_part(
    original: PartFigures,
    part: PartFigures,
    key: KeyGeometry,
    tolerances: Tolerances,
    unread: Collection[str] = (),
) -> Verdict:
    """The verdict on a part. `key` is the key it goes on; its own button is not looked at.

    `unread` names figures that were never measured on the original: they are not compared. Not acceptable: any figure
    beyond its tolerance, or less slot cover than the least. Open: nothing speaks against it, but a figure is unread.
    Same: no figure tells the two apart. Acceptable: what lies between.
    """
    key_before, key_after = with_button(key, original), with_button(key, part)
    cover_before, cover_after = min(slot_cover(key_before)), min(slot_cover(key_after))
    ratio = key_flexibility(key_after) / key_flexibility(key_before)
    held = [
        _held("length", original.length, part.length, -tolerances.length_minus, tolerances.length_plus, SAME_SIZE),
        _held("width", original.width, part.width, -tolerances.width, tolerances.width, SAME_SIZE),
        _held("height", original.height, part.height, -tolerances.height, tolerances.height, SAME_SIZE),
        _held("skew", original.skew, part.skew, -tolerances.skew, tolerances.skew, SAME_ANGLE),
        _held("offset", original.offset, part.offset, -tolerances.offset, tolerances.offset, SAME_SIZE),
    ]
    cover = cover_answer(cover_after, part.height, tolerances)
    status: Status = "beyond" if cover in ("stop", "reject") else "within"
    if status == "within" and abs(cover_after - cover_before) <= SAME_SIZE + _ROUNDING:
        status = "same"
    held.append(Held("cover", cover_before, cover_after, tolerances.cover_least, None, status))
    softer = ratio - 1
    flex: Status = "same" if abs(softer) <= SAME_FLEX else "within" if softer <= tolerances.flex else "beyond"
    held.append(Held("flex", 1.0, ratio, None, 1 + tolerances.flex, flex))
    held = [replace(row, status="unread") if row.figure in unread else row for row in held]
    answer: Answer = "same"
    if any(row.status == "beyond" for row in held):
        answer = "not acceptable"
    elif any(row.status == "unread" for row in held):
        answer = "open"
    elif any(row.status == "within" for row in held):
        answer = "acceptable"
    return Verdict(answer, tuple(held), cover)


def cover_answer(cover: float, height: float, tolerances: Tolerances) -> str:
    """`stop` (the slot's end is bare), `reject` (under the least), `warn` (under the button's height), `enough`."""
    cover = number("cover", cover)
    if cover <= tolerances.cover_stop:
        return "stop"
    if cover < tolerances.cover_least - _ROUNDING:
        return "reject"
    return "warn" if cover < number("height", height, above=0) else "enough"


def worst_stress(key: KeyGeometry, force: float) -> tuple[float, float]:
    """(stress in MPa, where in mm from the playing end): the outer fibre of the stick that a blow works hardest.

    Looked for wherever the section changes and over the pin; between those the moment grows evenly towards the pin.
    """
    places: set[float] = {key.front_arm}
    for piece in key.pieces:
        places |= {piece.start, piece.end}
    return max((max(fibre_stress(key, force, x)), x) for x in sorted(places))


def _held(figure: str, original: float, part: float, minus: float, plus: float, same: float) -> Held:
    difference = part - original
    status: Status = "within"
    if not minus - _ROUNDING <= difference <= plus + _ROUNDING:
        status = "beyond"
    elif abs(difference) <= same + _ROUNDING:
        status = "same"
    return Held(figure, original, part, original + minus, original + plus, status)

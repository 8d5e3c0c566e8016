"""How far a key bends when it is played, and how hard its wood is worked over the balance pin.

A key is a lever: force F down at the playing end (x = 0), the pin at x = front_arm, the reaction F a/b at the
rear (x = a + b). Sizes in mm, forces in N, moduli and stresses in MPa, flexibility in mm per N. Heights are
measured upwards from the bottom of the stick.

Beam theory (Bernoulli-Euler, with Timoshenko's shear term for rectangles), transformed sections, unit-load
integrals. A glued button slips at its ends: the part it takes up is Newmark's solution for partial composite action
under an even moment. The stiffness is raised by that part, as is usual for partly composite beams; Newmark's full
equation for the moment of a lever makes the reference key 4 % softer.

The figures compare keys with each other. As a promise in mm they are good for nothing: woods scatter by a fifth.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import pairwise
from math import cosh, exp
from types import MappingProxyType
from typing import NamedTuple

from keyboards.core.checked import items, number
from keyboards.core.errors import Length, MeasurementError

SHEAR_FACTOR = 1.2  # a rectangle's, Timoshenko
STICK_SHEAR_RATIO = 0.064  # G/E along the grain of Sitka spruce; Wood Handbook, Table 5-1
BUTTON_SHEAR_RATIO = 0.111  # G/E along the grain of sugar maple; the same table
ENGAGEMENT = 2.4  # length over which a glued block takes up its share, in button heights: an estimate
PANELS = 40  # of Simpson's rule, for each piece under the button
GRAVITY = 9.80665  # m/s2, standard
SMALLEST = 1e-3  # mm or MPa; below it a part is a slip of the keyboard, and its stiffness underflows

LEAST_COVER = 6.0  # mm of button beyond the slot's end: an estimate
GOOD_DEFLECTION = 0.75  # mm under 1000 g at the playing end: one published bench article
POOR_DEFLECTION = 1.0  # the same article
CAUTION_UTILISATION = 0.25  # of the mean modulus of rupture: an estimate


@dataclass(frozen=True)
class Wood:
    """Mean modulus of elasticity and modulus of rupture at 12 % moisture, both MPa."""

    name: str
    modulus: float
    rupture: float
    source: str
    from_memory: bool = False


_HANDBOOK = "USDA Wood Handbook FPL-GTR-282, Table 5-3a"
# The handbook measures in bending, so its moduli hold some of the test beam's shear in them (it adds 10 %
# to take that out). Both woods of a comparison carry the same share; the ratios shown do not feel it.
WOODS: Mapping[str, Wood] = MappingProxyType(
    {
        "sugar_maple": Wood("sugar maple", 12600, 109, _HANDBOOK),
        "american_basswood": Wood("American basswood", 10100, 60, _HANDBOOK),
        "yellow_poplar": Wood("yellow-poplar", 10900, 70, _HANDBOOK),
        "engelmann_spruce": Wood("Engelmann spruce", 8900, 64, _HANDBOOK),
        "sugar_pine": Wood("sugar pine", 8200, 57, _HANDBOOK),
        "sitka_spruce": Wood("Sitka spruce", 10800, 70, "from memory; 9900/65 also circulates", True),
    }
)


class Section(NamedTuple):
    """EI in N mm2, the neutral axis in mm above the bottom of the stick, GA in N."""

    bending_stiffness: float
    neutral_axis: float
    shear_stiffness: float


class CurvePoint(NamedTuple):
    """A button length in mm, the flex in % of the key as it is (100 = the same), the smaller slot cover in mm."""

    length: float
    relative_flex: float
    cover: float


class _Layer(NamedTuple):
    modulus: float
    shear_modulus: float
    width: float
    bottom: float
    top: float


class _Piece(NamedTuple):
    start: float
    end: float
    bare: Section  # without the button
    whole: Section | None  # with it, perfectly glued; None where there is no button


@dataclass(frozen=True)
class KeyGeometry:
    """A key around its balance pin, mm and MPa. Zero means the part is absent.

    The slot is cut from the top, the hole goes through what is left below it and through the shoe, the mortise
    through the button and the plate. The shoe is glued under the stick, the plate on it (the button then sits on
    the plate); both are as wide as the stick and centred on the pin. `button_offset` moves the button's centre
    to the rear, its mortise stays over the pin. `front_mortise_x` is the centre of the front pin's mortise from
    the playing end; it is cut from below. A shear modulus of None means 0.064 E for the stick, 0.111 E for
    button, shoe and plate.

    Raises MeasurementError for sizes that no key can have.
    """

    front_arm: float = 220
    rear_arm: float = 130
    width: float = 13
    height: float = 24
    modulus: float = 10800
    slot_length: float = 14
    slot_width: float = 5.5
    slot_depth: float = 18
    hole_diameter: float = 3.7
    button_length: float = 40
    button_width: float = 13
    button_height: float = 8
    button_modulus: float = 12600
    mortise_length: float = 14
    mortise_width: float = 5.5
    shoe_length: float = 0
    shoe_height: float = 0
    shoe_modulus: float = 12600
    plate_length: float = 0
    plate_height: float = 0
    plate_modulus: float = 12600
    front_mortise_x: float = 0
    front_mortise_length: float = 0
    front_mortise_width: float = 0
    front_mortise_depth: float = 0
    button_offset: float = 0
    shear_modulus: float | None = None
    button_shear_modulus: float | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            name, value = field.name, getattr(self, field.name)
            if value is None and name in _OPTIONAL:
                continue
            number(name, value, minimum=None if name == "button_offset" else 0)
            if name in _POSITIVE or name in _OPTIONAL:
                number(name, value, above=0)
            if 0 < value < SMALLEST and name not in _POSITIONS:
                raise MeasurementError(
                    "{name} is smaller than can be made or measured: {value}", name=name, value=Length(value)
                )
        self._refuse_parts_wider_than_their_wood()
        self._refuse_parts_longer_than_the_key()
        self._refuse_front_mortise_out_of_place()

    def _refuse_parts_wider_than_their_wood(self) -> None:
        for part, limit, needed in (
            ("slot_width", "width", self.has_slot),
            ("slot_depth", "height", self.has_slot),
            ("hole_diameter", "width", self.has_hole),
            ("mortise_width", "button_width", self.has_mortise and self.has_button),
            ("mortise_width", "width", self.has_mortise and self.has_plate),
            ("front_mortise_width", "width", self.has_front_mortise),
            ("front_mortise_depth", "height", self.has_front_mortise),
        ):
            if needed and getattr(self, part) >= getattr(self, limit):
                raise MeasurementError(
                    "{part} must be below {limit}: {value} leaves no wood of {room}",
                    part=part,
                    limit=limit,
                    value=Length(getattr(self, part)),
                    room=Length(getattr(self, limit)),
                )

    def _refuse_parts_longer_than_the_key(self) -> None:
        room = 2 * min(self.front_arm, self.rear_arm)
        for part in (
            "button_length",
            "slot_length",
            "hole_diameter",
            "mortise_length",
            "shoe_length",
            "plate_length",
        ):
            if getattr(self, part) > room:
                raise MeasurementError(
                    "{part} must be at most twice the shorter arm ({room}), not {value}",
                    part=part,
                    room=Length(room),
                    value=Length(getattr(self, part)),
                )
        start, end = self.button_span
        if self.has_button and (start < 0 or end > self.front_arm + self.rear_arm):
            raise MeasurementError(
                "button_offset moves the button beyond the end of the key: {offset}",
                offset=Length(self.button_offset),
            )

    def _refuse_front_mortise_out_of_place(self) -> None:
        if not self.has_front_mortise:
            return
        start, end = self.front_mortise_span
        balance = max(
            self.slot_length if self.has_slot else 0,
            self.hole_diameter,
            self.shoe_length if self.has_shoe else 0,
        )
        if start < 0 or end > self.front_arm - balance / 2:
            raise MeasurementError(
                "front_mortise_x must keep the mortise between the playing end and the balance slot, not "
                "{start} to {end}",
                start=Length(start),
                end=Length(end),
            )

    @property
    def has_slot(self) -> bool:
        return min(self.slot_length, self.slot_width, self.slot_depth) > 0

    @property
    def has_hole(self) -> bool:
        return self.hole_diameter > 0

    @property
    def has_button(self) -> bool:
        return min(self.button_length, self.button_width, self.button_height) > 0

    @property
    def has_mortise(self) -> bool:
        return min(self.mortise_length, self.mortise_width) > 0

    @property
    def has_shoe(self) -> bool:
        return min(self.shoe_length, self.shoe_height) > 0

    @property
    def has_plate(self) -> bool:
        return min(self.plate_length, self.plate_height) > 0

    @property
    def has_front_mortise(self) -> bool:
        return min(self.front_mortise_length, self.front_mortise_width, self.front_mortise_depth) > 0

    @property
    def length(self) -> float:
        """From the playing end to the rear bearing, mm."""
        return self.front_arm + self.rear_arm

    @property
    def button_centre(self) -> float:
        return self.front_arm + self.button_offset

    @property
    def button_span(self) -> tuple[float, float]:
        return self.button_centre - self.button_length / 2, self.button_centre + self.button_length / 2

    @property
    def front_mortise_span(self) -> tuple[float, float]:
        half = self.front_mortise_length / 2
        return self.front_mortise_x - half, self.front_mortise_x + half

    @cached_property
    def pieces(self) -> tuple[_Piece, ...]:
        """The key cut into pieces of constant section, from the playing end to the rear."""
        cuts = sorted({0.0, self.front_arm, self.length, *(x for span in self._spans for x in span)})
        return tuple(_Piece(start, end, *self._sections((start + end) / 2)) for start, end in pairwise(cuts))

    @cached_property
    def _spans(self) -> tuple[tuple[float, float], ...]:
        """Of slot, hole, mortise, shoe, plate, button and front mortise in this order; empty where absent."""

        def around_pin(length: float, present: bool) -> tuple[float, float]:
            half = length / 2 if present else 0
            return self.front_arm - half, self.front_arm + half

        nowhere = (0.0, 0.0)
        return (
            around_pin(self.slot_length, self.has_slot),
            around_pin(self.hole_diameter, self.has_hole),
            around_pin(self.mortise_length, self.has_mortise),
            around_pin(self.shoe_length, self.has_shoe),
            around_pin(self.plate_length, self.has_plate),
            self.button_span if self.has_button else nowhere,
            self.front_mortise_span if self.has_front_mortise else nowhere,
        )

    def _sections(self, x: float) -> tuple[Section, Section | None]:
        """Without and with the button, just inside x towards the pin."""
        if x < self.front_arm:
            inside = [start <= x < end for start, end in self._spans]
        else:
            inside = [start < x <= end for start, end in self._spans]
        slot, hole, mortise, shoe, plate, button, front_mortise = inside
        shear = STICK_SHEAR_RATIO * self.modulus if self.shear_modulus is None else self.shear_modulus
        full = self.width - (self.hole_diameter if hole else 0)
        layers = []
        if front_mortise:
            depth = self.front_mortise_depth
            layers.append(_Layer(self.modulus, shear, self.width - self.front_mortise_width, 0, depth))
            layers.append(_Layer(self.modulus, shear, self.width, depth, self.height))
        elif slot:
            floor = self.height - self.slot_depth
            layers.append(_Layer(self.modulus, shear, full, 0, floor))
            layers.append(_Layer(self.modulus, shear, self.width - self.slot_width, floor, self.height))
        else:
            layers.append(_Layer(self.modulus, shear, full, 0, self.height))
        if shoe:
            modulus = self.shoe_modulus
            layers.append(_Layer(modulus, BUTTON_SHEAR_RATIO * modulus, full, -self.shoe_height, 0))
        top = self.height
        opening = self.mortise_width if mortise else 0
        if plate:
            modulus = self.plate_modulus
            width, bottom, top = self.width - opening, top, top + self.plate_height
            layers.append(_Layer(modulus, BUTTON_SHEAR_RATIO * modulus, width, bottom, top))
        bare = _transformed(layers)
        if not button:
            return bare, None
        modulus, shear = self.button_modulus, BUTTON_SHEAR_RATIO * self.button_modulus
        if self.button_shear_modulus is not None:
            shear = self.button_shear_modulus
        layers.append(_Layer(modulus, shear, self.button_width - opening, top, top + self.button_height))
        return bare, _transformed(layers)


_POSITIONS = {"button_offset", "front_mortise_x"}
_OPTIONAL = {"shear_modulus", "button_shear_modulus"}
_POSITIVE = {
    "front_arm",
    "rear_arm",
    "width",
    "height",
    "modulus",
    "button_modulus",
    "shoe_modulus",
    "plate_modulus",
}


def _transformed(layers: list[_Layer]) -> Section:
    axial = moment = shear = 0.0
    for layer in layers:
        area = layer.width * (layer.top - layer.bottom)
        axial += layer.modulus * area
        moment += layer.modulus * area * (layer.top + layer.bottom) / 2
        shear += layer.shear_modulus * area
    neutral = moment / axial
    bending = 0.0
    for layer in layers:
        height = layer.top - layer.bottom
        lever = (layer.top + layer.bottom) / 2 - neutral
        bending += layer.modulus * layer.width * height * (height * height / 12 + lever * lever)
    return Section(bending, neutral, shear)


def key_flexibility(key: KeyGeometry, engagement_length: float | None = None, shear: bool = True) -> float:
    """Sink of the playing end under 1 N with the pin and the rear held, mm/N.

    `engagement_length` in mm is Newmark's; None means 2.4 button heights, 0 a perfect glue line.
    """
    key = _checked(key)
    slip = _engagement_length(key, engagement_length)
    if not isinstance(shear, bool):
        raise MeasurementError("shear must be True or False")
    bending_sum = shear_sum = 0.0
    ratio = key.front_arm / key.rear_arm
    for piece in key.pieces:
        front = piece.end <= key.front_arm
        # v is the shear force of 1 N, and the slope of the moment, whose zero lies at `zero`
        v, zero = (1.0, 0.0) if front else (ratio, key.length)
        if piece.whole is None or slip == 0:
            section = piece.whole or piece.bare
            bent = abs((piece.end - zero) ** 3 - (piece.start - zero) ** 3) / 3
            bending_sum += v * v * bent / section.bending_stiffness
            shear_sum += v * v * (piece.end - piece.start) / section.shear_stiffness
        else:
            bending, sheared = _slipping(key, piece, slip, zero)
            bending_sum += v * v * bending
            shear_sum += v * v * sheared
    return bending_sum + (SHEAR_FACTOR * shear_sum if shear else 0.0)


def _slipping(key: KeyGeometry, piece: _Piece, slip: float, zero: float) -> tuple[float, float]:
    """Simpson's integrals of (x - zero)^2/EI(x) and of 1/GA(x) over a piece whose button slips at its ends."""
    assert piece.whole is not None
    bare, whole = piece.bare, piece.whole
    gained_bending = whole.bending_stiffness - bare.bending_stiffness
    gained_shear = whole.shear_stiffness - bare.shear_stiffness
    step = (piece.end - piece.start) / PANELS
    bending = sheared = 0.0
    for node in range(PANELS + 1):
        x = piece.start + node * step
        weight = 1 if node in (0, PANELS) else 2 + 2 * (node % 2)
        share = _engaged(key, x, slip)
        bending += weight * (x - zero) ** 2 / (bare.bending_stiffness + share * gained_bending)
        sheared += weight / (bare.shear_stiffness + share * gained_shear)
    return bending * step / 3, sheared * step / 3


def _engaged(key: KeyGeometry, x: float, slip: float) -> float:
    """The part of its stiffness the button lends at x: 0 at its ends, towards 1 in the middle of a long one."""
    if slip == 0:
        return 1.0
    half = key.button_length / 2
    from_end = half - abs(x - key.button_centre)
    if half < 300 * slip:
        return 1 - cosh((half - from_end) / slip) / cosh(half / slip)
    return 1 - exp(-from_end / slip)  # the same where cosh would overflow


def _engagement_length(key: KeyGeometry, engagement_length: float | None) -> float:
    if engagement_length is None:
        return ENGAGEMENT * key.button_height
    return number("engagement_length", engagement_length, minimum=0)


def _checked(key: object) -> KeyGeometry:
    if not isinstance(key, KeyGeometry):
        raise MeasurementError("key must be a KeyGeometry")
    return key


def section_at(key: KeyGeometry, x: float) -> Section:
    """The section just inside x (mm from the playing end) towards the pin, the button perfectly glued."""
    key = _checked(key)
    bare, whole = key._sections(number("x", x, minimum=0, maximum=key.length))
    return whole or bare


def fibre_stress(
    key: KeyGeometry, force: float, x: float, engagement_length: float | None = None
) -> tuple[float, float]:
    """Sizes of the bending stress in MPa in the (bottom, top) fibres of the stick at x mm, for `force` N played.

    The section is taken just inside x towards the pin. Played from above, the top is in tension. Beam theory
    knows no notches: at a slot's end that the button does not cover, the wood is worked harder than this says.
    """
    key = _checked(key)
    force = number("force", force, minimum=0)
    x = number("x", x, minimum=0, maximum=key.length)
    slip = _engagement_length(key, engagement_length)
    rear = force * key.front_arm / key.rear_arm
    moment = force * x if x <= key.front_arm else rear * (key.length - x)
    bare, whole = key._sections(x)
    share = _engaged(key, x, slip) if whole else 0.0

    def stress(height: float) -> float:
        bare_stress = (height - bare.neutral_axis) / bare.bending_stiffness
        whole_stress = (height - whole.neutral_axis) / whole.bending_stiffness if whole else 0.0
        return abs(key.modulus * moment * ((1 - share) * bare_stress + share * whole_stress))

    return stress(0), stress(key.height)


def slot_cover(key: KeyGeometry) -> tuple[float, float]:
    """How far the button reaches beyond the slot's (front, rear) end, mm; negative where the end is bare."""
    key = _checked(key)
    button = key.button_length if key.has_button else 0
    over = button / 2 - (key.slot_length / 2 if key.has_slot else 0)
    return over - key.button_offset, over + key.button_offset


def cover_status(key: KeyGeometry) -> str:
    """By the smaller cover: `stop` (0 or less), `reject` (under 6 mm), `warn` (under the button's height), `enough`."""
    cover = min(slot_cover(key))
    if cover <= 0:
        return "stop"
    if cover < LEAST_COVER:
        return "reject"
    return "warn" if cover < key.button_height else "enough"


def utilisation(stress: float, rupture: float) -> float:
    """Stress over the wood's mean modulus of rupture, both MPa; above 0.25 calls for caution (an estimate)."""
    return number("stress", stress, minimum=0) / number("rupture", rupture, above=0)


def static_deflection(key: KeyGeometry, grams: float = 1000) -> float:
    """The model's sink in mm of the playing end with a weight hung there, key held at capstan and balance hole."""
    return key_flexibility(key) * number("grams", grams, minimum=0) / 1000 * GRAVITY


def deflection_status(deflection: float) -> str:
    """A measured sink in mm under 1000 g: `good` under 0.75, `poor` over 1.0, else `fair` (one bench article)."""
    deflection = number("deflection", deflection, minimum=0)
    if deflection < GOOD_DEFLECTION:
        return "good"
    return "poor" if deflection > POOR_DEFLECTION else "fair"


def flexibility_curve(key: KeyGeometry, lengths: Iterable[float]) -> list[CurvePoint]:
    """For each button length in mm: (length, flex in % of the key as it is, smaller slot cover in mm).

    The other sizes stay as they are. Length 0 is a key without its button.
    """
    own = key_flexibility(key)
    points = []
    for position, value in enumerate(items("lengths", lengths)):
        length = number(f"lengths[{position}]", value, minimum=0)
        changed = replace(key, button_length=length)
        points.append(CurvePoint(length, 100 * key_flexibility(changed) / own, min(slot_cover(changed))))
    if not points:
        raise MeasurementError("lengths must not be empty")
    return points

"""What the advice assumes: every number with its name, its unit, its range, its starting value and where that is from.

A shop keeps its own values, a job may keep others; what neither says is the starting value. All of it is editable and
shown beside the results. Only what names a standard is published; the rest is common practice or an estimate.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from keyboards.core import fit
from keyboards.core.errors import MeasurementError

NUMBER = "number"
LIST = "list"
FLAG = "flag"
_MOST_STOCK = 16

_ESTIMATE = "estimate"
_TEXT = "common practice: one bench text"
_PRACTITIONER = "common practice: one practitioner's figure"


@dataclass(frozen=True)
class Assumption:
    """One assumption. group is where a page shows it; place and key say where a limit of the final check is measured.

    unit "mm" is shown in the person's unit of length; "%" is a percentage, "" a plain number or a fraction.
    """

    name: str
    group: str
    title: str
    default: Any
    unit: str
    lowest: float
    highest: float
    source: str
    kind: str = NUMBER
    place: str = ""
    key: str = ""


def _limit(
    name: str, title: str, default: float, low: float, high: float, source: str, place: str, key: str = "up"
) -> Assumption:
    return Assumption(name, "final", title, default, "mm", low, high, source, NUMBER, place, key)


ASSUMPTIONS: tuple[Assumption, ...] = (
    # fit of cloth and pin
    Assumption("pin", "fit", "balance pin where it was not measured", 3.70, "mm", 2.0, 8.0, "nominal .146 in pin"),
    Assumption("clearance", "fit", "wanted side clearance in all", 0.05, "mm", 0.0, 0.5, _PRACTITIONER),
    Assumption("lower", "fit", "tighter than wanted by at most", -0.05, "mm", -0.5, 0.0, _ESTIMATE),
    Assumption("upper", "fit", "looser than wanted by at most", 0.10, "mm", 0.0, 0.8, _ESTIMATE),
    Assumption("compression", "fit", "compression of the cloth", 0.15, "", 0.0, 0.6, "estimate until calibrated"),
    Assumption(
        "compression_calibrated", "fit", "compression calibrated on a trial key", False, "", 0, 1, "the shop's own word",
        FLAG,
    ),
    Assumption(
        "stock", "fit", "cloth in stock", (0.80, 0.87, 0.93, 1.00, 1.07, 1.14, 1.20), "mm", 0.2, 5.0,
        "the shop's shelf", LIST,
    ),
    Assumption("pin_travel", "fit", "travel of the pin in the mortise in one stroke", 1.36, "mm", 0.0, 10.0, _ESTIMATE),
    # uncertainty
    Assumption("u_mortise", "uncertainty", "mortise width, standard uncertainty", 0.03, "mm", 0.001, 0.3,
               "estimate: caliper in torn wood"),
    Assumption("u_pin", "uncertainty", "pin, standard uncertainty", 0.012, "mm", 0.001, 0.1, _ESTIMATE),
    Assumption("u_cloth", "uncertainty", "cloth, standard uncertainty", 0.01, "mm", 0.001, 0.2,
               "estimate: folded stack of eight layers or more"),
    Assumption("u_compression_calibrated", "uncertainty", "compression, when calibrated", 0.01, "", 0.001, 0.2, _ESTIMATE),
    Assumption("u_compression_before", "uncertainty", "compression, before", 0.03, "", 0.001, 0.2, _ESTIMATE),
    Assumption("u_side_play", "uncertainty", "side play, standard uncertainty", 0.03, "mm", 0.001, 0.3, _ESTIMATE),
    Assumption("u_clearance", "uncertainty", "clearance at the bushing, standard uncertainty", 0.02, "mm", 0.001, 0.3, _ESTIMATE),
    Assumption("u_dip", "uncertainty", "dip, standard uncertainty", 0.1, "mm", 0.001, 1.0, _ESTIMATE),
    Assumption("u_level", "uncertainty", "level, standard uncertainty", 0.05, "mm", 0.001, 1.0, _ESTIMATE),
    Assumption("u_skew", "uncertainty", "angle, standard uncertainty", 0.2, "°", 0.01, 3.0, _ESTIMATE),
    # spread and samples
    Assumption("outlier_k", "spread", "a reading is odd beyond so many spreads", 3.0, "", 1.0, 10.0, "common practice"),
    Assumption("outlier_floor", "spread", "and beyond at least", 0.02, "mm", 0.0, 0.5, _ESTIMATE),
    Assumption("confidence", "spread", "confidence of a bound from a sample", 0.95, "", 0.5, 0.999, "convention"),
    # what comes back
    Assumption("p_ok", "comeback", "chance that a sound key comes back", 0.01, "", 0.0, 1.0, _ESTIMATE),
    Assumption("p_failing", "comeback", "a failing key with new cloth alone", 0.6, "", 0.0, 1.0, _ESTIMATE),
    Assumption("p_repaired", "comeback", "a repaired mortise", 0.1, "", 0.0, 1.0, _ESTIMATE),
    Assumption("p_new", "comeback", "a new button", 0.01, "", 0.0, 1.0, _ESTIMATE),
    Assumption("visit_fixed", "comeback", "cost of a visit", 120.0, "money", 0.0, 100000.0, _ESTIMATE),
    Assumption("visit_key", "comeback", "and a key at it", 20.0, "money", 0.0, 100000.0, _ESTIMATE),
    Assumption("close_margin", "comeback", "too close to call under a margin of", 0.05, "", 0.0, 0.5, _ESTIMATE),
    Assumption("sensitivity_change", "comeback", "and when one input changed by this turns the choice", 0.30, "", 0.01, 0.9, _ESTIMATE),
    # buttons
    Assumption("cover_stop", "button", "slot cover: stop at or under", 0.0, "mm", -5.0, 10.0, "calculation of the key's flex"),
    Assumption("cover_least", "button", "slot cover: least", 6.0, "mm", 0.0, 30.0, _ESTIMATE),
    Assumption("part_length_minus", "button", "bought part shorter by at most", 0.0, "mm", 0.0, 10.0, _ESTIMATE),
    Assumption("part_length_plus", "button", "bought part longer by at most", 1.0, "mm", 0.0, 10.0, _ESTIMATE),
    Assumption("part_width", "button", "bought part wider or narrower by at most", 0.1, "mm", 0.0, 3.0, _ESTIMATE),
    Assumption("part_height", "button", "bought part higher or lower by at most", 0.5, "mm", 0.0, 5.0, _ESTIMATE),
    Assumption("part_skew", "button", "angle off by at most", 0.5, "°", 0.0, 5.0, _ESTIMATE),
    Assumption("part_offset", "button", "mortise further off the middle by at most", 0.1, "mm", 0.0, 3.0, _ESTIMATE),
    Assumption("part_flex", "button", "key more flexible by at most, fraction", 0.05, "", 0.0, 1.0, _ESTIMATE),
    Assumption("angle_step", "button", "angles are cut in steps of", 0.5, "°", 0.1, 5.0, _ESTIMATE),
    Assumption("fan_step", "button", "angles of a fan in steps of", 1.0, "°", 0.1, 5.0, _ESTIMATE),
    Assumption("wall", "button", "least wood beside the mortise", 2.5, "mm", 0.5, 10.0, _ESTIMATE),
    Assumption("spare", "button", "spare buttons, fraction", 0.05, "", 0.0, 1.0, _ESTIMATE),
    # cloth to cut
    Assumption("cloth_piece", "cloth", "length of a piece: into the mortise and over its edge", 14.0, "mm", 3.0, 60.0,
               "common practice: 50 to 80 mm of strip a key, four pieces"),
    Assumption("cloth_strip", "cloth", "width of a strip: the mortise along the key", 14.0, "mm", 3.0, 60.0, _ESTIMATE),
    Assumption("sheet_length", "cloth", "sheet, along the strips", 300.0, "mm", 20.0, 3000.0, "the shop's shelf"),
    Assumption("sheet_width", "cloth", "sheet, across the strips", 300.0, "mm", 20.0, 3000.0, "the shop's shelf"),
    Assumption("cloth_spare", "cloth", "spare pieces, fraction", 0.05, "", 0.0, 1.0, _ESTIMATE),
    # limits of the final check
    _limit("side_play_low", "side play, at least", 0.20, 0.0, 3.0, _ESTIMATE, "fingertip"),
    _limit("side_play_high", "side play, at most", 0.75, 0.05, 5.0, "common practice: one bench text has about 0.5 right, about 1 worn", "fingertip"),
    _limit("balance_clearance_low", "clearance at the balance bushing, at least", 0.0, -0.2, 1.0, _ESTIMATE, "bushing"),
    _limit("balance_clearance_high", "clearance at the balance bushing, at most", 0.15, 0.0, 2.0, "common practice: one practitioner has .002 in", "bushing"),
    _limit("front_clearance_low", "clearance at the front bushing, at least", 0.0, -0.2, 1.0, _ESTIMATE, "bushing"),
    _limit("front_clearance_high", "clearance at the front bushing, at most", 0.25, 0.0, 2.0, "common practice: one practitioner has .005 in", "bushing"),
    _limit("dip_low", "dip, at least", 9.5, 5.0, 15.0, _TEXT, "fingertip", "down"),
    _limit("dip_high", "dip, at most", 11.0, 5.0, 15.0, _TEXT, "fingertip", "down"),
    _limit("level_low", "level, at least", -0.3, -5.0, 0.0, _ESTIMATE, "fingertip"),
    _limit("level_high", "level, at most", 0.3, 0.0, 5.0, _ESTIMATE, "fingertip"),
    Assumption("skew_copy", "final", "angle copied within", 0.5, "°", 0.1, 5.0, _ESTIMATE, NUMBER, "bushing", "up"),
)  # fmt: skip
BY_NAME: Mapping[str, Assumption] = {row.name: row for row in ASSUMPTIONS}
GROUPS: tuple[str, ...] = tuple(dict.fromkeys(row.group for row in ASSUMPTIONS))


@dataclass(frozen=True)
class Assumed:
    """The values an advice was reckoned with; plain numbers in the units of ASSUMPTIONS."""

    pin: float
    clearance: float
    lower: float
    upper: float
    compression: float
    compression_calibrated: bool
    stock: tuple[float, ...]
    pin_travel: float
    u_mortise: float
    u_pin: float
    u_cloth: float
    u_compression_calibrated: float
    u_compression_before: float
    u_side_play: float
    u_clearance: float
    u_dip: float
    u_level: float
    u_skew: float
    outlier_k: float
    outlier_floor: float
    confidence: float
    p_ok: float
    p_failing: float
    p_repaired: float
    p_new: float
    visit_fixed: float
    visit_key: float
    close_margin: float
    sensitivity_change: float
    cover_stop: float
    cover_least: float
    part_length_minus: float
    part_length_plus: float
    part_width: float
    part_height: float
    part_skew: float
    part_offset: float
    part_flex: float
    angle_step: float
    fan_step: float
    wall: float
    spare: float
    cloth_piece: float
    cloth_strip: float
    sheet_length: float
    sheet_width: float
    cloth_spare: float
    side_play_low: float
    side_play_high: float
    balance_clearance_low: float
    balance_clearance_high: float
    front_clearance_low: float
    front_clearance_high: float
    dip_low: float
    dip_high: float
    level_low: float
    level_high: float
    skew_copy: float

    @property
    def u_compression(self) -> float:
        """The uncertainty of the compression: small once a trial key calibrated it."""
        return self.u_compression_calibrated if self.compression_calibrated else self.u_compression_before

    @property
    def gaps(self) -> tuple[tuple[float, float], ...]:
        """Neighbouring cloths between which a mortise can fall that neither fits."""
        return fit.stock_gaps(self.stock, self.lower, self.upper, self.compression)

    @property
    def largest_step(self) -> float:
        """The largest step between cloths that leaves no such gap, mm."""
        return fit.largest_stock_step(self.lower, self.upper, self.compression)


@dataclass(frozen=True)
class Effective:
    """assumed: what holds; errors: name -> what is wrong with a value that was given (its place holds the one before);
    own: names whose value differs from the shop's."""

    assumed: Assumed
    errors: Mapping[str, str]
    own: frozenset[str]


@dataclass(frozen=True)
class FinalLimit:
    """Limits of one quantity at the final check; low and high in unit, u its standard uncertainty."""

    quantity: str
    low: float
    high: float
    unit: str
    u: float
    place: str
    key: str


def clean(name: str, value: Any) -> Any:
    """A value that may stand for this assumption, or MeasurementError with what is wrong with it."""
    if name not in BY_NAME:
        raise MeasurementError("{name!r} is not an assumption we know", name=name)
    row = BY_NAME[name]
    if row.kind == FLAG:
        if not isinstance(value, bool):
            raise MeasurementError("must be yes or no")
        return value
    if row.kind == LIST:
        if isinstance(value, (str, bytes)) or not isinstance(value, (list, tuple)) or not value:
            raise MeasurementError("name at least one thickness")
        if len(value) > _MOST_STOCK:
            raise MeasurementError("at most {most} thicknesses", most=_MOST_STOCK)
        return tuple(sorted({_number(row, one) for one in value}))
    return _number(row, value)


def _number(row: Assumption, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise MeasurementError("must be a number")
    if not row.lowest <= value <= row.highest:  # not a number lies between nothing
        raise MeasurementError("must lie between {lowest:g} and {highest:g}", lowest=row.lowest, highest=row.highest)
    return float(value)


_ORDERED = (
    ("lower", "upper"),
    ("side_play_low", "side_play_high"),
    ("balance_clearance_low", "balance_clearance_high"),
    ("front_clearance_low", "front_clearance_high"),
    ("dip_low", "dip_high"),
    ("level_low", "level_high"),
    ("cover_stop", "cover_least"),
    ("cloth_piece", "sheet_length"),
    ("cloth_strip", "sheet_width"),
)


def effective(shop: Mapping[str, Any], own: Mapping[str, Any]) -> Effective:
    """The starting values, overlaid by the shop's, overlaid by the job's. Bad values are named and left out."""
    errors: dict[str, str] = {}
    held: dict[str, Any] = {row.name: row.default for row in ASSUMPTIONS}
    for given in (shop, own):
        before = dict(held)
        for name, value in given.items():
            try:
                held[name] = clean(name, value)
            except MeasurementError as error:
                errors[name] = str(error)
        for low, high in _ORDERED:
            if held[low] >= held[high]:
                wrong = high if high in given else low
                errors.setdefault(wrong, f"{BY_NAME[low].title} must be less than {BY_NAME[high].title}")
                held[low], held[high] = before[low], before[high]
        if given is shop:
            base = dict(held)
    names = {field.name for field in fields(Assumed)}
    assumed = Assumed(**{name: value for name, value in held.items() if name in names})
    return Effective(assumed, errors, frozenset(name for name in held if held[name] != base[name]))


def final_limits(assumed: Assumed) -> tuple[FinalLimit, ...]:
    """The limits of the final check, each with its place."""

    def limit(quantity: str, u: float) -> FinalLimit:
        low, high = f"{quantity}_low", f"{quantity}_high"
        row = BY_NAME[low]
        return FinalLimit(quantity, getattr(assumed, low), getattr(assumed, high), row.unit, u, row.place, row.key)

    copy = BY_NAME["skew_copy"]
    return (
        limit("side_play", assumed.u_side_play),
        limit("balance_clearance", assumed.u_clearance),
        limit("front_clearance", assumed.u_clearance),
        limit("dip", assumed.u_dip),
        limit("level", assumed.u_level),
        FinalLimit("skew_copy", -assumed.skew_copy, assumed.skew_copy, copy.unit, assumed.u_skew, copy.place, copy.key),
    )

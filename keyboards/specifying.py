"""Readings of a set -> what its buttons are cut to: sizes and angles a key, groups cut alike, and where they are from.

Each quantity is taken from the newest stripped check where the key was read there, else from the newest arrival check.
Nothing is kept here; a bought part's figures are kept by keyboards/workflow/specs.py.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from statistics import median
from typing import Any

from django.db.models import Q

from keyboards.advising import failing_keys
from keyboards.core import choice, skew
from keyboards.core.assumptions import Assumed, effective
from keyboards.core.cutting import ButtonSpec, SpecGroup, group_specs
from keyboards.core.entries import in_force
from keyboards.core.errors import MeasurementError
from keyboards.core.grading import standing_grade
from keyboards.core.parts import PartFigures, Tolerances
from keyboards.core.spread import robust_spread
from keyboards.models import Check, CheckKind, Compass, Decision, Entry, EntryKind, KeyReading
from keyboards.words import wrong_with
from shop.models import Job

# The scatter of one caliper on old wood, mm: below it a size is one size for the whole set. Estimates.
SCATTER = {"button_length": 0.3, "button_width": 0.15, "button_height": 0.15}
SIZES = ("button_length", "button_width", "button_height")
NEEDED = (*SIZES, "balance_mortise_width")
_WOOD_DAMAGED = 2
STICK, RAIL = "stick", "rail"


@dataclass(frozen=True)
class SetReadings:
    """What was read of a set: the rows of its newest stripped and arrival check, by key."""

    job: Job
    compass: Compass | None
    checks: tuple[Check, ...]  # the one that counts first
    rows: Mapping[int, Mapping[int, KeyReading]]  # check -> key -> row

    def of(self, quantity: str) -> dict[int, float]:
        """key -> mm, degrees or grams, for the keys that are here."""
        found: dict[int, float] = {}
        here = set(self.present)
        for check in reversed(self.checks):
            for key, row in self.rows[check.pk].items():
                value = getattr(row, quantity)
                if value is not None and key in here:
                    found[key] = value / 1000
        return found

    def kinds_of(self, quantity: str) -> list[str]:
        """The kinds of check this quantity comes from."""
        return [
            check.kind
            for check in self.checks
            if any(getattr(row, quantity) is not None for row in self.rows[check.pk].values())
        ]

    def typical(self, quantity: str) -> float | None:
        """The median of the set, None where it was not read."""
        values = self.of(quantity)
        return median(values.values()) if values else None

    @cached_property
    def present(self) -> list[int]:
        return self.compass.present if self.compass else []

    @cached_property
    def grades(self) -> dict[int, int]:
        """key -> the grade that stands: a stripped check says nothing of what it did not look at again."""
        found: dict[int, int] = {}
        for check in reversed(self.checks):
            for key, row in self.rows[check.pk].items():
                grade = standing_grade(found.get(key), row.grade, by_hand=bool(row.grade_reason))
                if grade is not None:
                    found[key] = grade
        return found


def set_readings(job: Job) -> SetReadings:
    """The readings a spec rests on, in three queries."""
    compass = Compass.objects.filter(job=job).first()
    kinds = (CheckKind.STRIPPED, CheckKind.ARRIVAL)
    checks = list(
        Check.objects.filter(job=job, kind__in=kinds, keys__isnull=False).distinct().order_by("-begun_at", "-id")
    )
    newest = [next(check for check in checks if check.kind == kind) for kind in kinds if _has(checks, kind)]
    rows: dict[int, dict[int, KeyReading]] = {check.pk: {} for check in newest}
    for row in KeyReading.objects.filter(check_done__in=newest):
        rows[row.check_done_id][row.key] = row
    return SetReadings(job, compass, tuple(newest), rows)


def angles_from_photos(readings: SetReadings) -> dict[int, float]:
    """key -> standard uncertainty in degrees of its angle, where the reading that counts came from a photo. A query."""
    rows = Entry.objects.filter(check_done__in=readings.checks).filter(
        Q(kind=EntryKind.READING, quantity="skew") | Q(kind=EntryKind.WITHDRAW)
    )
    fields = ("op", "check_done_id", "kind", "key", "withdraws", "taken_at", "photo_angle__u")
    last: dict[tuple[int, int], Entry] = {}
    for entry in in_force(rows.select_related("photo_angle").only(*fields)):
        last[entry.check_done_id, entry.key] = entry  # type: ignore[attr-defined,assignment]
    found: dict[int, float] = {}
    for check in readings.checks:
        for (check_id, key), entry in last.items():
            if check_id == check.pk and readings.rows[check.pk][key].skew is not None:
                angle = getattr(entry, "photo_angle", None)
                found.setdefault(key, angle.u / 1000 if angle else 0.0)
    return {key: u for key, u in found.items() if u}


def _has(checks: Sequence[Check], kind: str) -> bool:
    return any(check.kind == kind for check in checks)


@dataclass(frozen=True)
class Figure:
    """One quantity of the set: how many keys were read, how many of those to cut were not and take the median, which
    keep their own reading. median, low and high are of all that were read; of a mortise, of those in sound wood.

    cut: alike (the median for all but `own`), each (as read; the median where not read) or absent (never read).
    """

    quantity: str
    kinds: tuple[str, ...]
    read: int
    filled: int
    median: float | None
    low: float | None
    high: float | None
    cut: str
    own: tuple[int, ...] = ()


@dataclass(frozen=True)
class Group:
    """Buttons cut alike. offset: the median over its keys in mm, None where it was not read; its range beside it."""

    cut: SpecGroup
    offset: float | None
    offset_low: float | None
    offset_high: float | None

    @property
    def spec(self) -> ButtonSpec:
        return self.cut.spec

    @property
    def keys(self) -> tuple[int, ...]:
        return self.cut.keys

    @property
    def to_cut(self) -> int:
        return self.cut.count + self.cut.spares

    def figures(self, modulus: float) -> PartFigures:
        spec = self.spec
        return PartFigures(
            length=spec.length,
            width=spec.width,
            height=spec.height,
            mortise_length=spec.mortise_length,
            mortise_width=spec.mortise_width,
            skew=spec.skew,
            offset=self.offset or 0.0,
            modulus=modulus,
        )


@dataclass(frozen=True)
class Spec:
    """What to cut. missing: quantities never read, without which nothing can be cut; groups is empty then."""

    figures: tuple[Figure, ...]
    groups: tuple[Group, ...] = ()
    missing: tuple[str, ...] = ()
    pattern: skew.SkewPattern | None = None
    angle_step: float = 0.5
    left_out: tuple[int, ...] = ()  # no splay was read, and the button follows the stick
    doubtful: tuple[int, ...] = ()  # angles to measure again
    angles_unread: bool = False
    problem: str = ""
    by_quantity: Mapping[str, Figure] = field(default_factory=dict)


def keys_to_cut(job: Job, readings: SetReadings) -> tuple[tuple[int, ...], str]:
    """(keys, why) to begin with: what was decided, else every key that is here. why: decided or all."""
    here = set(readings.present)
    decision = Decision.objects.filter(job=job).first()
    if decision is not None:
        keys = decided(decision, choice.RENEW_SECTION) & here
        if singly := decided(decision, choice.RENEW_FAILING) & here:
            keys |= singly & failing_keys(job, assumed_then(decision))
        if keys:
            return tuple(sorted(keys)), "decided"
    return tuple(sorted(here)), "all"


def decided(decision: Decision, option: str) -> set[int]:
    """All keys of the sections that an option was chosen for."""
    spans = [row for row in decision.sections if row.get("chosen") == option]
    return {key for row in spans for key in range(int(row["first"]), int(row["last"]) + 1)}


def assumed_then(decision: Decision) -> Assumed:
    """What a decision was reckoned with, so that a change of the shop's shelf never changes which keys were meant."""
    return effective(decision.assumptions, {}).assumed


def spec_of(
    readings: SetReadings,
    keys: Sequence[int],
    *,
    mortise_length: float,
    follows: str = RAIL,
    assumed: Assumed,
) -> Spec:
    """Sizes and angles for the keys, in groups cut alike. `follows`: the new button's long edge stands along the
    stick (skew less splay) or square to the rail (the skew as it is)."""
    sizes: dict[str, dict[int, float]] = {}
    figures = []
    for quantity in SIZES:
        figure, sizes[quantity] = _size(readings, quantity, keys, assumed.outlier_k)
        figures.append(figure)
    figure, sizes["balance_mortise_width"] = _mortise(readings, keys)
    figures.append(figure)
    pattern, angles, doubtful = _angles(readings, keys)
    angle_step = assumed.fan_step if pattern is not None and pattern.kind == "fan" else assumed.angle_step
    figures.append(_told(readings, "skew", keys))
    splays = readings.of("splay")
    figures += [_told(readings, "splay", keys)] if splays else []
    figures += [_told(readings, quantity, keys) for quantity in ("mortise_offset", "slot_length", "balance_pin")]
    by_quantity = {figure.quantity: figure for figure in figures}
    missing = tuple(quantity for quantity in NEEDED if not readings.of(quantity))
    common: dict[str, Any] = {
        "figures": tuple(figures),
        "by_quantity": by_quantity,
        "pattern": pattern,
        "angle_step": angle_step,
        "doubtful": doubtful,
        "angles_unread": not readings.of("skew"),
    }
    left_out = tuple(key for key in keys if follows == STICK and key not in splays)
    cut = [key for key in keys if key not in set(left_out)]
    if missing or not cut:
        return Spec(missing=missing, left_out=left_out, **common)
    try:
        buttons = [
            (
                key,
                ButtonSpec(
                    length=sizes["button_length"][key],
                    width=sizes["button_width"][key],
                    height=sizes["button_height"][key],
                    mortise_width=sizes["balance_mortise_width"][key],
                    mortise_length=mortise_length,
                    skew=angles[key] - (splays[key] if follows == STICK else 0.0),
                ),
            )
            for key in cut
        ]
        groups = group_specs(buttons, angle_step, assumed.spare)
    except MeasurementError as error:
        return Spec(problem=wrong_with(error), left_out=left_out, **common)
    offsets = readings.of("mortise_offset")
    return Spec(groups=tuple(_group(group, offsets) for group in groups), left_out=left_out, **common)


def _group(cut: SpecGroup, offsets: Mapping[int, float]) -> Group:
    own = [offsets[key] for key in cut.keys if key in offsets] or list(offsets.values())
    if not own:
        return Group(cut, None, None, None)
    return Group(cut, median(own), min(own), max(own))


def _size(readings: SetReadings, quantity: str, keys: Sequence[int], k: float) -> tuple[Figure, dict[int, float]]:
    """One size for the set where the readings scatter no more than a caliper does; else each key as it was read."""
    values = readings.of(quantity)
    told = _told(readings, quantity, keys)
    if not values:
        return told, {}
    spread = robust_spread(list(values.values()))
    if spread.mad_sd > SCATTER[quantity]:
        return told, {key: values.get(key, spread.median) for key in keys}
    limit = k * max(spread.mad_sd, SCATTER[quantity])
    own = tuple(key for key in keys if key in values and abs(values[key] - spread.median) > limit)
    figure = _alike(told, own)
    return figure, {key: values[key] if key in own else spread.median for key in keys}


def _mortise(readings: SetReadings, keys: Sequence[int]) -> tuple[Figure, dict[int, float]]:
    """One width for the set: what scatters in old mortises is wear, which is not copied. Keys whose wood was found
    damaged do not count."""
    quantity = "balance_mortise_width"
    values = readings.of(quantity)
    told = _told(readings, quantity, keys)
    if not values:
        return told, {}
    sound = [value for key, value in values.items() if readings.grades.get(key, 0) < _WOOD_DAMAGED]
    sound = sound or list(values.values())
    middle = median(sound)
    return Figure(quantity, told.kinds, len(sound), told.filled, middle, min(sound), max(sound), "alike"), (
        dict.fromkeys(keys, middle)
    )


def _alike(told: Figure, own: tuple[int, ...]) -> Figure:
    return Figure(told.quantity, told.kinds, told.read, told.filled, told.median, told.low, told.high, "alike", own)


def _told(readings: SetReadings, quantity: str, keys: Sequence[int]) -> Figure:
    values = readings.of(quantity)
    if not values:
        return Figure(quantity, (), 0, len(keys), None, None, None, "absent")
    every = list(values.values())
    return Figure(
        quantity,
        tuple(readings.kinds_of(quantity)),
        len(every),
        sum(key not in values for key in keys),
        median(every),
        min(every),
        max(every),
        "each",
    )


def _angles(
    readings: SetReadings, keys: Sequence[int]
) -> tuple[skew.SkewPattern | None, dict[int, float], tuple[int, ...]]:
    """The angle of each key: its section's, or the fan's at that key; with too few readings its own or the median."""
    values = readings.of("skew")
    middle = median(values.values()) if values else 0.0
    try:
        pattern = skew.find_sections(list(values), list(values.values())) if values else None
    except MeasurementError:  # too few readings, or they contradict each other: each key as it was read
        pattern = None
    if pattern is None:
        return None, {key: values.get(key, middle) for key in keys}, ()
    if pattern.kind == "fan":
        return pattern, {key: pattern.intercept + pattern.slope * key for key in keys}, pattern.outliers
    angles = {}
    for key in keys:
        section = next((part for part in pattern.sections if part.first <= key <= part.last), None)
        if section is None:  # in the gap between two sections: what was read, else the nearer section's
            nearer = _nearest(pattern.sections, key)
            angles[key] = nearer.angle if key in pattern.outliers else values.get(key, nearer.angle)
        else:
            angles[key] = section.angle
    if pattern.kind == "straight":
        angles = dict.fromkeys(keys, 0.0)
    return pattern, angles, pattern.outliers


def _nearest(sections: Sequence[skew.Section], key: int) -> skew.Section:
    return min(sections, key=lambda part: min(abs(part.first - key), abs(part.last - key)))


def tolerances_of(assumed: Assumed) -> Tolerances:
    """How far a bought part may be off: by the shop's and the job's assumptions."""
    return Tolerances(
        length_minus=assumed.part_length_minus,
        length_plus=assumed.part_length_plus,
        width=assumed.part_width,
        height=assumed.part_height,
        skew=assumed.part_skew,
        offset=assumed.part_offset,
        flex=assumed.part_flex,
        cover_stop=assumed.cover_stop,
        cover_least=assumed.cover_least,
    )

"""Rows of the database -> the proof of a set: its newest final check, judged key by key, beside what was found before.

Nothing is kept here. A release is kept by keyboards/workflow/proof.py; limits are those that stood when the check was
closed, told by the events of their changes, so that a report printed years later says what it said on the day.
"""

import datetime
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import median
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards.core import fit
from keyboards.core.assumptions import Assumed, FinalLimit, effective, final_limits
from keyboards.core.entries import (
    DIFFER,
    FEWEST_REPEATS,
    READING,
    SKIPPED,
    WITHDRAW,
    Repeatability,
    in_force,
    reading_value,
    repeatability,
    uncertainty_of_mean,
)
from keyboards.core.grading import DROP, worst_grade
from keyboards.core.keys import format_keys
from keyboards.core.quantities import LENGTH, QUANTITIES
from keyboards.core.redo import stages_for
from keyboards.core.skew import SkewPattern
from keyboards.core.verdicts import FAIL, NOT_READ, UNDECIDED, FinalVerdicts, KeyVerdict, judge_key, judge_set
from keyboards.models import (
    Assumptions,
    Check,
    CheckKind,
    Compass,
    Entry,
    EntryKind,
    Finding,
    FindingGroup,
    Gauge,
    GaugeKind,
    KeyDone,
    KeyReading,
)
from keyboards.sheets import finding_titles
from keyboards.specifying import RAIL, SetReadings, keys_to_cut, set_readings, spec_of
from shop.core import route
from shop.models import Event, Job, Line, Proves, Stage

# What a limit is read from.
READ_FROM: Mapping[str, str] = {
    "side_play": "side_play",
    "balance_clearance": "balance_mortise_width",
    "front_clearance": "front_mortise_width",
    "dip": "dip",
    "level": "level",
    "skew_copy": "skew",
}
# Held against keys only where the client was promised it, or it was measured all the same.
_WHERE_AGREED = ("level", "dip", "skew_copy")
_PIN_OF = {"balance_clearance": "balance_pin", "front_clearance": "front_pin"}
_WORKED_ON = tuple(slug for slug in route.WORK if slug != "stripped_check")


@dataclass(frozen=True)
class UsedGauge:
    """A measuring instrument and what it measured, in one check."""

    check: Check
    gauge: Gauge
    quantities: tuple[str, ...]


@dataclass(frozen=True)
class Taken:
    """One reading in force: value in canonical integers, when it was taken; own, in mm or degrees, is the part of its
    uncertainty that is its alone (half the step of a plug gauge over sqrt 3, the taps of a photo)."""

    value: int
    at: datetime.datetime
    own: float = 0.0


@dataclass(frozen=True)
class Proof:
    """What is proved of a set. check is the newest final check, None before there is one.

    rows: key -> its row in that check. before: the arrival and the stripped check. limits: those that this check can
    be held against. notes: what could not be judged, and why. copied: key -> angle in degrees that its new button was
    to copy. Where a key was read several times in the final check, its row and values hold the mean. taken: key ->
    quantity -> its readings. scatter: quantity -> what the repeats of this check showed. unmeasured: limits that were
    held against no key, because that was not read; level and dip are not among them, but owed where they were agreed.
    unsaid: what each check read without naming an instrument. photos: check -> u of each angle read from a photo, in
    degrees.
    """

    job: Job
    compass: Compass | None
    check: Check | None
    rows: Mapping[int, KeyReading]
    before: SetReadings
    assumed: Assumed
    limits: tuple[FinalLimit, ...]
    verdicts: FinalVerdicts
    notes: tuple[str, ...]
    copied: Mapping[int, float]
    values: Mapping[int, Mapping[str, float | None]]
    gauges: tuple[UsedGauge, ...]
    taken: Mapping[int, Mapping[str, tuple[Taken, ...]]]
    scatter: Mapping[str, Repeatability]
    unmeasured: tuple[str, ...]
    unsaid: tuple[tuple[Check, tuple[str, ...]], ...]
    photos: Mapping[Check, tuple[float, ...]]
    worked_since: bool = False

    @property
    def closed(self) -> bool:
        return self.check is not None and self.check.is_closed

    @property
    def released(self) -> bool:
        return self.check is not None and self.check.released_by_id is not None

    @property
    def failing(self) -> tuple[int, ...]:
        return self.verdicts.with_verdict(FAIL)

    @property
    def undecided(self) -> tuple[int, ...]:
        return self.verdicts.with_verdict(UNDECIDED)

    @property
    def undecided_by(self) -> tuple[str, ...]:
        """The quantities whose readings leave keys undecided."""
        open_ones = {
            READ_FROM[one.quantity]
            for key in self.verdicts.keys
            if key.verdict == UNDECIDED
            for one in key.judged
            if one.verdict == UNDECIDED
        }
        return tuple(sorted(open_ones))

    def count(self, quantity: str, key: int) -> int:
        """How many readings of the final check stand behind a judged quantity of a key."""
        return len(self.taken.get(key, {}).get(READ_FROM[quantity], ())) or 1

    @property
    def unread(self) -> tuple[int, ...]:
        return self.verdicts.with_verdict(NOT_READ)

    @property
    def why_not(self) -> str:
        """The sentence that says why the set may not leave, "" where the way is free."""
        if not self.closed:
            return _("The final check is not closed yet.")
        if self.worked_since:
            return _("Work was done on the set after its final check: open the check again, or make a new final check.")
        if self.released or self.verdicts.proved:
            return ""
        return _("The final check shows %(what)s. Send the set back, or let it go with a reason.") % {
            "what": self.unproved
        }

    @property
    def unproved(self) -> str:
        """Which keys are not proved: "keys that fail: 12, 57; keys not read: 3"."""
        said = []
        if self.failing:
            said.append(_("keys that fail: %(keys)s") % {"keys": format_keys(self.failing)})
        if self.unread:
            said.append(_("keys not read: %(keys)s") % {"keys": format_keys(self.unread)})
        return "; ".join(said) or _("no key at all")

    @cached_property
    def agreed_lines(self) -> list[Line]:
        """The work that the client said yes to. Asked for by whoever prints it: no gate needs it."""
        return self.job.estimates.agreed_lines()

    @cached_property
    def agreed(self) -> tuple[str, ...]:
        """What the client was promised that the final check shows: level, dip, drop."""
        return agreed_proof(self.agreed_lines)

    @cached_property
    def owed(self) -> Mapping[str, tuple[int, ...]]:
        """What was agreed and not measured in the final check -> the keys it was not measured on."""
        return _owed(self.agreed, self.check, self.rows, self.before.present) if self.check else {}

    @property
    def owed_words(self) -> str:
        return owed_words(self.owed, self.before.present)

    @cached_property
    def dropped(self) -> tuple[int, ...]:
        """The keys that did not fall by their own weight in the final check."""
        return tuple(key for key, row in sorted(self.rows.items()) if row.findings.get(DROP))

    @cached_property
    def worked_after(self) -> tuple[int, ...]:
        """The keys ticked as worked on after they were last read in the final check: what was read is of the key before
        that work. Told, not judged, since a tick may be set late."""
        last = {key: max(one.at for held in read.values() for one in held) for key, read in self.taken.items()}
        ticked = KeyDone.objects.standing().filter(stage__job=self.job).values_list("key", "at")
        return tuple(sorted({key for key, at in ticked if key in last and at > last[key]}))

    @cached_property
    def by_key(self) -> Mapping[int, KeyVerdict]:
        return {one.key: one for one in self.verdicts.keys}

    def earlier(self, quantity: str, key: int) -> int | None:
        """The reading from before the work: of bare wood for a mortise (stripped check first), else as it came in."""
        checks = self.before.checks if quantity.endswith("mortise_width") else tuple(reversed(self.before.checks))
        for check in checks:
            row = self.before.rows[check.pk].get(key)
            if row is not None and getattr(row, quantity) is not None:
                return getattr(row, quantity)
        return None

    def found(self, key: int) -> list[KeyReading]:
        """The rows of a key from before the work, arrival first."""
        rows = (self.before.rows[check.pk].get(key) for check in reversed(self.before.checks))
        return [row for row in rows if row is not None]


def newest_final(job: Job) -> Check | None:
    """The final check that counts: the one begun last."""
    people = ("gauge", "begun_by", "closed_by", "released_by")
    return Check.objects.of_kind(CheckKind.FINAL).filter(job=job).select_related(*people).first()


def proof_of(job: Job) -> Proof:
    """The proof of a set as it stands, in a number of queries that does not grow with the set."""
    before = set_readings(job)
    check = newest_final(job)
    rows = {row.key: row for row in check.keys.all()} if check else {}
    assumed = assumed_at(job, check.closed_at if check else None)
    checks = (*before.checks, *([check] if check else []))
    gauges = _gauges(checks)
    taken, photos = _taken(check, checks)
    scatter = _scatter(taken)
    _average(rows, taken)
    catalogue = dict(Finding.objects.values_list("code", "grade")) if rows else {}
    limits, values, notes, copied = _measured(job, check, rows, before, assumed, gauges)
    unmeasured = tuple(
        limit.quantity
        for limit in final_limits(assumed)
        if limit.quantity not in {one.quantity for one in limits} and limit.quantity not in _WHERE_AGREED
    )
    notes += _remarks(rows, taken, catalogue)
    keys = [
        judge_key(
            key,
            values[key],
            [
                _for_key(limit, check, taken.get(key, {}), scatter, gauges, assumed)
                for limit in limits
                if key in copied or limit.quantity != "skew_copy"
            ],
            left_out=_marked(rows.get(key), SKIPPED),
            differ=_marked(rows.get(key), DIFFER),
            grade=_by_sight(rows.get(key), catalogue),
        )
        for key in before.present
    ]
    return Proof(
        job=job,
        compass=before.compass,
        check=check,
        rows=rows,
        before=before,
        assumed=assumed,
        limits=limits,
        verdicts=judge_set(keys if check else ()),
        notes=tuple(notes),
        copied=copied,
        values=values,
        gauges=gauges,
        taken=taken,
        scatter=scatter,
        unmeasured=unmeasured if check else (),
        unsaid=_unsaid(checks, {**before.rows, **({check.pk: rows} if check else {})}, gauges, photos),
        photos={one: tuple(photos[one.pk].values()) for one in checks if one.pk in photos},
        worked_since=check is not None and check.closed_at is not None and worked_since(job, check.closed_at),
    )


def agreed_proof(lines: Iterable[Line]) -> tuple[str, ...]:
    """What these agreed lines promise that the final check shows, in the order of shop.models.Proves."""
    promised = {slug for line in lines for slug in line.proves}
    return tuple(slug for slug in Proves.values if slug in promised)


def owed_of(check: Check) -> str:
    """Of a final check: what was agreed and is not measured in it, in words; "" for any other check."""
    if check.kind != CheckKind.FINAL:
        return ""
    present = Compass.objects.get(job_id=check.job_id).present
    agreed = agreed_proof(check.job.estimates.agreed_lines())
    return owed_words(_owed(agreed, check, {row.key: row for row in check.keys.all()}, present), present)


def _owed(
    agreed: Iterable[str], check: Check, rows: Mapping[int, KeyReading], present: Sequence[int]
) -> dict[str, tuple[int, ...]]:
    owed: dict[str, tuple[int, ...]] = {}
    for slug in agreed:
        if slug == Proves.DROP:
            keys = () if check.drop_tested else tuple(present)
        else:
            keys = tuple(key for key in present if getattr(rows.get(key), slug, None) is None)
        if keys:
            owed[slug] = keys
    return owed


def owed_words(owed: Mapping[str, Sequence[int]], present: Sequence[int]) -> str:
    """ "level on keys 3, 5; drop test": the keys are named unless they are all."""
    return "; ".join(
        str(Proves(slug).label)
        if len(keys) == len(present)
        else ngettext("%(what)s on key %(keys)s", "%(what)s on keys %(keys)s", len(keys))
        % {"what": Proves(slug).label, "keys": format_keys(keys)}
        for slug, keys in owed.items()
    )


def why_not_proved(job: Job) -> str:
    """ "" when the set may leave, else what stands in its way: no closed check, work done since, keys that fail."""
    return proof_of(job).why_not


def worked_since(job: Job, moment: datetime.datetime) -> bool:
    """Whether a stage of work was finished after that moment."""
    return Stage.objects.filter(job=job, kind__in=_WORKED_ON, finished_at__gt=moment).exists()


# What no reading of the final check shows: that such a finding was put right, the work says or nothing does.
_BY_WORK_ALONE = (FindingGroup.HOLE, FindingGroup.PIN, FindingGroup.STICK, FindingGroup.TOP, FindingGroup.LEAD)


def left_as_found(proof: Proof) -> dict[str, list[int]]:
    """What was found before the work and no work on it is written down -> its keys. A stage where nobody ticked keys
    counts for all of them."""
    rows = KeyDone.objects.standing().filter(stage__job=proof.job).values_list("stage__kind", "key")
    ticked: dict[str, set[int]] = {}
    for kind, key in rows:
        ticked.setdefault(kind, set()).add(key)
    done = {stage.kind for stage in proof.job.stages.all() if stage.state == route.DONE}
    rows_of_list = Finding.objects.filter(group__in=_BY_WORK_ALONE).exclude(group=FindingGroup.STICK, grade=0)
    catalogue = {row.code: row for row in rows_of_list}
    here = proof.before.present

    def open_to(key: int, group: str) -> bool:
        return not any(kind in done and key in ticked.get(kind, here) for kind in stages_for(group))

    found: dict[str, list[int]] = {}
    told = set()
    for key in here:
        worst: dict[str, int] = {}
        for row in proof.found(key):
            worst |= row.findings
        for code in [code for code, severity in worst.items() if severity and code in catalogue]:
            told |= {key} if catalogue[code].group == FindingGroup.STICK else set()
            if open_to(key, catalogue[code].group):
                found.setdefault(catalogue[code].title, []).append(key)
    broken = [key for key in (proof.compass.broken if proof.compass else ()) if key not in told and key in here]
    if rest := [key for key in broken if open_to(key, FindingGroup.STICK)]:
        found[_("Came in broken")] = rest
    return found


# --- limits as they stood -------------------------------------------------------------------------


def assumed_at(job: Job, moment: datetime.datetime | None) -> Assumed:
    """The assumptions that held for a job at a moment; None: those that hold now."""
    rows = {row.job_id: dict(row.values) for row in Assumptions.objects.filter(Q(job=job) | Q(job__isnull=True))}
    shop, own = rows.get(None, {}), rows.get(job.pk, {})
    if moment is not None:
        changes = Event.objects.filter(what="assumptions_changed").filter(Q(job=job) | Q(job__isnull=True))
        told = list(changes.order_by("at", "id").values_list("job_id", "at", "details"))
        shop = _rolled_back(shop, [(at, details) for whose, at, details in told if whose is None], moment)
        own = _rolled_back(own, [(at, details) for whose, at, details in told if whose is not None], moment)
    return effective(shop, own).assumed


def _rolled_back(
    values: Mapping[str, Any], changes: Sequence[tuple[datetime.datetime, Mapping[str, Any]]], moment: datetime.datetime
) -> dict[str, Any]:
    """values without what was changed after the moment: each such name takes what it was given last before it."""
    held = dict(values)
    later = {name for at, details in changes if at > moment for name in details.get("values", {})}
    for name in later:
        before = [details["values"][name] for at, details in changes if at <= moment and name in details["values"]]
        if before and before[-1] is not None:
            held[name] = before[-1]
        else:
            held.pop(name, None)
    return held


# --- what was measured, with what -----------------------------------------------------------------


def _gauges(checks: Sequence[Check]) -> tuple[UsedGauge, ...]:
    """The instruments of these checks, in their order, with what each measured."""
    used: dict[tuple[int, int], set[str]] = {}
    rows = Entry.objects.filter(check_done__in=checks, kind=EntryKind.READING, gauge__isnull=False)
    for check_id, quantity, gauge_id in rows.order_by().values_list("check_done_id", "quantity", "gauge_id").distinct():
        used.setdefault((check_id, gauge_id), set()).add(quantity)
    for check in checks:
        if check.gauge_id is not None and not any(key[0] == check.pk for key in used):
            used[check.pk, check.gauge_id] = set()
    kept = Gauge.objects.in_bulk({gauge_id for _check, gauge_id in used})
    changes = list(
        Event.objects.filter(what="gauge_changed", details__has_key="was")
        .order_by("at", "id")
        .values_list("at", "details")
        if kept
        else ()
    )
    order = {check.pk: place for place, check in enumerate(checks)}
    by_pk = {check.pk: check for check in checks}
    return tuple(
        UsedGauge(
            by_pk[check_id], _gauge_at(kept[gauge_id], by_pk[check_id].closed_at, changes), tuple(sorted(quantities))
        )
        for (check_id, gauge_id), quantities in sorted(used.items(), key=lambda item: (order[item[0][0]], item[0][1]))
    )


def _gauge_at(
    gauge: Gauge, moment: datetime.datetime | None, changes: Sequence[tuple[datetime.datetime, Mapping[str, Any]]]
) -> Gauge:
    """The instrument as it stood at a moment: what the first change after it says it was before."""
    later = (details["was"] for at, details in changes if moment and at > moment and details["gauge"] == gauge.pk)
    was = next(later, None)
    if was is None:
        return gauge
    resolution, error, repeatability_then = was["figures"]
    return Gauge(
        pk=gauge.pk,
        name=gauge.name,
        kind=gauge.kind,
        resolution=resolution,
        error=error,
        repeatability=repeatability_then,
        checked_on=datetime.date.fromisoformat(was["checked_on"]) if was["checked_on"] else None,
    )


def _taken(
    check: Check | None, checks: Sequence[Check]
) -> tuple[dict[int, dict[str, tuple[Taken, ...]]], dict[int, dict[int, float]]]:
    """key -> quantity -> the readings in force of the final check; and check -> key -> u of an angle from a photo."""
    fields = ("op", "check_done_id", "kind", "key", "quantity", "value", "high", "withdraws", "taken_at")
    rows = Entry.objects.filter(
        Q(check_done=check, kind=READING)
        | Q(check_done__in=checks, kind=WITHDRAW)
        | Q(check_done__in=checks, photo_angle__isnull=False)
    )
    found: dict[int, dict[str, list[Taken]]] = {}
    photos: dict[int, dict[int, float]] = {}
    for entry in in_force(rows.select_related("photo_angle").only(*fields, "photo_angle__u")):
        angle = getattr(entry, "photo_angle", None)
        own = angle.u / 1000 if angle else 0.0
        if angle:
            photos.setdefault(entry.check_done_id, {})[entry.key] = own  # type: ignore[attr-defined]
        if check is None or entry.check_done_id != check.pk:  # type: ignore[attr-defined]
            continue
        if entry.high is not None:
            own = (entry.high - (entry.value or 0)) / 2 / math.sqrt(3) / 1000
        one = Taken(reading_value(entry), entry.taken_at, own)
        found.setdefault(entry.key, {}).setdefault(entry.quantity, []).append(one)  # type: ignore[attr-defined]
    return {key: {name: tuple(all_) for name, all_ in held.items()} for key, held in found.items()}, photos


def _scatter(taken: Mapping[int, Mapping[str, Sequence[Taken]]]) -> dict[str, Repeatability]:
    """What the repeats of each quantity show, where there are enough of them."""
    groups: dict[str, list[list[int]]] = {}
    for held in taken.values():
        for quantity, readings in held.items():
            groups.setdefault(quantity, []).append([one.value for one in readings])
    found = {quantity: repeatability(several) for quantity, several in groups.items()}
    return {name: one for name, one in found.items() if one is not None and one.freedom >= FEWEST_REPEATS}


def _average(rows: Mapping[int, KeyReading], taken: Mapping[int, Mapping[str, Sequence[Taken]]]) -> None:
    """Puts the mean where a key was read several times: nobody may read a key until it passes and keep the last. The
    rows are this proof's own and are never saved."""
    for key, held in taken.items():
        for quantity, readings in held.items():
            if key in rows and len(readings) > 1:
                setattr(rows[key], quantity, round(sum(one.value for one in readings) / len(readings)))


def _for_key(
    limit: FinalLimit,
    check: Check | None,
    taken: Mapping[str, Sequence[Taken]],
    scatter: Mapping[str, Repeatability],
    gauges: Sequence[UsedGauge],
    assumed: Assumed,
) -> FinalLimit:
    """The limit with the uncertainty of this key's own readings: less where it was read several times."""
    readings = taken.get(READ_FROM[limit.quantity], ())
    shown = scatter.get(READ_FROM[limit.quantity])
    own = max((one.own for one in readings), default=0.0)
    if check is None or not (own or shown):
        return limit
    used = _own_gauges(limit, check, gauges)
    systematic = max((one.systematic for one in used), default=0.0)
    if limit.quantity in _PIN_OF:
        systematic = math.hypot(systematic, _u_pin(limit, gauges, assumed))
    return replace(
        limit,
        u=uncertainty_of_mean(
            limit.u, shown.sd / 1000 if shown else 0.0, max(len(readings), 1), systematic=systematic, own=own
        ),
    )


def _unsaid(
    checks: Sequence[Check],
    rows: Mapping[int, Mapping[int, KeyReading]],
    gauges: Sequence[UsedGauge],
    photos: Mapping[int, Mapping[int, float]],
) -> tuple[tuple[Check, tuple[str, ...]], ...]:
    """What each check read with an instrument that was not named."""
    out = []
    for check in checks:
        used = [one for one in gauges if one.check.pk == check.pk]
        named = {quantity for one in used for quantity in one.quantities}
        whole = any(not one.quantities for one in used)
        read = {
            name: [key for key, row in rows[check.pk].items() if getattr(row, name) is not None] for name in QUANTITIES
        }
        left = tuple(
            name
            for name, keys in read.items()
            if keys
            and name not in named
            and not (whole and QUANTITIES[name].dimension == LENGTH)
            and not (name == "skew" and set(keys) <= set(photos.get(check.pk, {})))
        )
        if left:
            out.append((check, left))
    return tuple(out)


def _own_gauges(limit: FinalLimit, check: Check, gauges: Iterable[UsedGauge]) -> list[Gauge]:
    """The instruments that a limited quantity was read with in a check."""
    source = READ_FROM[limit.quantity]
    angle = source == "skew"
    return [
        used.gauge
        for used in gauges
        if used.check.pk == check.pk
        and (source in used.quantities or (not used.quantities and not angle))
        and (used.gauge.kind == GaugeKind.BEVEL) is angle
    ]


def _uncertainty(limit: FinalLimit, check: Check, gauges: Iterable[UsedGauge], assumed: Assumed) -> float:
    """The shop's figure for this way of measuring, or the instrument's own where that is larger."""
    instrument = max((gauge.uncertainty for gauge in _own_gauges(limit, check, gauges)), default=0.0)
    if limit.quantity in _PIN_OF:
        instrument = math.hypot(instrument, _u_pin(limit, gauges, assumed))
    return max(limit.u, instrument)


def _u_pin(limit: FinalLimit, gauges: Iterable[UsedGauge], assumed: Assumed) -> float:
    """Of the pin under a clearance: the shop's figure, or that of what pins were read with, in whichever check."""
    pin = _PIN_OF[limit.quantity]
    return max([assumed.u_pin, *(used.gauge.uncertainty for used in gauges if pin in used.quantities)])


def _measured(
    job: Job,
    check: Check | None,
    rows: Mapping[int, KeyReading],
    before: SetReadings,
    assumed: Assumed,
    gauges: Sequence[UsedGauge],
) -> tuple[tuple[FinalLimit, ...], dict[int, dict[str, float | None]], list[str], dict[int, float]]:
    """(limits in force, key -> quantity -> value, notes, key -> angle to copy) of a final check."""
    values: dict[int, dict[str, float | None]] = {key: {} for key in before.present}
    if check is None:
        return (), values, [], {}
    limits: list[FinalLimit] = []
    notes: list[str] = []
    copied: dict[int, float] = {}
    for limit in final_limits(assumed):
        source = READ_FROM[limit.quantity]
        read = {key: getattr(row, source) for key, row in rows.items()}
        if source not in check.quantities and not any(value is not None for value in read.values()):
            continue
        limit = replace(limit, u=_uncertainty(limit, check, gauges, assumed))
        taken_off: Mapping[int, float] = {}
        if limit.quantity in _PIN_OF:
            taken_off, note = _pins(_PIN_OF[limit.quantity], rows, before, assumed)
            notes += [note] if note else []
            if not taken_off:
                continue
        if limit.quantity == "skew_copy":
            copied, own = _to_copy(job, before, assumed)
            if not copied:
                continue
            taken_off = copied
            limit = replace(limit, u=limit.u * math.sqrt(2)) if own else limit
        for key in values:
            value = read.get(key)
            off = taken_off.get(key, 0.0)
            values[key][limit.quantity] = None if value is None else round(value / 1000 - off, 6)
        limits.append(limit)
        if 2 * fit.GUARD * limit.u > limit.high - limit.low:
            notes.append(
                _("%(what)s: the limits lie closer together than the uncertainty lets anybody prove; no key can pass.")
                % {"what": limit_title(limit.quantity)}
            )
    return tuple(limits), values, notes, copied


def _remarks(
    rows: Mapping[int, KeyReading], taken: Mapping[int, Mapping[str, Sequence[Taken]]], catalogue: Mapping[str, int]
) -> list[str]:
    """What a reader must know besides figures: findings that are no part of the grade, readings less certain than
    others."""
    notes = []
    titles = finding_titles() if rows else {}
    seen = [
        _("key %(key)d: %(what)s") % {"key": key, "what": ", ".join(titles.get(code, code) for code in codes)}
        for key, row in sorted(rows.items())
        if (codes := [code for code, severity in row.findings.items() if severity and not catalogue.get(code)])
    ]
    if seen:
        notes.append(
            _("Seen at the final check, and no part of what was judged: %(what)s.") % {"what": "; ".join(seen)}
        )
    if keys := sorted(key for key, held in taken.items() if any(one.own for some in held.values() for one in some)):
        words = _("Read with plug gauges or from photos, and judged with an uncertainty of their own: keys %(keys)s.")
        notes.append(words % {"keys": format_keys(keys)})
    return notes


def _by_sight(row: KeyReading | None, catalogue: Mapping[str, int]) -> int | None:
    """The grade by what was seen: given by hand, else by the findings. Readings have limits of their own here."""
    if row is None or row.grade is None or row.grade_reason:
        return row.grade if row is not None else None
    return worst_grade(row.findings, {}, catalogue)


def _marked(row: KeyReading | None, mark: str) -> set[str]:
    """The limited quantities of a key whose reading bears that mark."""
    again = row.again if row is not None else {}
    return {quantity for quantity, source in READ_FROM.items() if again.get(source) == mark}


def _pins(
    quantity: str, rows: Mapping[int, KeyReading], before: SetReadings, assumed: Assumed
) -> tuple[dict[int, float], str]:
    """key -> the pin in mm: as read in the final check, else as read before, else the set's median, else the shop's
    usual pin (balance rail only); and a sentence where it was not measured on every key."""
    read = {**before.of(quantity)}
    for key, row in rows.items():
        value = getattr(row, quantity)
        if value is not None:
            read[key] = value / 1000
    here = before.present
    if not read:
        if quantity != "balance_pin":
            return {}, _("Clearance at the front bushing: no front pin was measured, so it is not judged.")
        return dict.fromkeys(here, assumed.pin), _(
            "Clearance at the balance bushing: no pin was measured; reckoned with the shop's usual pin."
        )
    usual = median(read.values())
    known = sum(key in read for key in here)
    note = ""
    if known < len(here):
        note = _("%(pins)s were measured on %(count)d of %(keys)d keys; the others take their median.") % {
            "pins": _("Balance pins") if quantity == "balance_pin" else _("Front pins"),
            "count": known,
            "keys": len(here),
        }
    return {key: read.get(key, usual) for key in here}, note


def _to_copy(job: Job, before: SetReadings, assumed: Assumed) -> tuple[dict[int, float], bool]:
    """key -> the angle its new button was to copy, for the keys that were to get one; True where each angle is a
    single reading, because too few were read to find the maker's pattern."""
    keys, why = renewed_keys(job, before)
    angles = before.of("skew")
    if not keys or why != "decided" or not angles:
        return {}, False
    pattern = spec_of(before, keys, mortise_length=1.0, follows=RAIL, assumed=assumed).pattern
    if pattern is None:
        return {key: angles[key] for key in keys if key in angles}, True
    found = {key: _angle(pattern, key, angles.get(key)) for key in keys}
    return {key: angle for key, angle in found.items() if angle is not None}, False


def _angle(pattern: SkewPattern, key: int, own: float | None) -> float | None:
    if pattern.kind == "straight":
        return 0.0
    if pattern.kind == "fan":
        return pattern.intercept + pattern.slope * key
    section = next((part for part in pattern.sections if part.first <= key <= part.last), None)
    return section.angle if section is not None else own


def renewed_keys(job: Job, before: SetReadings) -> tuple[tuple[int, ...], str]:
    """The keys that were to get new buttons: none where no stage of the route makes buttons."""
    if not any(stage.kind == "buttons" and stage.state != route.SKIPPED for stage in job.stages.all()):
        return (), ""
    keys, why = keys_to_cut(job, before)
    return (keys, why) if why == "decided" else ((), "")


def limit_title(quantity: str) -> str:
    """A limited quantity in words."""
    return {
        "side_play": _("Side play"),
        "balance_clearance": _("Clearance, balance bushing"),
        "front_clearance": _("Clearance, front bushing"),
        "dip": _("Key dip"),
        "level": _("Level"),
        "skew_copy": _("Skew, off the angle copied"),
    }[quantity]


def place_words(limit: FinalLimit) -> str:
    """Where a limited quantity is measured: "at the fingertip, key up"."""
    place = {
        "fingertip": _("at the fingertip"),
        "bushing": _("at the bushing"),
        "key": _("at the key"),
    }.get(limit.place, limit.place)
    key = {"up": _("key up"), "down": _("key down")}.get(limit.key, "")
    return ", ".join(part for part in (place, key) if part)

"""Rows -> how far the keys of a stage are: which belong to it, which are done, which must be done again, by whom."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from keyboards.advising import failing_keys
from keyboards.core import choice
from keyboards.core.errors import MeasurementError
from keyboards.core.keys import format_keys
from keyboards.core.redo import LOOSE, TIGHT, Fault, stage_to_redo
from keyboards.core.verdicts import FAIL, KeyVerdict
from keyboards.models import Compass, Decision, Finding, KeyDone, KeyReading
from keyboards.proving import Proof, newest_final, proof_of
from keyboards.specifying import assumed_then, decided, keys_to_cut, set_readings
from shop.core import route
from shop.models import Job, MaterialKind, Stage, Unit, Use

# The stages whose work is done key by key.
KEY_BY_KEY = ("strip", "repairs", "buttons", "pins", "leads", "cloth", "tops", "ease")
_WOOD_DAMAGED = 2


@dataclass(frozen=True)
class KeyState:
    """One key at a stage: whether it belongs to it, is done (by whom, when), or must be done again."""

    number: int
    name: str
    sharp: bool
    missing: bool
    wanted: bool
    done: bool
    again: bool
    words: str


@dataclass(frozen=True)
class Redo:
    """What a final check sends back: key -> the stage it goes back to, and when that was found."""

    stages: Mapping[int, str]
    found_at: datetime.datetime | None

    def keys_at(self, kind: str) -> list[int]:
        return sorted(key for key, slug in self.stages.items() if slug == kind)

    @property
    def by_stage(self) -> list[tuple[str, list[int]]]:
        """(stage, its keys) in the order of the route."""
        kinds = sorted({kind for kind in self.stages.values() if kind}, key=lambda kind: route.KINDS[kind].order)
        return [(kind, self.keys_at(kind)) for kind in kinds]


@dataclass(frozen=True)
class Progress:
    """How far a stage is. wanted and done count the keys that its work is for; after a final check that sent keys back
    to it, those keys alone (again: the ones not done since)."""

    stage: Stage
    keys: tuple[KeyState, ...]
    hands: tuple[str, ...]

    @property
    def wanted(self) -> int:
        return sum(key.wanted for key in self.keys)

    @property
    def done(self) -> int:
        return sum(key.done and key.wanted for key in self.keys)

    @property
    def again(self) -> str:
        return format_keys([key.number for key in self.keys if key.again])

    @property
    def part(self) -> str:
        """The keys its work is for, where that is not every key of the set."""
        wanted = [key.number for key in self.keys if key.wanted]
        return format_keys(wanted) if len(wanted) < sum(not key.missing for key in self.keys) else ""

    @property
    def shown(self) -> str:
        return " ".join(str(key.number) for key in self.keys if key.done)


def progress_of(stage: Stage, redo: Redo | None = None) -> Progress | None:
    """Of a stage whose work is done key by key; None for any other, and for a set whose keys are not written down.

    redo: redo_of(job), where the caller has it already.
    """
    compass = Compass.objects.filter(job=stage.job).first()
    if stage.kind not in KEY_BY_KEY or compass is None:
        return None
    rows = {row.key: row for row in KeyDone.objects.standing().filter(stage=stage).select_related("by")}
    redo = redo_of(stage.job) if redo is None else redo
    failed = set(redo.keys_at(stage.kind))
    wanted = failed or set(keys_wanted(stage, compass.present))
    missing = set(compass.missing)
    keys = []
    for number in compass.keys.keys:
        row = rows.get(number)
        again = number in failed and (row is None or redo.found_at is None or row.at < redo.found_at)
        words = ""
        if row is not None:
            words = f"{row.by.short_name}, {date_format(timezone.localtime(row.at), 'SHORT_DATETIME_FORMAT')}"
        keys.append(
            KeyState(
                number=number,
                name=compass.keys.name(number),
                sharp=compass.keys.is_sharp(number),
                missing=number in missing,
                wanted=number in wanted,
                done=row is not None and not again,
                again=again,
                words=words,
            )
        )
    return Progress(stage, tuple(keys), hands_of(list(rows.values())))


def hands_of(rows: Sequence[KeyDone]) -> tuple[str, ...]:
    """Who did which keys: "T. Hale: keys 1–52"."""
    by_person: dict[str, list[int]] = {}
    for row in sorted(rows, key=lambda row: row.key):
        by_person.setdefault(row.by.short_name, []).append(row.key)
    words = _("%(person)s: keys %(keys)s")
    return tuple(words % {"person": name, "keys": format_keys(keys)} for name, keys in by_person.items())


def keys_wanted(stage: Stage, present: list[int]) -> set[int]:
    """The keys that a stage's work is for: those decided for buttons, those with damaged wood for repairs, for
    stripping those that keep their button where no more were agreed, else all."""
    if stage.kind not in ("strip", "buttons", "repairs"):
        return set(present)
    readings = set_readings(stage.job)
    buttons, why = keys_to_cut(stage.job, readings)
    if stage.kind == "strip":
        kept = set(present) - set(buttons)
        return kept if _agreed_keys(stage) == len(kept) else set(present)
    if stage.kind == "buttons":
        return set(buttons)
    wanted = {key for key, grade in readings.grades.items() if grade >= _WOOD_DAMAGED}
    decision = Decision.objects.filter(job=stage.job).first()
    if decision is not None and (lined := decided(decision, choice.RECLOTHE_WITH_REPAIRS) & set(present)):
        # Lining is priced for mortises too wide for every cloth as well, torn or not.
        wanted |= lined & failing_keys(stage.job, assumed_then(decision))
    return (wanted - set(buttons) if why == "decided" else wanted) or set(present)


def _agreed_keys(stage: Stage) -> int:
    """How many keys the client agreed to at a stage."""
    lines = stage.job.estimates.agreed_lines()
    return int(sum(line.quantity for line in lines if line.stage == stage.kind and line.unit == Unit.KEY))


def without_cloth(stage: Stage) -> str:
    """A sentence that names the keys of a stage of cloth that no cloth is written down for; "" where there are none, or
    where it is said in words that name no keys."""
    compass = Compass.objects.filter(job=stage.job).first()
    if stage.kind != "cloth" or compass is None or stage.reason:  # sent back: it was asked the first time
        return ""
    left = set(keys_wanted(stage, compass.present))
    uses = Use.objects.filter(job=stage.job, lot__material__kind=MaterialKind.CLOTH)
    for where in uses.values_list("where", flat=True):
        try:
            left -= set(compass.keys.parse(where))
        except MeasurementError:  # nothing: it lies in every key; or "the treble"
            return ""
    if not left:
        return ""
    return _("No cloth with its lot is written down for keys %(keys)s.") % {"keys": format_keys(left)}


def redo_of(job: Job) -> Redo:
    """Which keys the newest closed final check sends back, and to which stage of work."""
    check = newest_final(job)
    if check is None or check.closed_at is None:
        return Redo({}, None)
    proof = proof_of(job)
    kinds = [
        row.kind
        for row in job.stages.all()
        if row.kind in route.WORK and row.kind != "stripped_check" and row.state != route.SKIPPED
    ]
    failing = [one for one in proof.verdicts.keys if one.verdict == FAIL]
    groups = dict(Finding.objects.values_list("code", "group")) if failing else {}
    return Redo(
        {one.key: stage_to_redo(_faults(one, proof.rows.get(one.key), groups), kinds) for one in failing},
        check.closed_at,
    )


def put_right(proof: Proof) -> tuple[int, ...]:
    """The keys that are known to have been worked on since the final check was closed: those it failed and those ticked
    since. None where no work was finished since."""
    if not proof.worked_since or proof.check is None:
        return ()
    since = proof.check.closed_at
    ticked = KeyDone.objects.standing().filter(stage__job=proof.job, at__gt=since).values_list("key", flat=True)
    return tuple(sorted({*proof.failing, *ticked} & set(proof.before.present)))


def _faults(verdict: KeyVerdict, row: KeyReading | None, groups: Mapping[str, str]) -> list[Fault]:
    faults = []
    for one in verdict.judged:
        if one.verdict == FAIL and one.value is not None:
            faults.append(Fault(one.quantity, TIGHT if one.value < (one.limit.low + one.limit.high) / 2 else LOOSE))
    if verdict.seen and row is not None:
        seen = [code for code, severity in row.findings.items() if severity and code in groups]
        faults += [Fault(code, group=groups[code]) for code in seen]
    return faults


def recount(job: Job) -> None:
    """Brings the counts that lists show in line: of stages where keys were ticked, or sent back."""
    redo = redo_of(job)
    for stage in job.stages.all():
        if stage.kind not in KEY_BY_KEY or (stage.keys_done is None and not redo.keys_at(stage.kind)):
            continue
        stage.job = job
        progress = progress_of(stage, redo)
        if progress is not None and (stage.keys_done, stage.keys_wanted) != (progress.done, progress.wanted):
            stage.keys_done, stage.keys_wanted = progress.done, progress.wanted
            stage.save(update_fields=["keys_done", "keys_wanted"])


def keys_worked(stage: Stage) -> int | None:
    """How many keys that a stage's work is for were ever done at it; None where nobody ticked any."""
    rows = set(KeyDone.objects.standing().filter(stage=stage).values_list("key", flat=True))
    compass = Compass.objects.filter(job=stage.job).first()
    if not rows or compass is None:
        return None
    return len(rows & keys_wanted(stage, compass.present))

"""Entries of a check: stored as they come, each once, and folded into what holds for each key, in one transaction."""

import dataclasses
import datetime
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.core import entries as rules
from keyboards.core.entries import KeyState, Operation, Problem
from keyboards.core.grading import key_grade, standing_grade
from keyboards.core.quantities import ANGLE, LENGTH, QUANTITIES
from keyboards.models import Check, CheckKind, Compass, Entry, Finding, Gauge, GaugeKind, KeyReading
from keyboards.words import sentence
from shop.models import Job, Person
from shop.workflow.refusal import Refused

# A mortise is bare wood, or measured past its old cloth, in these; with new cloth in, its gap may be as narrow
# as the pin, and that a key binds is just what a final check has to be able to say.
BARE = (CheckKind.ARRIVAL, CheckKind.STRIPPED)


class CheckClosed(Refused):
    """The check takes no more entries."""


@dataclass(frozen=True)
class Refusal:
    """One operation that was not kept. index is its place in what was sent; op is what it called itself, if at all."""

    index: int
    op: str | None
    reason: str
    why: str


@dataclass(frozen=True)
class Result:
    """kept: ops as text, each once; refused: the others; keys: the row of each key that was named, as it stands."""

    kept: tuple[str, ...]
    refused: tuple[Refusal, ...]
    keys: Mapping[int, KeyReading]


def entries_apply(
    check: Check, operations: Sequence[object], *, by: Person, at: datetime.datetime | None = None
) -> Result:
    """Keeps a batch of operations as tablets send them (dictionaries). A bad one refuses itself only.

    Sent again under the same op with the same contents, an operation is kept again and stored once. Raises
    CheckClosed when the check is closed.
    """
    at = at or timezone.now()
    try:
        return _Batch(check, by=by, at=at).keep_sent(operations)
    except IntegrityError:  # an op that is there already: of another key or check, or come at the same moment
        return _Batch(check, by=by, at=at, ops_anywhere=True).keep_sent(operations)


def entries_write(
    check: Check,
    changes: Sequence[Mapping[str, Any]],
    *,
    by: Person,
    at: datetime.datetime | None = None,
    taken_at: datetime.datetime | None = None,
    all_or_none: bool = False,
    trial: bool = False,
) -> Result:
    """Keeps what a person typed on a page: the same dictionaries without op and taken_at, in the order typed.

    What a page shows is what the person saw, so a reading typed here is a correction: readings of the quantity that
    were in force are withdrawn; {"kind": "clear", "key", "quantity"} withdraws them without a new one. What says
    nothing new stores nothing. taken_at: when it was read, where that is not now. all_or_none: with one refusal nothing
    is kept. trial: nothing is kept anyway, only the refusals are told.
    """
    at = at or timezone.now()
    return _Batch(check, by=by, at=at).keep_typed(
        changes, taken_at=taken_at or at, all_or_none=all_or_none, trial=trial
    )


class _Batch:
    """One batch on its way in: what is known of the check, what is stored already, what is new."""

    def __init__(self, check: Check, *, by: Person, at: datetime.datetime, ops_anywhere: bool = False):
        self.check_id, self.by, self.at, self.ops_anywhere = check.pk, by, at, ops_anywhere
        self.refused: list[Refusal] = []
        self.kept: dict[str, None] = {}
        self.new: list[Entry] = []
        self.stored: dict[uuid.UUID, Entry] = {}
        self.of_key: dict[int, list[Entry]] = {}
        self._grades: dict[str, int] | None = None
        self._gauges: dict[int, Gauge] | None = None
        self._typical: dict[str, int | None] = {}

    @transaction.atomic
    def keep_sent(self, raws: Sequence[object]) -> Result:
        """As tablets send them: by the moment they were taken, whatever order they come in."""
        self._open()
        read = self._read(raws, rules.KINDS)
        self._load([operation for _index, operation in read])
        for index, operation in sorted(read, key=lambda pair: (pair[1].taken_at, pair[1].op)):
            known = self.stored.get(operation.op)
            if known is None:
                self._keep(index, operation)
            elif known.digest == operation.digest and known.check_done_id == self.check_id:
                self.kept[str(operation.op)] = None
            else:
                self._refuse(index, operation, Problem("other_contents"))
        return self._write()

    @transaction.atomic
    def keep_typed(
        self, changes: Sequence[Mapping[str, Any]], *, taken_at: datetime.datetime, all_or_none: bool, trial: bool
    ) -> Result:
        """As a page sends them: in order, each the last word on what it changes."""
        self._open()
        taken = taken_at.isoformat()
        raws = [{**change, "op": str(uuid.uuid4()), "taken_at": taken} for change in changes]
        read = self._read(raws, (*rules.KINDS, rules.CLEAR))
        self._load([operation for _index, operation in read])
        for index, operation in read:
            self._keep_typed(index, operation)
        # A pin or a mortise that a later line put right stands against no line above it.
        early = {refusal.index for refusal in self.refused if refusal.reason == rules.PIN_DOES_NOT_ENTER}
        if early:
            self.refused = [refusal for refusal in self.refused if refusal.index not in early]
            self._typical.clear()
            for index, operation in read:
                if index in early:
                    self._keep_typed(index, operation)
        if trial or (all_or_none and self.refused):
            return Result((), self._refusals(), {})
        return self._write()

    def _write(self) -> Result:
        Entry.objects.bulk_create(self.new)
        touched = sorted({entry.key for entry in self.new})
        rows = {key: self._row(key) for key in sorted(self.of_key)}
        if touched:
            written = [rows[key] for key in touched]
            _upsert(written)
            _bring_grades_up_to_date(self.job, written)
        return Result(tuple(self.kept), self._refusals(), rows)

    def _refusals(self) -> tuple[Refusal, ...]:
        return tuple(sorted(self.refused, key=lambda refusal: refusal.index))

    # --- what is there ---

    def _open(self) -> None:
        # Locks the check against closing meanwhile, and the job for its row of grades (SQLite locks the file).
        rows = Check.objects.select_for_update(of=("self", "job")).select_related("job__compass", "gauge")
        rows = rows.only("kind", "closed_at", "job__grades", "job__compass__count", "job__compass__missing", "gauge")
        self.check = rows.get(pk=self.check_id)
        self.job: Job = self.check.job
        if self.check.is_closed:
            raise CheckClosed(_("This check is closed. Open it again to change a reading."))
        compass: Compass | None = getattr(self.job, "compass", None)
        if compass is None:
            raise Refused(_("Write down first which keys this set has."))
        self.count, self.missing = compass.count, frozenset(compass.missing)

    def _read(self, raws: Sequence[object], kinds: Sequence[str]) -> list[tuple[int, Operation]]:
        read = []
        for index, raw in enumerate(raws):
            operation = rules.read_operation(raw, count=self.count, missing=self.missing, now=self.at, kinds=kinds)
            if isinstance(operation, Problem):
                self._refuse(index, raw, operation)
            else:
                read.append((index, operation))
        return read

    def _load(self, operations: list[Operation]) -> None:
        """Everything of the touched keys, and what bears an op that is withdrawn; whatever else bears one of the ops
        only where the table has said that it does: one query."""
        keys = {operation.key for operation in operations}
        ops = {operation.withdraws for operation in operations if operation.withdraws}
        if self.ops_anywhere:
            ops |= {operation.op for operation in operations}
        self.of_key = {key: [] for key in keys}
        if not operations:
            return
        wanted = Q(check_done_id=self.check_id, key__in=keys)
        for entry in Entry.objects.filter(wanted | Q(op__in=ops) if ops else wanted):
            self._remember(entry)

    def _remember(self, entry: Entry) -> None:
        self.stored[entry.op] = entry
        if entry.check_done_id == self.check_id:
            self.of_key.setdefault(entry.key, []).append(entry)

    def grades(self) -> dict[str, int]:
        """The shop's list of findings: code -> grade."""
        if self._grades is None:
            self._grades = dict(Finding.objects.values_list("code", "grade"))
        return self._grades

    def gauges(self) -> dict[int, Gauge]:
        if self._gauges is None:
            self._gauges = Gauge.objects.in_bulk()
        return self._gauges

    def uncertainty(self, quantity: str, gauge_id: int | None) -> float:
        """Of one reading, in canonical integers: the instrument's, where it measures this kind of quantity."""
        own = self.check.gauge
        gauge = own if own is not None and own.pk == gauge_id else self.gauges().get(gauge_id) if gauge_id else None
        if gauge is None or not measures(gauge, quantity):
            return rules.UNCERTAINTY[QUANTITIES[quantity].dimension]
        return gauge.uncertainty * 1000

    def _state(self, key: int) -> KeyState:
        return rules.current_state(self.of_key.get(key, ()), uncertainty=self.uncertainty)

    # --- one operation ---

    def _keep(self, index: int, operation: Operation) -> None:
        if problem := self._problem(operation):
            self._refuse(index, operation, problem)
            return
        self._add(operation)
        self.kept[str(operation.op)] = None

    def _keep_typed(self, index: int, operation: Operation) -> None:
        if problem := self._problem(operation):
            self._refuse(index, operation, problem)
            return
        operation = self._last_word(operation)
        state = self._state(operation.key)
        if _says_nothing_new(operation, state):
            return
        if operation.kind in (rules.READING, rules.CLEAR):
            for reading in state.readings.get(operation.quantity, ()):
                self._add(
                    Operation(uuid.uuid4(), rules.WITHDRAW, operation.key, operation.taken_at, withdraws=reading.op)
                )
        if operation.kind != rules.CLEAR:
            self._add(operation)
            self.kept[str(operation.op)] = None

    def _problem(self, operation: Operation) -> Problem | None:
        if operation.kind == rules.FINDING and operation.finding not in self.grades():
            return Problem("unknown_finding")
        if operation.gauge_id is not None and operation.gauge_id not in self.gauges():
            return Problem("unknown_instrument")
        if operation.withdraws is not None:
            target = self.stored.get(operation.withdraws)
            # One not seen yet may still be on its way from another tablet.
            if target is not None and (
                target.check_done_id != self.check_id or target.key != operation.key or target.kind == rules.WITHDRAW
            ):
                return Problem("not_to_withdraw")
        if operation.kind == rules.READING and self.check.kind in BARE:
            quantity, values = operation.quantity, self._state(operation.key).values
            if quantity in rules.PIN_OF or quantity in rules.MORTISE_OF:
                pin = rules.PIN_OF.get(quantity)
                typical = self._typical_pin(pin) if pin and pin not in values else None
                return rules.misfit_of_pin(quantity, rules.reading_value(operation), values, typical)
        return None

    def _typical_pin(self, pin: str) -> int | None:
        """The median of the pins read so far in this check, those of this batch among them."""
        if pin not in self._typical:
            read = KeyReading.objects.filter(check_done_id=self.check_id).values_list("key", pin)
            pins = [value for key, value in read if value is not None and key not in self.of_key]
            pins += [values[pin] for values in (self._state(key).values for key in self.of_key) if pin in values]
            self._typical[pin] = rules.typical_pin(pins)
        return self._typical[pin]

    def _last_word(self, operation: Operation) -> Operation:
        """What is typed on a page now stands above what is there, even from a tablet whose clock is ahead."""
        moments = [entry.taken_at for entry in self.of_key.get(operation.key, ())]
        after = max(moments, default=operation.taken_at) + datetime.timedelta(microseconds=1)
        return dataclasses.replace(operation, taken_at=max(operation.taken_at, after))

    def _add(self, operation: Operation) -> None:
        gauge_id = operation.gauge_id
        own = self.check.gauge
        if operation.kind == rules.READING and gauge_id is None and own and measures(own, operation.quantity):
            gauge_id = own.pk
        entry = Entry(
            op=operation.op,
            check_done=self.check,
            seq=operation.seq,
            kind=operation.kind,
            key=operation.key,
            quantity=operation.quantity,
            value=operation.value,
            high=operation.high,
            typed=operation.typed,
            unit=operation.unit,
            finding=operation.finding,
            text=operation.text,
            withdraws=operation.withdraws,
            gauge_id=gauge_id,
            by=self.by,
            taken_at=operation.taken_at,
            received_at=self.at,
            digest=operation.digest,
        )
        self.new.append(entry)
        self._remember(entry)

    def _refuse(self, index: int, raw: object, problem: Problem) -> None:
        op = str(raw.op) if isinstance(raw, Operation) else raw.get("op") if isinstance(raw, Mapping) else None
        named = rules.printable(op[:64]) if isinstance(op, str) else None
        self.refused.append(Refusal(index, named, problem.reason, sentence(problem, self.by.units)))

    # --- what holds now ---

    def _row(self, key: int) -> KeyReading:
        state = self._state(key)
        grades = self.grades() if state.findings else {}
        return KeyReading(
            check_done=self.check,
            key=key,
            **{quantity: state.values.get(quantity) for quantity in QUANTITIES},
            findings=dict(state.findings),
            again=dict(state.again),
            note=state.note,
            grade=key_grade(state, grades),
            grade_reason=state.grade_reason,
        )


def measures(gauge: Gauge, quantity: str) -> bool:
    """Whether the instrument is one for this kind of quantity: a bevel for angles, all others for lengths."""
    return QUANTITIES[quantity].dimension == (ANGLE if gauge.kind == GaugeKind.BEVEL else LENGTH)


def _says_nothing_new(operation: Operation, state: KeyState) -> bool:
    if operation.kind == rules.READING:
        settled = state.again.get(operation.quantity) != rules.DIFFER
        return settled and state.values.get(operation.quantity) == rules.reading_value(operation)
    if operation.kind == rules.FINDING:
        return state.looked and state.findings.get(operation.finding, 0) == operation.value
    if operation.kind == rules.NOTE:
        return state.note == operation.text
    if operation.kind == rules.GRADE:
        return state.grade_given == operation.value and state.grade_reason == operation.text
    return False


_COLUMNS = [*QUANTITIES, "findings", "again", "note", "grade", "grade_reason"]


def _upsert(rows: list[KeyReading]) -> None:
    KeyReading.objects.bulk_create(
        rows, update_conflicts=True, unique_fields=["check_done", "key"], update_fields=_COLUMNS
    )


def _bring_grades_up_to_date(job: Job, rows: Iterable[KeyReading]) -> None:
    """The small column for lists: of each key the grade of the newest check that has one.

    A key whose sign is the row's grade already keeps it: the row's check is the newest, or the newest says the same."""
    signs = list(job.grades)
    keys = [row.key for row in rows if row.key <= len(signs) and signs[row.key - 1] not in ("-", _sign(row.grade))]
    if not keys:
        return
    graded = KeyReading.objects.filter(check_done__job=job, key__in=keys, grade__isnull=False)
    told = graded.order_by("check_done__begun_at", "check_done_id")
    newest: dict[int, int | None] = {}
    for key, grade, kind, reason in told.values_list("key", "grade", "check_done__kind", "grade_reason"):
        bare = kind == CheckKind.STRIPPED
        newest[key] = standing_grade(newest.get(key), grade, by_hand=bool(reason)) if bare else grade
    for key in keys:
        signs[key - 1] = _sign(newest.get(key))
    if (grades := "".join(signs)) != job.grades:
        job.grades = grades
        job.save(update_fields=["grades"])


def _sign(grade: int | None) -> str:
    return "." if grade is None else str(grade)

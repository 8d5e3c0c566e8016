"""Entries: one thing entered on one key, as it comes over the wire, and what holds for a key once all are in.

Two steps, both without a database. `read_operation` turns one hostile dictionary into an Operation or a Problem.
`current_state` folds any heap of entries of one key, in any order and with any repetition, into what holds now.

Values are canonical integers (keyboards/core/quantities.py). A Problem is a reason and its numbers; the sentence
for a person is made where language is known.
"""

import datetime
import hashlib
import json
import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Protocol
from uuid import UUID

from keyboards.core.errors import MeasurementError
from keyboards.core.quantities import ANGLE, LENGTH, QUANTITIES, WEIGHT, parse_number, show, units_for

READING = "reading"
FINDING = "finding"
NOTE = "note"
SKIP = "skip"
WITHDRAW = "withdraw"
GRADE = "grade"
KINDS = (READING, FINDING, NOTE, SKIP, WITHDRAW, GRADE)
# An emptied cell of a page: it becomes withdrawals of the readings it showed. Not taken over the wire.
CLEAR = "clear"

MOST_SEVERE = 3
WORST_GRADE = 3
LONGEST_NOTE = 2000
LONGEST_WORD = 200
LONGEST_NUMBER = 20
CLOCK_AHEAD = datetime.timedelta(days=1)

# Marks of a quantity that is to be measured again, or was left out on purpose (KeyReading.again).
DIFFER = "differ"
SKIPPED = "skip"

# A reading of the first must be wider than the second, or the pin would not enter.
PIN_OF = {"balance_mortise_width": "balance_pin", "front_mortise_width": "front_pin"}
MORTISE_OF = {pin: mortise for mortise, pin in PIN_OF.items()}

# Standard uncertainty where no instrument is named, in canonical integers: 0.03 mm is a caliper in torn wood
# (calculations, part A), 0.3 degrees and 1 g are estimates.
UNCERTAINTY = {LENGTH: 30.0, ANGLE: 300.0, WEIGHT: 1000.0}
COVERAGE = 2.0  # two readings differ when they lie further apart than 2 u of their difference (JCGM 100, 6.2)

_UUID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")
_INTERVAL = re.compile(r"([^.–]*(?:[.][^.–]+)?)(?:\.\.|–)(.+)")
_CODE = re.compile(r"[-a-zA-Z0-9_]{1,40}")
_FIRST_MOMENT = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
_LARGEST_SEQ = 2**63 - 1


@dataclass(frozen=True, slots=True)
class Problem:
    """Why an operation is not kept: a reason (a slug) and the words or numbers its sentence needs."""

    reason: str
    numbers: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation, checked. value is a reading, a severity or a grade (None: no grade by hand any more);
    high is the smallest plug gauge that does not enter, value then the largest that does."""

    op: UUID
    kind: str
    key: int
    taken_at: datetime.datetime
    seq: int = 0
    quantity: str = ""
    value: int | None = None
    high: int | None = None
    typed: str = ""
    unit: str = ""
    finding: str = ""
    text: str = ""
    withdraws: UUID | None = None
    gauge_id: int | None = None

    @property
    def digest(self) -> str:
        """Of the contents, to tell an operation sent twice from another one under the same op: 64 hex digits."""
        contents = [
            self.kind,
            self.key,
            self.taken_at.astimezone(datetime.UTC).isoformat(timespec="microseconds"),
            self.quantity,
            self.value,
            self.high,
            self.typed,
            self.unit,
            self.finding,
            self.text,
            str(self.withdraws or ""),
            self.gauge_id,
        ]
        return hashlib.sha256(json.dumps(contents, ensure_ascii=True).encode()).hexdigest()


class EntryLike(Protocol):
    """What the fold reads of an entry: an Operation has it, and so has a row of the database."""

    @property
    def op(self) -> UUID: ...
    @property
    def kind(self) -> str: ...
    @property
    def quantity(self) -> str: ...
    @property
    def value(self) -> int | None: ...
    @property
    def high(self) -> int | None: ...
    @property
    def finding(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def withdraws(self) -> UUID | None: ...
    @property
    def gauge_id(self) -> int | None: ...
    @property
    def taken_at(self) -> datetime.datetime: ...


class _Bad(Exception):  # noqa: N818  (carries a Problem out of the reading of one dictionary)
    def __init__(self, reason: str, **numbers: object):
        super().__init__(reason)
        self.problem = Problem(reason, numbers)


# --- one dictionary from the wire ---------------------------------------------------------------


def read_operation(
    raw: object,
    *,
    count: int,
    missing: Collection[int] = (),
    now: datetime.datetime,
    kinds: Collection[str] = KINDS,
) -> Operation | Problem:
    """One operation as it was sent, or why it cannot be kept.

    count and missing: the keys of the set. now: the server's clock; a tablet whose clock is more than a day ahead
    is refused, since its entries would stand above all others for as long. Whether the finding, the instrument or
    the withdrawn entry exist is for the caller, who has the rows.
    """
    try:
        return _operation(raw, count=count, missing=missing, now=now, kinds=kinds)
    except _Bad as bad:
        return bad.problem


def _operation(
    raw: object, *, count: int, missing: Collection[int], now: datetime.datetime, kinds: Collection[str]
) -> Operation:
    if not isinstance(raw, dict):
        raise _Bad("not_an_object")
    op = _uuid(raw.get("op"), "op")
    kind = raw.get("kind")
    if not isinstance(kind, str) or kind not in kinds:
        raise _Bad("unknown_kind")
    key = raw.get("key")
    if isinstance(key, bool) or not isinstance(key, int):
        raise _Bad("key_not_whole")
    if not 1 <= key <= count:
        raise _Bad("no_such_key", key=key if abs(key) < 10_000 else "?", count=count)
    if key in missing:
        raise _Bad("key_missing", key=key)
    common = {"op": op, "kind": kind, "key": key, "taken_at": _moment(raw, now), "seq": _seq(raw)}
    return Operation(**common, **_CONTENTS[kind](raw))  # type: ignore[arg-type]


def interval_of(text: str, unit: str) -> tuple[int, int | None]:
    """The reading as it was typed: (value, None), or of a plug gauge on one line, 5.60..5.65, (enters, does not).
    MeasurementError for what is no number."""
    both = _INTERVAL.fullmatch(text.strip())
    if both is None:
        return parse_number(text, unit), None
    return parse_number(both[1], unit), parse_number(both[2], unit)


def _reading(raw: Mapping[str, object]) -> dict[str, object]:
    quantity, unit = _quantity(raw), raw.get("unit")
    if not isinstance(unit, str) or unit not in units_for(quantity):
        raise _Bad("unit_does_not_fit", units=" / ".join(units_for(quantity)))
    low, above = raw.get("value"), raw.get("high")
    if above is None and isinstance(low, str) and (both := _INTERVAL.fullmatch(low.strip())):
        low, above = both[1], both[2]  # a plug gauge on one line: 5.60..5.65
    value, typed = _value(quantity, low, unit)
    high = None
    if above is not None:
        high, typed_high = _value(quantity, above, unit)
        if high <= value:
            raise _Bad("gauge_order", low=typed, high=typed_high)
        typed = f"{typed}..{typed_high}"
    gauge = raw.get("instrument")
    if gauge is not None and (isinstance(gauge, bool) or not isinstance(gauge, int) or not 0 < gauge < 2**63):
        raise _Bad("unknown_instrument")
    return {"quantity": quantity, "value": value, "high": high, "typed": typed, "unit": unit, "gauge_id": gauge}


def _finding(raw: Mapping[str, object]) -> dict[str, object]:
    code = raw.get("finding")
    if not isinstance(code, str) or not _CODE.fullmatch(code):
        raise _Bad("unknown_finding")
    severity = raw.get("severity")
    if isinstance(severity, bool) or not isinstance(severity, int) or not 0 <= severity <= MOST_SEVERE:
        raise _Bad("severity_0_to_3")
    return {"finding": code, "value": severity}


def _note(raw: Mapping[str, object]) -> dict[str, object]:
    return {"text": _text(raw, "text", LONGEST_NOTE)}


def _skip(raw: Mapping[str, object]) -> dict[str, object]:
    return {"quantity": _quantity(raw), "text": _text(raw, "why", LONGEST_WORD)}


def _withdraw(raw: Mapping[str, object]) -> dict[str, object]:
    return {"withdraws": _uuid(raw.get("of"), "of")}


def _clear(raw: Mapping[str, object]) -> dict[str, object]:
    return {"quantity": _quantity(raw)}


def _grade(raw: Mapping[str, object]) -> dict[str, object]:
    grade = raw.get("grade")
    word = _text(raw, "text", LONGEST_WORD).strip()
    if grade is None:  # back to what the findings say
        return {"value": None, "text": word}
    if isinstance(grade, bool) or not isinstance(grade, int) or not 0 <= grade <= WORST_GRADE:
        raise _Bad("grade_0_to_3")
    if not word:
        raise _Bad("grade_needs_a_word")
    return {"value": grade, "text": word}


_CONTENTS: dict[str, Callable[[Mapping[str, object]], dict[str, object]]] = {
    READING: _reading,
    FINDING: _finding,
    NOTE: _note,
    SKIP: _skip,
    WITHDRAW: _withdraw,
    GRADE: _grade,
    CLEAR: _clear,
}


def _uuid(value: object, name: str) -> UUID:
    if not isinstance(value, str) or not _UUID.fullmatch(value):
        raise _Bad(f"{name}_not_a_uuid")
    return UUID(value)


def _seq(raw: Mapping[str, object]) -> int:
    seq = raw.get("seq", 0)
    if isinstance(seq, bool) or not isinstance(seq, int) or not 0 <= seq <= _LARGEST_SEQ:
        raise _Bad("seq_not_whole")
    return seq


def _moment(raw: Mapping[str, object], now: datetime.datetime) -> datetime.datetime:
    text = raw.get("taken_at")
    if not isinstance(text, str) or len(text) > 40 or not text.isascii():
        raise _Bad("taken_at_not_a_moment")
    try:
        moment = datetime.datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise _Bad("taken_at_not_a_moment")
        moment = moment.astimezone(datetime.UTC)
    except (ValueError, OverflowError):
        raise _Bad("taken_at_not_a_moment") from None
    if moment < _FIRST_MOMENT:
        raise _Bad("taken_at_not_a_moment")
    if moment > now + CLOCK_AHEAD:
        raise _Bad("clock_ahead")
    return moment


def _quantity(raw: Mapping[str, object]) -> str:
    quantity = raw.get("quantity")
    if not isinstance(quantity, str) or quantity not in QUANTITIES:
        raise _Bad("unknown_quantity")
    return quantity


def _value(quantity: str, text: object, unit: str) -> tuple[int, str]:
    if not isinstance(text, str):
        raise _Bad("value_not_text")
    typed = text.strip()
    if len(typed) > LONGEST_NUMBER:
        raise _Bad("not_a_number", typed=printable(typed[:LONGEST_NUMBER]) + "…")
    try:
        value = parse_number(typed, unit)
    except MeasurementError:
        raise _Bad("not_a_number", typed=printable(typed)) from None
    known = QUANTITIES[quantity]
    if not known.lowest <= value <= known.highest:
        decimals = 3 if unit == "in" else 1
        raise _Bad(
            "impossible",
            typed=typed,
            unit=unit,
            low=show(known.lowest, unit, decimals),
            high=show(known.highest, unit, decimals),
        )
    return value, typed


def _text(raw: Mapping[str, object], name: str, longest: int) -> str:
    text = raw.get(name, "")
    if not isinstance(text, str):
        raise _Bad("text_not_text")
    if len(text) > longest:
        raise _Bad("text_too_long", most=longest)
    if not _plain(text):
        raise _Bad("text_not_plain")
    return text


def _plain(text: str) -> bool:
    """No control characters and nothing that UTF-8 cannot carry; unusual spaces are fine."""
    return not any((ord(char) < 32 and char not in "\n\r\t") or 0xD800 <= ord(char) <= 0xDFFF for char in text)


def printable(text: str) -> str:
    """What was typed, fit to be shown to the one who typed it."""
    return "".join(char if char.isprintable() else "?" for char in text)


# --- what holds for one key ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KeyState:
    """What holds for one key.

    values    quantity -> canonical integer; of a plug gauge the middle of its interval
    readings  quantity -> its readings in force, the oldest first: more than one are repeats
    findings  code -> severity 1..3 (a finding at 0 is not there)
    again     quantity -> DIFFER where two readings do not agree, SKIPPED where none was taken on purpose
    skipped   quantity -> why, where it was skipped and not read since
    looked    whether anything was read or looked for: a key nobody looked at has no grade
    """

    values: Mapping[str, int]
    readings: Mapping[str, tuple[EntryLike, ...]]
    findings: Mapping[str, int]
    note: str
    skipped: Mapping[str, str]
    again: Mapping[str, str]
    grade_given: int | None
    grade_reason: str
    looked: bool


def current_state(
    entries: Iterable[EntryLike], *, uncertainty: Callable[[str, int | None], float] | None = None
) -> KeyState:
    """Folds the entries of one key of one check. The latest by (taken_at, op) stands; withdrawn ones never do.

    uncertainty(quantity, gauge_id) is the standard uncertainty of one reading in canonical integers.
    """
    readings: dict[str, list[EntryLike]] = {}
    findings: dict[str, int] = {}
    skips: dict[str, str] = {}
    note, given, reason, looked = "", None, "", False
    for entry in in_force(entries):
        if entry.kind == READING:
            readings.setdefault(entry.quantity, []).append(entry)
            looked = True
        elif entry.kind == FINDING:
            findings[entry.finding] = entry.value or 0
            looked = True
        elif entry.kind == NOTE:
            note = entry.text
        elif entry.kind == SKIP:
            skips[entry.quantity] = entry.text
        elif entry.kind == GRADE:
            given = entry.value
            reason = entry.text if given is not None else ""
    skipped = {quantity: why for quantity, why in skips.items() if quantity not in readings}
    again = dict.fromkeys(skipped, SKIPPED)
    for quantity, taken in readings.items():
        if differ(taken, uncertainty or _usual_uncertainty):
            again[quantity] = DIFFER
    return KeyState(
        values={quantity: reading_value(taken[-1]) for quantity, taken in readings.items()},
        readings={quantity: tuple(taken) for quantity, taken in readings.items()},
        findings={code: severity for code, severity in findings.items() if severity > 0},
        note=note,
        skipped=skipped,
        again=again,
        grade_given=given,
        grade_reason=reason,
        looked=looked or given is not None,
    )


def in_force(entries: Iterable[EntryLike]) -> list[EntryLike]:
    """The entries that were not withdrawn, each once, the latest last. Withdrawals themselves are left out."""
    by_op = {entry.op: entry for entry in entries}
    withdrawn = {entry.withdraws for entry in by_op.values() if entry.kind == WITHDRAW}
    standing = (entry for entry in by_op.values() if entry.kind != WITHDRAW and entry.op not in withdrawn)
    return sorted(standing, key=lambda entry: (entry.taken_at, entry.op))


def reading_value(entry: EntryLike) -> int:
    """The reading's value; of a plug gauge the middle of its interval."""
    value = entry.value or 0
    return value if entry.high is None else (value + entry.high) // 2


def reading_uncertainty(entry: EntryLike, uncertainty: Callable[[str, int | None], float]) -> float:
    """Standard uncertainty of one reading; a plug gauge adds its half interval over sqrt 3 (JCGM 100, 4.3.7)."""
    own = uncertainty(entry.quantity, entry.gauge_id)
    if entry.high is None:
        return own
    return math.hypot(own, (entry.high - (entry.value or 0)) / 2 / math.sqrt(3))


def differ(taken: Sequence[EntryLike], uncertainty: Callable[[str, int | None], float]) -> bool:
    """Whether the last of these readings of one quantity agrees with none of those before it.

    So two that do not agree differ until a third agrees with one of them, or one is withdrawn. Two readings agree
    when they lie no further apart than COVERAGE times the standard uncertainty of their difference.
    """
    *earlier, last = taken
    if not earlier:
        return False
    value, u = reading_value(last), reading_uncertainty(last, uncertainty)
    return not any(
        abs(reading_value(entry) - value) <= COVERAGE * math.hypot(u, reading_uncertainty(entry, uncertainty))
        for entry in earlier
    )


def _usual_uncertainty(quantity: str, gauge_id: int | None) -> float:
    return UNCERTAINTY[QUANTITIES[quantity].dimension]


PIN_DOES_NOT_ENTER = "pin_does_not_enter"


def misfit_of_pin(quantity: str, value: int, values: Mapping[str, int], typical_pin: int | None) -> Problem | None:
    """Why a mortise width or pin cannot be right beside the key's other reading, or None.

    A bare mortise must be wider than its pin, the key's own where it was read, else the check's typical one.
    Only for checks on bare wood: with the cloth in, a gap may be as narrow as the pin.
    """
    if quantity in PIN_OF:
        pin = values.get(PIN_OF[quantity], typical_pin)
        if pin is not None and value <= pin:
            return Problem(PIN_DOES_NOT_ENTER, {"mortise": value, "pin": pin})
    if quantity in MORTISE_OF:
        mortise = values.get(MORTISE_OF[quantity])
        if mortise is not None and mortise <= value:
            return Problem(PIN_DOES_NOT_ENTER, {"mortise": mortise, "pin": value})
    return None


def typical_pin(pins: Sequence[int]) -> int | None:
    """The median of the pins read so far, halves up as static/js/rules.js rounds them; None where there are none."""
    return math.floor(median(pins) + 0.5) if pins else None


FEWEST_REPEATS = 4  # degrees of freedom under which a scatter says too little to be counted on


def uncertainty_of_mean(u: float, scatter: float, count: int, *, systematic: float = 0.0, own: float = 0.0) -> float:
    """Standard uncertainty of the mean of `count` readings of one thing (JCGM 100:2008, 4.2.3 and 5.1.2).

    u: of one reading, all in all; scatter: the part of it that differs from reading to reading, whose square falls
    with the count; systematic: what no repeating lessens; own: what this reading has of its own (half the step of a
    plug gauge over sqrt 3, the taps of a photo). All in one unit.
    """
    one = max(u, scatter)
    mean = math.sqrt(one * one - scatter * scatter * (1 - 1 / count))
    return math.hypot(max(mean, systematic), own)


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Pooled standard deviation of repeated readings (canonical integers), and its degrees of freedom."""

    sd: float
    freedom: int


def repeatability(groups: Iterable[Sequence[int]]) -> Repeatability | None:
    """Pools the scatter inside each group of repeats: sqrt(sum (x - mean)^2 / sum (n - 1)). None without a repeat.

    Each group holds readings of one quantity on one key (ISO 5725-2, 7.4: the repeatability variance).
    """
    squares, freedom = 0.0, 0
    for group in groups:
        if len(group) > 1:
            mean = sum(group) / len(group)
            squares += sum((value - mean) ** 2 for value in group)
            freedom += len(group) - 1
    return Repeatability(math.sqrt(squares / freedom), freedom) if freedom else None

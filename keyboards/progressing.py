"""Rows -> how far the keys of a stage are: which belong to it, which are done, which must be done again, by whom."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _

from keyboards.core.keys import format_keys
from keyboards.models import Compass, KeyDone
from keyboards.proving import newest_final, proof_of
from keyboards.specifying import keys_to_cut, set_readings
from shop.models import Stage

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
class Progress:
    """How far a stage is. again: keys that failed the newest final check since they were done."""

    stage: Stage
    keys: tuple[KeyState, ...]
    hands: tuple[str, ...]

    @property
    def wanted(self) -> int:
        return sum(key.wanted for key in self.keys)

    @property
    def done(self) -> int:
        return sum(key.done for key in self.keys)

    @property
    def again(self) -> str:
        return format_keys([key.number for key in self.keys if key.again])

    @property
    def shown(self) -> str:
        return " ".join(str(key.number) for key in self.keys if key.done)


def progress_of(stage: Stage) -> Progress | None:
    """Of a stage whose work is done key by key; None for any other, and for a set whose keys are not written down."""
    compass = Compass.objects.filter(job=stage.job).first()
    if stage.kind not in KEY_BY_KEY or compass is None:
        return None
    rows = {row.key: row for row in KeyDone.objects.filter(stage=stage).select_related("by")}
    failed = _failed(stage)
    wanted = _wanted(stage, compass.present)
    missing = set(compass.missing)
    keys = []
    for number in compass.keys.keys:
        row = rows.get(number)
        again = number in failed and (row is None or row.at < failed[number])
        words = ""
        if row is not None:
            words = f"{row.by.short_name}, {date_format(timezone.localtime(row.at), 'j M H:i')}"
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


def _wanted(stage: Stage, present: list[int]) -> set[int]:
    """The keys that a stage's work is for: those decided for buttons, those with damaged wood for repairs, else all."""
    if stage.kind not in ("buttons", "repairs"):
        return set(present)
    readings = set_readings(stage.job)
    buttons, why = keys_to_cut(stage.job, readings)
    if stage.kind == "buttons":
        return set(buttons)
    damaged = {key for key, grade in readings.grades.items() if grade >= _WOOD_DAMAGED}
    return (damaged - set(buttons) if why == "decided" else damaged) or set(present)


def _failed(stage: Stage) -> dict[int, datetime.datetime]:
    """Key -> when the newest closed final check found that it fails."""
    check = newest_final(stage.job)
    if check is None or check.closed_at is None:
        return {}
    proof = proof_of(stage.job)
    return {one.key: check.closed_at for one in proof.verdicts.keys if one.verdict == "fail"}

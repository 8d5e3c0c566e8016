"""The grade of a key: 0 sound, 1 cloth worn, 2 wood damaged, 3 button spent. The worst finding sets it.

The rules are the shop's habit in the trade's words, common practice without a standard.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from keyboards.core.entries import KeyState

SOUND, CLOTH, WOOD, BUTTON = 0, 1, 2, 3
# The finding of a key that, raised about 50 mm, does not fall by its own weight.
DROP = "drop_held"


@dataclass(frozen=True, slots=True)
class Worn:
    """A reading above this (canonical integer) makes the key at least that grade."""

    quantity: str
    above: int
    grade: int


# Side play at the fingertip, key up: about 0.5 mm in all is right, about 1 mm is worn (one bench text).
WORN = (Worn("side_play", 1000, CLOTH),)


def finding_grade(grade: int, severity: int) -> int:
    """What one finding makes of the key: its grade in the shop's list, weighed by severity.

    0 is not there. 1 is noticed only: damage of wood or button counts one grade less, worn cloth stays worn cloth.
    2 and 3 count in full.
    """
    if severity <= 0:
        return SOUND
    if severity == 1 and grade > CLOTH:
        return grade - 1
    return grade


def worst_grade(
    findings: Mapping[str, int], values: Mapping[str, int], grades: Mapping[str, int], worn: Iterable[Worn] = WORN
) -> int:
    """The worst of findings (code -> severity) and readings (quantity -> canonical integer).

    grades is the shop's list: code -> grade; a code that is not in it says nothing.
    """
    found = [finding_grade(grades.get(code, SOUND), severity) for code, severity in findings.items()]
    read = [limit.grade for limit in worn if values.get(limit.quantity, limit.above) > limit.above]
    return max([SOUND, *found, *read])


def standing_grade(arrival: int | None, stripped: int | None, *, by_hand: bool = False) -> int | None:
    """The grade of a key with its cloth out. Worn cloth went with the cloth; damage of wood, button or stick that was
    seen on arrival stays, though nobody ticked it a second time, unless the later grade was given by hand."""
    if stripped is None:
        return arrival
    if by_hand or arrival is None or arrival < WOOD:
        return stripped
    return max(arrival, stripped)


def key_grade(state: KeyState, grades: Mapping[str, int], worn: Iterable[Worn] = WORN) -> int | None:
    """The grade of a key: what was given by hand, else the worst; None where nobody looked."""
    if not state.looked:
        return None
    if state.grade_given is not None:
        return state.grade_given
    return worst_grade(state.findings, state.values, grades, worn)

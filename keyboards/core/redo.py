"""Where a key that fails the final check goes back to: the stage whose work shows in what failed.

Common practice, without a source. A key with several faults goes to the earliest of its stages, since the later ones
follow anyway.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from keyboards.core.grading import DROP

TIGHT, LOOSE, SEEN = "tight", "loose", "seen"


@dataclass(frozen=True, slots=True)
class Fault:
    """What failed: a quantity of the final limits, below (tight) or above (loose) them, or a finding of some group
    that was seen."""

    what: str
    how: str = SEEN
    group: str = ""


# Candidates, the likeliest first; the first that is on the route is taken.
_BY_READING: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    **{
        quantity: {TIGHT: ("ease", "cloth"), LOOSE: ("cloth", "ease")}
        for quantity in ("side_play", "balance_clearance", "front_clearance")
    },
    **{quantity: {TIGHT: ("ease", "frame"), LOOSE: ("ease", "frame")} for quantity in ("dip", "level")},
    "skew_copy": {TIGHT: ("buttons",), LOOSE: ("buttons",)},
}
_BY_SIGHT: Mapping[str, tuple[str, ...]] = {
    "cloth": ("cloth",),
    "mortise": ("repairs", "buttons"),
    "button": ("buttons", "repairs"),
    "hole": ("pins",),
    "pin": ("pins",),
    "stick": ("repairs", "other"),
    "top": ("tops", "other"),
    "lead": ("leads", "other"),
    DROP: ("ease", "cloth"),
}


def stages_for(group: str) -> tuple[str, ...]:
    """The kinds of stage that put a finding of this group right."""
    return _BY_SIGHT.get(group, ())


def stage_to_redo(faults: Iterable[Fault], kinds: Sequence[str]) -> str:
    """The stage, one of `kinds` (the work on the route, in its order); the last of them where no fault says more.

    "" where the route holds no work.
    """
    places = []
    for fault in faults:
        seen = _BY_SIGHT.get(fault.what) or _BY_SIGHT.get(fault.group, ())
        wanted = seen if fault.how == SEEN else _BY_READING.get(fault.what, {}).get(fault.how, ())
        found = next((slug for slug in wanted if slug in kinds), None)
        if found is not None:
            places.append(kinds.index(found))
    return kinds[min(places)] if places else kinds[-1] if kinds else ""

"""The route of a job: its stages in the trade's order, the states of a stage, and which moves are allowed.

A stage kind is a slug. Gates are names of questions that the trade answers ("is the final check closed and
released?"); this module only says which stage waits at which gate.
"""

from collections.abc import Sequence
from dataclasses import dataclass

WAITING = "waiting"
BEGUN = "begun"
DONE = "done"
SKIPPED = "skipped"
STATES = (WAITING, BEGUN, DONE, SKIPPED)

DESK = "desk"
BENCH = "bench"
OFFICE = "office"
CLIENT = "client"


@dataclass(frozen=True)
class StageKind:
    """What a stage is: its place in the order, who moves it, the gate it must pass to be finished.

    slug      the name that is stored
    order     place in the trade's order; ties never occur
    whose     desk, bench, office or client: who the stage waits for
    gate      name of the question that must be answered before the stage may be finished, or ""
    always    part of every route, from the first day on; the others come with the accepted work
    """

    slug: str
    order: int
    whose: str
    gate: str = ""
    always: bool = False


_KINDS = (
    StageKind("count_in", 10, DESK, always=True),
    StageKind("arrival_check", 20, BENCH, gate="arrival_check", always=True),
    StageKind("estimate", 30, OFFICE, gate="estimate_sent", always=True),
    StageKind("answer", 40, CLIENT, gate="answer_given", always=True),
    StageKind("strip", 50, BENCH),
    StageKind("stripped_check", 60, BENCH, gate="stripped_check"),
    StageKind("repairs", 70, BENCH),
    StageKind("buttons", 80, BENCH),
    StageKind("pins", 90, BENCH),
    StageKind("leads", 100, BENCH),
    StageKind("cloth", 110, BENCH),
    StageKind("tops", 120, BENCH),
    StageKind("frame", 130, BENCH),
    StageKind("ease", 140, BENCH),
    StageKind("other", 150, BENCH),
    StageKind("final_check", 160, BENCH, gate="final_check", always=True),
    StageKind("pack", 170, DESK, gate="final_check", always=True),
    StageKind("leave", 180, DESK, gate="final_check", always=True),
)
KINDS: dict[str, StageKind] = {kind.slug: kind for kind in _KINDS}
ALWAYS: tuple[str, ...] = tuple(kind.slug for kind in _KINDS if kind.always)
# Work that the client says yes to; a route gets these from the accepted estimate.
WORK: tuple[str, ...] = tuple(kind.slug for kind in _KINDS if not kind.always)


def next_open(states: Sequence[str]) -> int | None:
    """Index of the first stage that is neither done nor skipped, or None when the route is at its end."""
    for index, state in enumerate(states):
        if state in (WAITING, BEGUN):
            return index
    return None


def may_begin(states: Sequence[str], index: int, *, held: bool = False) -> str:
    """ "" when the stage at index may be begun, else the reason: a word for a page to turn into a sentence.

    Reasons: "held", "not_waiting", "earlier_open".
    """
    if held:
        return "held"
    if states[index] != WAITING:
        return "not_waiting"
    if next_open(states) != index:
        return "earlier_open"
    return ""


def may_finish(states: Sequence[str], index: int, *, held: bool = False) -> str:
    """ "" when the stage at index may be finished as far as the order goes; gates are asked by the caller.

    A stage that was never begun may be finished in one go: a bench that forgot to press "begin" is not punished.
    """
    if held:
        return "held"
    if states[index] not in (WAITING, BEGUN):
        return "not_open"
    if next_open(states) != index:
        return "earlier_open"
    return ""


def needs_final_check(kinds: Sequence[str], states: Sequence[str], *, agreed: bool) -> bool:
    """Whether a set may leave only after its final check: work was agreed with the client, or the route holds work
    that was not left out. Only a set on which nothing was agreed and nothing done goes home as it came."""
    return agreed or any(kind in WORK and state != SKIPPED for kind, state in zip(kinds, states, strict=True))


def may_skip(states: Sequence[str], index: int, kind: str, *, untouched: bool = False) -> str:
    """ "" when the stage may be skipped. What guards the way out is never skipped ("guarded"), except the final
    check of an untouched set: one that needs none (needs_final_check)."""
    if states[index] not in (WAITING, BEGUN):
        return "not_open"
    if KINDS[kind].gate == "final_check" and not (kind == "final_check" and untouched):
        return "guarded"
    return ""


def may_send_back(states: Sequence[str], to: int) -> str:
    """ "" when the job may go back to the stage at index `to`: only to one that was done."""
    if states[to] != DONE:
        return "not_done"
    return ""


def work_in_order(slugs: Sequence[str]) -> list[str]:
    """The distinct work stages among slugs, in the trade's order, a stripped check after every stripping."""
    wanted = {slug for slug in slugs if slug in WORK}
    if "strip" in wanted:
        wanted.add("stripped_check")
    return sorted(wanted, key=lambda slug: KINDS[slug].order)

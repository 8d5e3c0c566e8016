"""The bench: what each technician can do now, and what waits for what."""

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_safe

from shop import rack
from shop.access import PersonRequest, allowed
from shop.core import route
from shop.models import HoldFor, Job, Person, Spell, Stage
from shop.views.branches import shown as shown_branch
from shop.workflow import promises

CAUSES = {
    "drying": gettext_lazy("Drying"),
    HoldFor.PART: gettext_lazy("Waiting for a part or material"),
    route.CLIENT: gettext_lazy("Waiting for the client"),
    route.OFFICE: gettext_lazy("Waiting for the office"),
    route.DESK: gettext_lazy("Waiting for the counter"),
    rack.AWAY: gettext_lazy("Away"),
    rack.HELD: gettext_lazy("On hold"),
}


def blocked_by(row: rack.Row, stage: Stage, at: datetime.datetime) -> str:
    """What keeps the bench from a set: one of CAUSES, "" where nothing does."""
    if row.turn == rack.HELD and row.job.hold_for in (HoldFor.PART, HoldFor.CLIENT):
        return row.job.hold_for
    if row.turn != route.BENCH:
        return row.turn
    return "drying" if stage.ready_at and stage.ready_at > at else ""


@dataclass(frozen=True)
class Board:
    """The rack as one person at the bench sees it, each list in the order of the promises.

    mine: in this person's hands. given: put down for this person by name. waiting: by what they wait for.
    """

    mine: list[rack.Row] = field(default_factory=list)
    given: list[rack.Row] = field(default_factory=list)
    ready: list[rack.Row] = field(default_factory=list)
    others: list[rack.Row] = field(default_factory=list)
    blocked: dict[str, list[rack.Row]] = field(default_factory=lambda: {cause: [] for cause in CAUSES})

    @property
    def waiting(self) -> list[tuple[Any, list[rack.Row]]]:
        """(what they wait for, the rows), without the causes that nothing waits for."""
        return [(CAUSES[cause], rows) for cause, rows in self.blocked.items() if rows]


def _by_promise(row: rack.Row) -> tuple:
    promised = row.job.promised_on
    return (promised is None, promised or datetime.date.max, row.job.number)


def board_for(
    person: Person, rows: Iterable[rack.Row], running: Mapping[int, set[int]], at: datetime.datetime
) -> Board:
    """Who can do what now. running: the people who work on a stage at this moment, by the stage's id."""
    board = Board()
    for row in sorted(rows, key=_by_promise):
        stage = row.job.current_stage
        if stage is None:
            continue
        hands = running.get(stage.pk, set())
        if person.pk in hands:
            board.mine.append(row)
        elif cause := blocked_by(row, stage, at):
            board.blocked[cause].append(row)
        elif hands:
            board.others.append(row)
        elif stage.handed_to_id == person.pk:
            board.given.append(row)
        else:
            board.ready.append(row)
    return board


@require_safe
@allowed()
def bench(request: PersonRequest) -> HttpResponse:
    """Today at the bench."""
    at = timezone.now()
    place = shown_branch(request)
    rows = rack.rows(Job.objects.on_the_rack().at(place.branch).for_lists(), at, promises.fears(at=at))
    running: dict[int, set[int]] = {}
    spells = Spell.objects.filter(minutes__isnull=True, stage__job__left_at__isnull=True)
    for stage_id, person_id in spells.values_list("stage_id", "by_id"):
        running.setdefault(stage_id, set()).add(person_id)
    board = board_for(request.user, rows, running, at)
    return render(request, "shop/bench/today.html", {"board": board, "shown": place})

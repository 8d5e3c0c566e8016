"""The bench: what each technician can do now, and what waits for what."""

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from shop import rack
from shop.access import PersonRequest, allowed
from shop.core import route
from shop.models import Job, Person, Spell


@dataclass(frozen=True)
class Board:
    """The rack as one person at the bench sees it: four lists, each in the order of the promises."""

    mine: list[rack.Row]
    ready: list[rack.Row]
    others: list[rack.Row]
    waiting: list[rack.Row]


def _by_promise(row: rack.Row) -> tuple:
    promised = row.job.promised_on
    return (promised is None, promised or datetime.date.max, row.job.number)


def board_for(
    person: Person, rows: Iterable[rack.Row], running: Mapping[int, set[int]], at: datetime.datetime
) -> Board:
    """Who can do what now. running: the people who work on a stage at this moment, by the stage's id."""
    board = Board([], [], [], [])
    for row in sorted(rows, key=_by_promise):
        stage = row.job.current_stage
        if stage is None:
            continue
        hands = running.get(stage.pk, set())
        if person.pk in hands:
            board.mine.append(row)
        elif row.turn != route.BENCH or (stage.ready_at and stage.ready_at > at):
            board.waiting.append(row)
        elif hands:
            board.others.append(row)
        else:
            board.ready.append(row)
    return board


@require_safe
@allowed()
def bench(request: PersonRequest) -> HttpResponse:
    """Today at the bench."""
    at = timezone.now()
    rows = rack.rows(Job.objects.on_the_rack().for_lists(), at)
    running: dict[int, set[int]] = {}
    spells = Spell.objects.filter(minutes__isnull=True, stage__job__left_at__isnull=True)
    for stage_id, person_id in spells.values_list("stage_id", "by_id"):
        running.setdefault(stage_id, set()).add(person_id)
    board = board_for(request.user, rows, running, at)
    return render(request, "shop/bench/today.html", {"board": board})

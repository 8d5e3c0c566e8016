"""When a set will be done: the jobs on the rack in their order, as shop/core/promise.py reckons with them."""

import datetime
from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from math import ceil

from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from shop.core import promise, route
from shop.core.errors import MeasurementError
from shop.formats import dated
from shop.models import Estimate, EstimateState, Job, Line, Person, Stage, Unit, Workshop
from shop.workflow.events import record
from shop.workflow.refusal import Refused

# How far a drying time of so many days is off by, as a standard deviation: an estimate.
_WAIT_SD = 0.5
# Days before its promise from which a set that nobody can reckon with is a worry. Common practice, an estimate.
_NEAR = 5
# The shop's habits are those of the sets that went home last: so many. Older ones tell of another shop.
_LATELY = 200


def _closed(workshop: Workshop) -> list[datetime.date]:
    days = []
    for text in workshop.holidays:
        try:
            days.append(datetime.date.fromisoformat(text))
        except (TypeError, ValueError):
            continue  # the settings page refuses such a day; an old row must not stop an estimate
    return days


def _wait_days(lines: Iterable[Line]) -> dict[str, int]:
    """Whole days each stage dries or settles: the longest wait of the operations done at it."""
    hours: dict[str, int] = {}
    for line in lines:
        if line.operation is not None and line.stage:
            hours[line.stage] = max(hours.get(line.stage, 0), line.operation.wait_hours)
    # A drying over night is within the working day that follows; only what is longer costs a day.
    return {stage: ceil(wait / 24) if wait > 16 else 0 for stage, wait in hours.items()}


def _steps(minutes: dict[str, float], waits: dict[str, int]) -> list[tuple[str, float]]:
    """Bench hours and waits of the stages in the trade's order."""
    steps: list[tuple[str, float]] = []
    for slug in sorted(minutes, key=lambda slug: route.KINDS[slug].order):
        if route.KINDS[slug].whose != route.BENCH:
            continue
        steps.append((promise.BENCH, minutes[slug] / 60))
        if waits.get(slug):
            steps.append((promise.WAIT_CALENDAR, waits[slug]))
    return steps


def _minutes_left(stage: Stage, lines: Iterable[Line]) -> float:
    """Of an open stage: those of the keys that are still to be done, where these are written down, else all of them.

    What was quoted is for the keys that were agreed; of a set sent back a stage may have two of them to do again.
    """
    if stage.keys_done is None:
        return float(stage.minutes)
    agreed: dict[int | None, float] = {}
    for line in lines:
        if line.stage == stage.kind and line.unit == Unit.KEY:
            agreed[line.operation_id] = agreed.get(line.operation_id, 0) + float(line.quantity)
    keys = max(agreed.values(), default=0) or stage.job.keys_here or 1
    return float(stage.minutes) * min(stage.keys_left / keys, 1)


def _queue(without: Job | None) -> list[promise.QueuedJob]:
    """The jobs that are agreed and not finished, the earliest promise first; the id of each is its Job, as in lists."""
    agreed = (
        Estimate.objects.filter(state=EstimateState.ACCEPTED, job__left_at__isnull=True)
        .select_related("job__client", "job__instrument", "job__branch")
        .prefetch_related("options", "lines__operation", "answers__extras", "job__stages__handed_to")
    )
    if without is not None:
        agreed = agreed.exclude(job=without)
    queue = []
    for estimate in sorted(agreed, key=lambda row: (row.job.promised_on or datetime.date.max, row.job.number)):
        current = estimate.job.current_stage
        dry = timezone.localdate(current.ready_at) if current is not None and current.ready_at else None
        lines = estimate.agreed.lines if estimate.agreed else ()
        minutes = {stage.kind: _minutes_left(stage, lines) for stage in estimate.job.stages.all() if stage.is_open}
        steps = _steps(minutes, _wait_days(lines))
        if steps:
            queue.append(promise.QueuedJob(estimate.job, steps, dry))
    return queue


def working_days_for(estimate: Estimate, *, at: datetime.datetime | None = None) -> int | None:
    """How many working days after a yes today the dearest-in-time option would be ready, buffer included.

    None where the shop's hours leave no answer, or where the estimate holds no bench work.
    """
    workshop = Workshop.ours()
    today = timezone.localdate(at)
    row = Estimate.objects.prefetch_related("options", "lines__operation").get(pk=estimate.pk)
    queue = _queue(row.job)
    longest: int | None = None
    for priced in row.offer:
        minutes: dict[str, float] = {}
        for line in priced.lines:
            if line.stage in route.KINDS and line.stage != "arrival_check":
                minutes[line.stage] = minutes.get(line.stage, 0.0) + float(line.quantity * line.minutes)
        steps = _steps(minutes, _wait_days(priced.lines))
        if not steps:
            continue
        days = _days([*queue, promise.QueuedJob("this", steps)], today, workshop)
        if days is not None:
            longest = max(longest or 0, days)
    return longest


def _days(jobs: list[promise.QueuedJob], today: datetime.date, workshop: Workshop) -> int | None:
    closed = _closed(workshop)
    until = _with_buffer(jobs, "this", today, workshop)
    if until is None:
        return None
    days, day = 0, today
    while day < until:
        day = promise.add_working_days(day, 1, workshop.hours, closed)
        days += 1
    return max(days, 1)


def _with_buffer(
    jobs: list[promise.QueuedJob], last: Hashable, today: datetime.date, workshop: Workshop
) -> datetime.date | None:
    """The day the last of these jobs is reckoned to end, with the buffer of them all; None without an answer."""
    closed = _closed(workshop)
    open_days = [hours for hours in workshop.hours if hours]
    benches = workshop.benches
    try:
        finish = promise.schedule(jobs, today, workshop.hours, benches, closed)[last]
        steps = [step for job in jobs for step in job.stages]
        buffer = promise.buffer_days(
            [amount for kind, amount in steps if kind == promise.BENCH],
            benches * sum(open_days) / len(open_days) if open_days else 0,
            workshop.promise_spread,
            [_WAIT_SD for kind, _amount in jobs[-1].stages if kind == promise.WAIT_CALENDAR],
            workshop.promise_bias,
        )
        return promise.add_working_days(finish, buffer, workshop.hours, closed)
    except MeasurementError:
        return None


def promised_on(estimate: Estimate, *, from_day: datetime.date) -> datetime.date | None:
    """The day that so many working days after from_day fall on; None where the estimate names no number."""
    if not estimate.working_days:
        return None
    workshop = Workshop.ours()
    try:
        return promise.add_working_days(from_day, estimate.working_days, workshop.hours, _closed(workshop))
    except MeasurementError:
        return None


@dataclass(frozen=True)
class Place:
    """A job in the queue: the day its bench work is reckoned to end, and how that stands to its promise.

    finish: None while nobody can say: on hold, away. ahead: hours of the sets before it.
    """

    job: Job
    finish: datetime.date | None
    ahead: float = 0.0

    @property
    def days_late(self) -> int:
        """Working or not: days that the reckoned end lies behind the promise; below 0 there is room."""
        if self.finish is None or self.job.promised_on is None:
            return 0
        return (self.finish - self.job.promised_on).days

    @property
    def cause(self) -> str:
        """Why it will be late, as far as the rack knows."""
        stage = self.job.current_stage
        if self.job.away_to:
            return _("away: %(place)s") % {"place": self.job.away_to}
        if self.job.held_since:
            return _("on hold: %(reason)s") % {"reason": self.job.hold_reason.rstrip(".")}
        if stage is not None and stage.reason:
            return _("sent back to: %(stage)s") % {"stage": stage.title}
        if stage is not None and stage.ready_at and stage.ready_at > timezone.now():
            moment = dated(stage.ready_at, "SOON_FORMAT")
            return _("dries until %(moment)s") % {"moment": moment}
        if self.ahead >= 1:
            return _("%(hours)d bench hours of other sets come before it") % {"hours": round(self.ahead)}
        return _("more work is left than the days hold")


@dataclass(frozen=True)
class Move:
    """What a rush would do to one job that is promised already."""

    job: Job
    before: datetime.date
    after: datetime.date

    @property
    def days(self) -> int:
        return (self.after - self.before).days

    @property
    def breaks(self) -> bool:
        """Whether the promise, which held before, would not hold any more."""
        promised = self.job.promised_on
        return promised is not None and self.before <= promised < self.after

    @property
    def late_already(self) -> bool:
        """Whether it did not hold before either."""
        return self.job.promised_on is not None and self.job.promised_on < self.before


def places(*, at: datetime.datetime | None = None) -> list[Place]:
    """The agreed sets that are not finished, in the order of the queue, with the day each is reckoned to end."""
    queue = _queue(None)
    finish = _finishes(queue, timezone.localdate(at))
    out, ahead = [], 0.0
    for row in queue:
        job = row.id
        assert isinstance(job, Job)
        unknown = job.held_since or job.away_to
        out.append(Place(job, None if unknown else finish.get(job), ahead))
        ahead += sum(amount for kind, amount in row.stages if kind == promise.BENCH)
    return out


def fears(*, at: datetime.datetime | None = None) -> dict[int, str]:
    """Promises that will hardly be kept as things stand: the job's id -> by how much, and why.

    A set that is late already is told as such elsewhere; one on hold or away is told once its day is near.
    """
    today = timezone.localdate(at)
    told = {}
    for place in places(at=at):
        promised = place.job.promised_on
        if promised is None or promised < today:
            continue
        if place.finish is None and (promised - today).days <= _NEAR:
            told[place.job.pk] = _("its day is near")
        elif place.days_late > 0:
            days = ngettext("will be %(days)d day late", "will be %(days)d days late", place.days_late)
            told[place.job.pk] = f"{days % {'days': place.days_late}}: {place.cause}"
    return told


def next_day_to_promise(job: Job, *, at: datetime.datetime | None = None) -> datetime.date | None:
    """The day that could be promised for a set in the queue as it stands now: its reckoned end and the buffer."""
    workshop, today, queue = Workshop.ours(), timezone.localdate(at), _queue(None)
    index = next((index for index, row in enumerate(queue) if row.id == job), None)
    if index is None or job.held_since or job.away_to:
        return None
    return _with_buffer(queue[: index + 1], job, today, workshop)


def what_if(
    *, first: Job | None = None, hours: float = 0, at: datetime.datetime | None = None
) -> tuple[datetime.date | None, list[Move]]:
    """What moves if one set of the queue goes first, or if a rush job of so many bench hours is put before all.

    Nothing is written. Answers the day the rushed one would end, and every other set that would end later.
    """
    queue = _queue(None)
    rushed: Hashable = "rush"
    if first is not None:
        rushed = first
        row = next((row for row in queue if row.id == first), None)
        if row is None:
            return None, []
        others = [one for one in queue if one.id != first]
    else:
        row, others = promise.QueuedJob("rush", [(promise.BENCH, hours)]), queue
    today = timezone.localdate(at)
    before, after = _finishes(queue, today), _finishes([row, *others], today)
    moves = [
        Move(job, before[job], after[job])
        for job in (one.id for one in others)
        if isinstance(job, Job) and job in before and job in after and after[job] > before[job]
    ]
    return after.get(rushed), moves


def _finishes(queue: list[promise.QueuedJob], today: datetime.date) -> dict[Hashable, datetime.date]:
    if not queue:
        return {}
    workshop = Workshop.ours()
    try:
        return promise.schedule(queue, today, workshop.hours, workshop.benches, _closed(workshop))
    except MeasurementError:
        return {}


@dataclass(frozen=True)
class OnTime:
    """Sets that have gone home with a promise: how many were packed on or before that day, and the mean delay of the
    others in days."""

    kept: int
    of: int
    mean_delay: float

    @property
    def percent(self) -> int:
        return round(100 * self.kept / self.of) if self.of else 0


def on_time(*, since: datetime.datetime | None = None) -> OnTime:
    """Promises kept by the sets that went home last: the day each was packed against the day it was promised for."""
    lately = Job.objects.filter(promised_on__isnull=False).home_lately(_LATELY)
    packed = Stage.objects.filter(kind="pack", state=route.DONE, job__in=lately.values("pk"))
    if since is not None:
        packed = packed.filter(finished_at__gte=since)
    delays = [
        (timezone.localdate(moment) - promised).days
        for moment, promised in packed.values_list("finished_at", "job__promised_on")
    ]
    late = [days for days in delays if days > 0]
    return OnTime(len(delays) - len(late), len(delays), sum(late) / len(late) if late else 0.0)


def own_habits() -> promise.Habits | None:
    """The shop's own spread and bias, from the stages of the sets that went home last; None below ten such sets.

    A stage counts where minutes were both expected and booked.
    """
    rows = list(
        Stage.objects.filter(state=route.DONE, job__in=Job.objects.home_lately(_LATELY).values("pk"), minutes__gt=0)
        .annotate(booked=Sum("spells__minutes"))
        .filter(booked__gt=0)
        .values_list("minutes", "booked", "job")
    )
    if len({job for _quoted, _booked, job in rows}) < promise.LEAST_JOBS:
        return None
    pairs = [(float(quoted) / 60, float(booked) / 60) for quoted, booked, _job in rows]
    return promise.fit_habits([quoted for quoted, _booked in pairs], [booked for _quoted, booked in pairs])


@transaction.atomic
def habits_take_over(*, by: Person) -> promise.Habits:
    """The owner takes the shop's own spread and bias into the reckoning of promises."""
    habits = own_habits()
    if habits is None:
        raise Refused(_("Too few sets with booked time have gone home to learn from: ten at least."))
    workshop = Workshop.ours()
    workshop.promise_spread, workshop.promise_bias = round(habits.spread, 3), round(habits.bias, 3)
    workshop.save(update_fields=["promise_spread", "promise_bias"])
    record("workshop_changed", by=by, fields=["promise_spread", "promise_bias"])
    return habits

"""When a set will be done: the jobs on the rack in their order, as shop/core/promise.py reckons with them."""

import datetime
from collections.abc import Iterable
from math import ceil

from django.utils import timezone

from shop.core import promise, route
from shop.core.errors import MeasurementError
from shop.models import Estimate, EstimateState, Job, Line, Workshop

# How far a drying time of so many days is off by, as a standard deviation: an estimate.
_WAIT_SD = 0.5


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


def _queue(without: Job) -> list[promise.QueuedJob]:
    """The jobs that are agreed and not finished, the earliest promise first."""
    agreed = (
        Estimate.objects.filter(state=EstimateState.ACCEPTED, job__left_at__isnull=True)
        .exclude(job=without)
        .select_related("job")
        .prefetch_related("options", "lines__operation", "answers__extras", "job__stages")
    )
    queue = []
    for estimate in sorted(agreed, key=lambda row: (row.job.promised_on or datetime.date.max, row.job.number)):
        minutes = {stage.kind: float(stage.minutes) for stage in estimate.job.stages.all() if stage.is_open}
        option = estimate.agreed
        steps = _steps(minutes, _wait_days(option.lines if option else ()))
        if steps:
            queue.append(promise.QueuedJob(estimate.job_id, steps))
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
    open_days = [hours for hours in workshop.hours if hours]
    benches = workshop.benches
    try:
        finish = promise.schedule(jobs, today, workshop.hours, benches, closed)["this"]
        steps = [step for job in jobs for step in job.stages]
        buffer = promise.buffer_days(
            [amount for kind, amount in steps if kind == promise.BENCH],
            benches * sum(open_days) / len(open_days) if open_days else 0,
            workshop.promise_spread,
            [_WAIT_SD for kind, _amount in jobs[-1].stages if kind == promise.WAIT_CALENDAR],
            workshop.promise_bias,
        )
        until = promise.add_working_days(finish, buffer, workshop.hours, closed)
        days, day = 0, today
        while day < until:
            day = promise.add_working_days(day, 1, workshop.hours, closed)
            days += 1
    except MeasurementError:
        return None
    return max(days, 1)


def promised_on(estimate: Estimate, *, from_day: datetime.date) -> datetime.date | None:
    """The day that so many working days after from_day fall on; None where the estimate names no number."""
    if not estimate.working_days:
        return None
    workshop = Workshop.ours()
    try:
        return promise.add_working_days(from_day, estimate.working_days, workshop.hours, _closed(workshop))
    except MeasurementError:
        return None

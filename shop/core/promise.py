"""When a job will be done, and which date to promise.

Jobs wait in their order for bench hours, a day at a time; between bench stages glue dries and wood settles. The
promise is the date reckoned so plus a buffer for what takes longer than thought.

Dates are `datetime.date`. Hours a weekday are seven numbers, Monday first; a day without hours, or in `holidays`,
is closed.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil, sqrt
from statistics import mean, stdev

from shop.core.checked import day, items, number, whole
from shop.core.errors import MeasurementError

BENCH = "bench"
WAIT_CALENDAR = "wait_calendar"
WAIT_WORKING = "wait_working"

HORIZON = 3660  # days searched for room
MOST_HOURS = 10_000.0  # of one stage
LEAST_JOBS = 10  # finished ones, before the shop's own spread and bias are believed
SPREAD = 0.35  # standard deviation of a bench stage, as a part of its hours: an estimate
BIAS = 0.10  # by which stages take longer on average: an estimate
Z = 1.2816  # 90 % of a normal distribution lies below
_ROUNDING = 1e-9


@dataclass(frozen=True)
class QueuedJob:
    """A job in the queue: its stages in order, and the day before which it cannot begin (None: at once).

    Stages are ("bench", hours), ("wait_calendar", days) or ("wait_working", days).
    """

    id: Hashable
    stages: Sequence[tuple[str, float]]
    release: date | None = None


def schedule(
    jobs: Iterable[QueuedJob],
    start: date,
    hours: Sequence[float],
    benches: int = 1,
    holidays: Iterable[date] = (),
) -> dict[Hashable, date]:
    """The day each job is finished, by its id, in the order of the queue.

    Each job takes the hours that those before it leave, as early as it can; on one day it takes at most one bench's
    hours. The next bench stage may begin on the same day. A job that would end on a closed day ends on the next
    open one. With more than one bench, days are finer than this grid: the dates are a little hopeful.

    Raises MeasurementError where a stage finds no room within 3660 days.
    """
    calendar = _Calendar(hours, holidays)
    start = day("start", start)
    benches = whole("benches", benches, 1, 100)
    used: defaultdict[date, float] = defaultdict(float)
    finished: dict[Hashable, date] = {}
    for position, job in enumerate(items("jobs", jobs)):
        if not isinstance(job, QueuedJob):
            raise MeasurementError(f"jobs[{position}] must be a QueuedJob")
        if job.id in finished:
            raise MeasurementError(f"jobs has {job.id!r} twice")
        finished[job.id] = _finish(job, f"jobs[{position}]", start, calendar, benches, used)
    if not finished:
        raise MeasurementError("jobs must not be empty")
    return finished


def _finish(
    job: QueuedJob, name: str, start: date, calendar: "_Calendar", benches: int, used: defaultdict[date, float]
) -> date:
    """The day the job ends; its hours are added to `used`."""
    today = start if job.release is None else max(start, day(f"{name} release", job.release))
    own: defaultdict[date, float] = defaultdict(float)
    stages = _stages(name, job.stages)
    for kind, amount in stages:
        if kind == WAIT_CALENDAR:
            today = calendar.later(today, int(amount))
        elif kind == WAIT_WORKING:
            today = calendar.working(today, int(amount))
        else:
            today = _work(amount, name, today, calendar, benches, used, own)
    return calendar.working(calendar.later(today, -1), 1)


def _work(
    left: float,
    name: str,
    today: date,
    calendar: "_Calendar",
    benches: int,
    used: defaultdict[date, float],
    own: defaultdict[date, float],
) -> date:
    """The day on which so many hours are done, begun today."""
    for _ in range(HORIZON):
        if left <= _ROUNDING:
            return today
        open_hours = calendar.hours_on(today)
        taken = min(left, benches * open_hours - used[today], open_hours - own[today])
        if taken > 0:
            used[today] += taken
            own[today] += taken
            left -= taken
        if left > _ROUNDING:
            today = calendar.later(today, 1)
    raise MeasurementError(f"{name} finds no room within {HORIZON} days: hours are too few")


def _stages(name: str, stages: Iterable[object]) -> list[tuple[str, float]]:
    checked: list[tuple[str, float]] = []
    for position, stage in enumerate(items(f"{name} stages", stages)):
        where = f"{name} stages[{position}]"
        if not isinstance(stage, tuple | list) or len(stage) != 2:
            raise MeasurementError(f"{where} must be a kind and an amount")
        kind, amount = stage
        if kind == BENCH:
            checked.append((kind, number(f"{where} hours", amount, minimum=0, maximum=MOST_HOURS)))
        elif kind in (WAIT_CALENDAR, WAIT_WORKING):
            checked.append((kind, whole(f"{where} days", amount, 0, HORIZON)))
        else:
            raise MeasurementError(f"{where} must be {BENCH}, {WAIT_CALENDAR} or {WAIT_WORKING}")
    if not checked:
        raise MeasurementError(f"{name} stages must not be empty")
    return checked


def add_working_days(date: date, days: int, hours: Sequence[float], holidays: Iterable[date] = ()) -> date:
    """The day so many open days after the date; 0 gives the date itself, open or not."""
    return _Calendar(hours, holidays).working(day("date", date), whole("days", days, 0, HORIZON))


def buffer_days(
    bench_hours: Iterable[float],
    hours_per_day: float,
    spread: float = SPREAD,
    wait_sds: Iterable[float] = (),
    bias: float = BIAS,
    z: float = Z,
) -> int:
    """Working days to add to a finish date so that it is kept with the chance that `z` stands for (1.2816: 90 %).

    `bench_hours` are those of the bench stages of this and of all earlier queued jobs, each with a standard
    deviation of `spread` times its hours; `bias` is the part by which stages take longer on average (negative in a
    shop that is quicker than it says); `wait_sds` are standard deviations of waits in days. Never below 0: a
    promise does not come before the finish.
    """
    stages = [number(f"bench_hours[{i}]", h, minimum=0) for i, h in enumerate(items("bench_hours", bench_hours))]
    if not stages:
        raise MeasurementError("bench_hours must not be empty")
    per_day = number("hours_per_day", hours_per_day, minimum=0.01)
    spread = number("spread", spread, minimum=0, maximum=10)
    waits = [number(f"wait_sds[{i}]", sd, minimum=0) for i, sd in enumerate(items("wait_sds", wait_sds))]
    bias = number("bias", bias, minimum=-1, maximum=10)
    z = number("z", z, minimum=0, maximum=10)
    variance = sum((spread * stage / per_day) ** 2 for stage in stages) + sum(sd * sd for sd in waits)
    return max(0, ceil(bias * sum(stages) / per_day + z * sqrt(variance) - _ROUNDING))


@dataclass(frozen=True)
class Habits:
    """How a shop's hours come out: the spread and the bias of `buffer_days`, from so many finished stages."""

    spread: float
    bias: float
    count: int


def fit_habits(quoted_hours: Sequence[float], actual_hours: Sequence[float]) -> Habits | None:
    """Spread and bias from the quoted and the actual hours of finished work; None below ten.

    The ratios actual/quoted have the mean 1 + bias and the standard deviation `spread` (n - 1). Give stages, not
    whole jobs, for in a job the scatter of its stages partly cancels.
    """
    quoted = [number(f"quoted_hours[{i}]", h, minimum=0.01) for i, h in enumerate(items("quoted_hours", quoted_hours))]
    actual = [number(f"actual_hours[{i}]", h, minimum=0) for i, h in enumerate(items("actual_hours", actual_hours))]
    if len(quoted) != len(actual):
        raise MeasurementError(f"actual_hours must be as many as quoted_hours ({len(quoted)}), not {len(actual)}")
    if len(quoted) < LEAST_JOBS:
        return None
    ratios = [took / said for said, took in zip(quoted, actual, strict=True)]
    return Habits(stdev(ratios), mean(ratios) - 1, len(ratios))


class _Calendar:
    """Open hours a weekday, and holidays."""

    def __init__(self, hours: Sequence[float], holidays: Iterable[date]) -> None:
        self.week = [number(f"hours[{i}]", h, minimum=0, maximum=24) for i, h in enumerate(items("hours", hours))]
        if len(self.week) != 7:
            raise MeasurementError(f"hours must be seven numbers, Monday first, not {len(self.week)}")
        self.holidays = {day(f"holidays[{i}]", value) for i, value in enumerate(items("holidays", holidays))}

    def hours_on(self, today: date) -> float:
        return 0.0 if today in self.holidays else self.week[today.weekday()]

    def later(self, today: date, days: int) -> date:
        try:
            return today + timedelta(days=days)
        except OverflowError:
            raise MeasurementError("date leaves the calendar") from None

    def working(self, today: date, days: int) -> date:
        """So many open days later."""
        closed = 0
        while days:
            today = self.later(today, 1)
            if self.hours_on(today) > 0:
                days -= 1
                closed = 0
            else:
                closed += 1
                if closed > HORIZON:
                    raise MeasurementError(f"hours leave no open day within {HORIZON} days")
        return today

"""Promise dates: check values, rejections, and laws of any queue. Spread, bias and waits are the shop's estimates."""

import math
from dataclasses import replace
from datetime import date, datetime, timedelta
from statistics import NormalDist

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shop.core import promise
from shop.core.errors import MeasurementError
from shop.core.promise import QueuedJob, add_working_days, buffer_days, fit_habits, schedule

WEEK = (6, 6, 6, 6, 4, 0, 0)
MONDAY = date(2025, 12, 1)
JOB = QueuedJob(
    147,
    [
        ("bench", 3),
        ("wait_working", 2),
        ("bench", 10),
        ("wait_calendar", 1),
        ("bench", 6),
        ("wait_calendar", 1),
        ("bench", 2),
    ],
)


def bench(hours, number=1, release=None):
    return QueuedJob(number, [("bench", hours)], release)


def finish(*stages, start=MONDAY, **options):
    return schedule(jobs=[QueuedJob(1, list(stages))], start=start, hours=WEEK, **options)[1]


stages = st.lists(
    st.one_of(
        st.tuples(st.just("bench"), st.integers(0, 60).map(lambda quarters: quarters / 4)),
        st.tuples(st.sampled_from(["wait_calendar", "wait_working"]), st.integers(0, 5)),
    ),
    min_size=1,
    max_size=6,
)
queues = st.lists(
    st.tuples(stages, st.none() | st.integers(0, 40).map(lambda days: MONDAY + timedelta(days))),
    min_size=1,
    max_size=8,
).map(lambda jobs: [QueuedJob(number, *job) for number, job in enumerate(jobs)])
weeks = st.lists(st.integers(0, 9), min_size=7, max_size=7).filter(any)
holidays = st.sets(st.integers(0, 60).map(lambda days: MONDAY + timedelta(days)), max_size=10)


# Check values


def test_the_worked_job_is_done_on_tuesday_the_9th():
    assert schedule(jobs=[JOB], start=MONDAY, hours=WEEK) == {147: date(2025, 12, 9)}


def test_bench_stages_that_follow_each_other_share_a_day():
    assert finish(("bench", 2), ("bench", 4)) == MONDAY
    assert finish(("bench", 2), ("bench", 4.25)) == date(2025, 12, 2)


def test_the_hours_of_the_week_are_used_up_day_by_day():
    assert finish(("bench", 28)) == date(2025, 12, 5)
    assert finish(("bench", 28.5)) == date(2025, 12, 8)


def test_calendar_waits_run_over_the_weekend_and_working_waits_do_not():
    friday = date(2025, 12, 5)
    assert finish(("bench", 1), ("wait_calendar", 3), ("bench", 1), start=friday) == date(2025, 12, 8)
    assert finish(("bench", 1), ("wait_working", 3), ("bench", 1), start=friday) == date(2025, 12, 10)


def test_a_last_wait_that_ends_on_a_closed_day_ends_on_the_next_open_one():
    assert finish(("bench", 6), ("wait_calendar", 5)) == date(2025, 12, 8)
    assert finish(("bench", 6), ("wait_calendar", 5), holidays=[date(2025, 12, 8)]) == date(2025, 12, 9)


def test_nothing_is_done_on_a_holiday():
    assert finish(("bench", 6), holidays=[MONDAY, date(2025, 12, 2)]) == date(2025, 12, 3)


def test_a_start_on_a_sunday_begins_on_monday():
    assert finish(("bench", 0), start=date(2025, 11, 30)) == MONDAY


def test_the_second_job_takes_the_hours_that_the_first_leaves():
    found = schedule([bench(9, "a"), bench(3, "b"), bench(1, "c")], MONDAY, WEEK)
    assert found == {"a": date(2025, 12, 2), "b": date(2025, 12, 2), "c": date(2025, 12, 3)}


def test_while_one_job_dries_the_next_is_worked_on():
    drying = QueuedJob("a", [("bench", 6), ("wait_working", 2), ("bench", 6)])
    assert schedule([drying, bench(6, "b")], MONDAY, WEEK) == {"a": date(2025, 12, 3), "b": date(2025, 12, 2)}


def test_two_benches_take_two_jobs_a_day_but_one_job_no_faster():
    assert schedule([bench(12, "a"), bench(12, "b")], MONDAY, WEEK, benches=2) == {
        "a": date(2025, 12, 2),
        "b": date(2025, 12, 2),
    }


def test_with_two_benches_one_job_still_takes_one_bench_a_day_over_all_its_stages():
    assert finish(("bench", 4), ("bench", 4), benches=2) == date(2025, 12, 2)
    found = schedule([bench(4, "a"), QueuedJob("b", [("bench", 4), ("bench", 4)])], MONDAY, WEEK, benches=2)
    assert found == {"a": MONDAY, "b": date(2025, 12, 2)}


def test_a_job_does_not_begin_before_its_release():
    assert schedule([bench(1, "a", release=date(2025, 12, 3))], MONDAY, WEEK) == {"a": date(2025, 12, 3)}
    assert schedule([bench(1, "a", release=date(2025, 11, 3))], MONDAY, WEEK) == {"a": MONDAY}


def test_working_days_are_counted_over_weekends_and_holidays():
    assert add_working_days(date=MONDAY, days=0, hours=WEEK, holidays=()) == MONDAY
    assert add_working_days(MONDAY, 5, WEEK, ()) == date(2025, 12, 8)
    assert add_working_days(MONDAY, 5, WEEK, [date(2025, 12, 3)]) == date(2025, 12, 9)
    assert add_working_days(date(2025, 12, 6), 0, WEEK) == date(2025, 12, 6)


def test_the_buffer_by_hand():
    # 0.1 x 21/6 + 1.2816 x 0.35 x sqrt(9 + 100 + 36 + 4)/6 = 0.35 + 0.9125
    assert buffer_days(bench_hours=[3, 10, 6, 2], hours_per_day=6) == 2
    assert buffer_days([20], 5, bias=0) == 2  # 1.2816 x 0.35 x 4 = 1.794
    assert buffer_days([100], 10, spread=0) == 1  # 0.1 x 10
    assert buffer_days([1], 10, spread=0, wait_sds=[3, 4], bias=0) == 7  # 1.2816 x 5 = 6.408
    assert buffer_days([20], 5, spread=0, bias=0.25) == 1
    assert buffer_days([20], 5, spread=0, bias=-0.5) == 0


def test_the_buffer_is_kept_nine_times_in_ten():
    assert NormalDist().cdf(promise.Z) == pytest.approx(0.9, abs=1e-5)


def test_the_shops_own_habits_are_told_once_ten_are_finished():
    quoted = [10.0] * 10
    actual = [9.0, 11.0, 12.0, 10.0, 13.0, 9.0, 11.0, 12.0, 10.0, 13.0]
    assert fit_habits(quoted_hours=quoted[:9], actual_hours=actual[:9]) is None
    habits = fit_habits(quoted, actual)
    assert habits.bias == pytest.approx(0.10)
    assert habits.spread == pytest.approx(math.sqrt(2 * (4 + 0 + 1 + 1 + 4) / 9) / 10)
    assert habits.count == 10


# Rejections


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"jobs": []}, "jobs"),
        ({"jobs": "jobs"}, "jobs"),
        ({"jobs": [None]}, "jobs"),
        ({"jobs": [JOB, JOB]}, "147 twice"),
        ({"start": "2025-12-01"}, "start"),
        ({"start": datetime(2025, 12, 1)}, "start"),
        ({"hours": (6, 6, 6)}, "hours"),
        ({"hours": (6, 6, 6, 6, 4, 0, -1)}, "hours"),
        ({"hours": (6, 6, 6, 6, 4, 0, 25)}, "hours"),
        ({"hours": (6, 6, 6, 6, 4, 0, math.nan)}, "hours"),
        ({"hours": (6, 6, 6, 6, 4, 0, True)}, "hours"),
        ({"hours": "6666400"}, "hours"),
        ({"benches": 0}, "benches"),
        ({"benches": 1.0}, "benches"),
        ({"holidays": ["2025-12-25"]}, "holidays"),
        ({"holidays": 5}, "holidays"),
    ],
)
def test_a_queue_that_cannot_be_is_refused(changes, named):
    with pytest.raises(MeasurementError, match=named):
        schedule(**{"jobs": [JOB], "start": MONDAY, "hours": WEEK, **changes})


@pytest.mark.parametrize(
    "stage",
    [
        ("bench", -1),
        ("bench", math.nan),
        ("bench", math.inf),
        ("bench", True),
        ("bench", "3"),
        ("bench", 10**400),
        ("bench", 10_001),
        ("wait_calendar", 1.5),
        ("wait_working", -1),
        ("wait_calendar", 3661),
        ("sleep", 1),
        ("bench",),
        "bench",
        None,
    ],
)
def test_a_stage_that_cannot_be_is_refused(stage):
    with pytest.raises(MeasurementError, match="stages"):
        schedule([QueuedJob(1, [stage])], MONDAY, WEEK)


def test_a_job_without_stages_or_with_a_release_that_is_no_date_is_refused():
    with pytest.raises(MeasurementError, match="stages must not be empty"):
        schedule([QueuedJob(1, [])], MONDAY, WEEK)
    with pytest.raises(MeasurementError, match="stages must be a list"):
        schedule([QueuedJob(1, "bench")], MONDAY, WEEK)
    with pytest.raises(MeasurementError, match="release"):
        schedule([replace(JOB, release="soon")], MONDAY, WEEK)


def test_a_shop_without_room_says_so_instead_of_searching_for_ever():
    with pytest.raises(MeasurementError, match="no room within 3660 days"):
        schedule([bench(1)], MONDAY, (0,) * 7)
    with pytest.raises(MeasurementError, match="no room within 3660 days"):
        schedule([bench(10_000)], MONDAY, (1, 0, 0, 0, 0, 0, 0))
    with pytest.raises(MeasurementError, match="no open day within 3660 days"):
        add_working_days(MONDAY, 1, (0,) * 7, ())
    with pytest.raises(MeasurementError, match="no open day within 3660 days"):
        schedule([QueuedJob(1, [("wait_calendar", 1)])], MONDAY, (0,) * 7)


def test_the_end_of_the_calendar_is_an_error_with_a_sentence():
    with pytest.raises(MeasurementError, match="calendar"):
        schedule([bench(100)], date.max, (1,) * 7)
    with pytest.raises(MeasurementError, match="calendar"):
        add_working_days(date.max, 1, (1,) * 7)


@pytest.mark.parametrize("bad", [-1, 1.5, True, "5", None, 3661])
def test_days_are_whole_and_not_too_many(bad):
    with pytest.raises(MeasurementError, match="days"):
        add_working_days(MONDAY, bad, WEEK)


@pytest.mark.parametrize(
    "bad",
    [
        {"bench_hours": []},
        {"bench_hours": [-1]},
        {"bench_hours": [math.nan]},
        {"bench_hours": "12"},
        {"hours_per_day": 0},
        {"hours_per_day": math.inf},
        {"spread": -0.1},
        {"wait_sds": [-1]},
        {"wait_sds": 1},
        {"bias": -1.1},
        {"z": -1},
        {"z": True},
    ],
)
def test_a_buffer_from_impossible_values_is_refused(bad):
    with pytest.raises(MeasurementError, match=next(iter(bad))):
        buffer_days(**{"bench_hours": [3], "hours_per_day": 6, **bad})


@pytest.mark.parametrize(
    ("quoted", "actual", "named"),
    [([0] * 10, [1] * 10, "quoted_hours"), ([1] * 10, [-1] * 10, "actual_hours"), ([1] * 10, [1] * 9, "actual_hours")],
)
def test_habits_from_impossible_hours_are_refused(quoted, actual, named):
    with pytest.raises(MeasurementError, match=named):
        fit_habits(quoted, actual)


# Laws


@settings(max_examples=150, deadline=None)
@given(queues, stages, weeks, st.integers(1, 3), holidays)
def test_a_job_added_behind_makes_no_earlier_one_later(queue, more, week, benches, closed):
    before = schedule(queue, MONDAY, week, benches, closed)
    after = schedule([*queue, QueuedJob("new", more)], MONDAY, week, benches, closed)
    assert {number: after[number] for number in before} == before


@settings(max_examples=100, deadline=None)
@given(queues, weeks, st.integers(1, 3), holidays)
def test_the_dates_come_in_the_order_of_the_queue_and_on_open_days(queue, week, benches, closed):
    found = schedule(queue, MONDAY, week, benches, closed)
    assert list(found) == [job.id for job in queue]
    for job in queue:
        assert found[job.id] >= max(MONDAY, job.release or MONDAY)
        assert week[found[job.id].weekday()] > 0
        assert found[job.id] not in closed


@settings(max_examples=100, deadline=None)
@given(st.lists(stages, min_size=2, max_size=2), weeks, st.integers(1, 2))
def test_of_two_jobs_that_are_alike_the_first_is_not_done_later(pair, week, benches):
    found = schedule([QueuedJob("a", pair[0]), QueuedJob("b", pair[0])], MONDAY, week, benches)
    assert found["a"] <= found["b"]


@settings(max_examples=100, deadline=None)
@given(queues, weeks, holidays)
def test_no_more_hours_are_worked_than_the_shop_is_open(queue, week, closed):
    last = max(schedule(queue, MONDAY, week, 1, closed).values())
    days = [MONDAY + timedelta(n) for n in range((last - MONDAY).days + 1)]
    room = sum(week[day.weekday()] for day in days if day not in closed)
    assert sum(hours for job in queue for kind, hours in job.stages if kind == "bench") <= room + 1e-6


@given(st.lists(st.floats(0, 40), min_size=1, max_size=20), st.floats(1, 12), st.floats(0, 40))
def test_more_work_in_front_never_needs_a_smaller_buffer(hours, per_day, more):
    assert buffer_days([*hours, more], per_day) >= buffer_days(hours, per_day)


@given(st.integers(0, 60), st.integers(0, 60), weeks, holidays)
def test_working_days_add_up(one, other, week, closed):
    halfway = add_working_days(MONDAY, one, week, closed)
    assert add_working_days(halfway, other, week, closed) == add_working_days(MONDAY, one + other, week, closed)

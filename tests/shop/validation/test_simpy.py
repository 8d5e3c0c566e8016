"""The day grid of the queue against a discrete-event simulation.

SimPy, process-based discrete-event simulation framework for Python (Team SimPy), version 4. The bench is a
pre-emptive resource; a job's rank in the queue is its priority; the closed part of a day takes the bench before
everybody. Time runs in hours from the start's midnight, a day's opening at its midnight. With one bench the grid and
this strict-priority simulation must agree to the day.
"""

import random
from datetime import date, timedelta

import pytest
import simpy

from shop.core.promise import QueuedJob, schedule

MONDAY = date(2025, 12, 1)
DAYS = 400


def simulate(jobs, start, week, holidays=()):
    """The day each job ends, by its id."""
    world = simpy.Environment()
    bench = simpy.PreemptiveResource(world, capacity=1)
    finished = {}

    def open_hours(number):
        today = start + timedelta(number)
        return 0 if today in holidays else week[today.weekday()]

    def clock():
        """Takes the bench whenever the shop is closed."""
        for number in range(DAYS):
            hours = open_hours(number)
            if hours:
                yield world.timeout(hours)
            with bench.request(priority=-1) as shut:
                yield shut
                yield world.timeout(24 - hours)

    def work(rank, left):
        while left > 1e-9:
            with bench.request(priority=rank) as turn:
                begun = None
                try:
                    yield turn
                    begun = world.now
                    yield world.timeout(left)
                    left = 0
                except simpy.Interrupt:
                    left -= world.now - begun

    def course(rank, job):
        first = max(start, job.release or start)
        yield world.timeout(24 * (first - start).days)
        for kind, amount in job.stages:
            today = int(world.now // 24)
            if kind == "bench":
                yield from work(rank, amount)
                continue
            until = today
            if kind == "wait_calendar":
                until += amount
            else:
                for _ in range(amount):
                    until += 1
                    while not open_hours(until):
                        until += 1
            if until > today:
                yield world.timeout(24 * until - world.now)
        last = int(world.now // 24)
        while not open_hours(last):
            last += 1
        finished[job.id] = start + timedelta(last)

    world.process(clock())
    for rank, job in enumerate(jobs):
        world.process(course(rank, job))
    world.run(until=24 * DAYS - 1)
    assert len(finished) == len(jobs), "the simulated year was too short"
    return finished


def test_the_worked_job_ends_on_the_9th_in_both():
    job = QueuedJob(
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
    week = (6, 6, 6, 6, 4, 0, 0)
    assert simulate([job], MONDAY, week) == schedule([job], MONDAY, week) == {147: date(2025, 12, 9)}


def queue(draw):
    """Up to ten jobs in quarter hours, as a rack of a small shop has."""
    jobs = []
    for number in range(draw.randint(1, 10)):
        stages = []
        for _ in range(draw.randint(1, 6)):
            kind = draw.choice(["bench", "bench", "wait_calendar", "wait_working"])
            stages.append((kind, draw.randint(0, 60) / 4 if kind == "bench" else draw.randint(0, 5)))
        release = MONDAY + timedelta(draw.randint(0, 30)) if draw.random() < 0.3 else None
        jobs.append(QueuedJob(number, stages, release))
    return jobs


@pytest.mark.parametrize("seed", range(40))
def test_a_queue_ends_on_the_same_days_as_in_the_simulation(seed):
    draw = random.Random(seed)
    jobs = queue(draw)
    week = [draw.choice([0, 4, 6, 7.5, 8]) for _ in range(5)] + [draw.choice([0, 0, 3]) for _ in range(2)]
    week[draw.randrange(5)] = 6
    holidays = {MONDAY + timedelta(draw.randint(0, 40)) for _ in range(draw.randint(0, 6))}
    start = MONDAY + timedelta(draw.randint(0, 6))
    assert schedule(jobs, start, week, 1, holidays) == simulate(jobs, start, week, holidays)

"""What a row of the rack says: turn, words, days late, who should act today."""

import datetime
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from shop import rack
from shop.core import route
from shop.models import Job
from tests.factories import make_client, make_instrument, make_job

pytestmark = pytest.mark.django_db

LONDON = ZoneInfo("Europe/London")
NOON = datetime.datetime(2026, 11, 25, 12, tzinfo=LONDON)
DAY = datetime.timedelta(days=1)


def standing_at(kind: str, *, since: datetime.datetime = NOON - DAY, begun: bool = False, **fields) -> Job:
    job = make_job(at=NOON - 30 * DAY, **fields)
    for stage in job.stages.all():
        if stage.kind == kind:
            if begun:
                stage.state, stage.begun_at = route.BEGUN, since
                stage.save()
            break
        stage.state, stage.finished_at = route.DONE, since
        stage.save()
    job.stage = kind
    job.save()
    return Job.objects.for_lists().get(pk=job.pk)


@pytest.mark.parametrize(
    ("kind", "turn"),
    [("count_in", "desk"), ("arrival_check", "bench"), ("estimate", "office"), ("answer", "client"), ("pack", "desk")],
)
def test_the_turn_is_whose_stage_it_is(kind, turn):
    assert rack.turn_of(standing_at(kind)) == turn


def test_a_set_on_hold_waits_for_what_holds_it():
    job = standing_at("answer")
    job.held_since, job.hold_reason = NOON - 3 * DAY, "pins are ordered"
    row = rack.row(job, NOON)
    assert (row.turn, row.words, row.asks, row.since) == ("held", "On hold: pins are ordered", "", NOON - 3 * DAY)


def test_a_set_that_went_home_waits_for_nobody():
    job = standing_at("leave")
    job.left_at = NOON - 9 * DAY
    row = rack.row(job, NOON)
    assert (row.turn, row.words, row.asks) == ("", "Gone home Mon 16 Nov 2026", "")
    job.left_with = "the carrier"
    assert rack.row(job, NOON).words == "Gone home Mon 16 Nov 2026 with the carrier"


def test_a_check_under_way_says_how_many_keys_are_read():
    job = standing_at("arrival_check", begun=True, missing=[7])
    job.grades = "0123" * 15 + "0" + "-" + "." * 26
    assert len(job.grades) == 88
    assert rack.in_words(job, NOON) == "Arrival check, 61 of 87"


def test_a_check_not_begun_counts_nothing():
    assert rack.in_words(standing_at("arrival_check"), NOON) == "Arrival check"


def test_keys_done_at_a_stage_are_told():
    job = standing_at("final_check")
    job.current_stage.keys_done = 52
    assert rack.in_words(job, NOON) == "Final check, 52 of 88"


@pytest.mark.parametrize(
    ("since", "words"),
    [
        (NOON - datetime.timedelta(hours=2), "Waiting for the answer since today"),
        (datetime.datetime(2026, 11, 24, 23, 50, tzinfo=LONDON), "Waiting for the answer 1 day"),
        (NOON - 4 * DAY, "Waiting for the answer 4 days"),
    ],
)
def test_days_of_waiting_are_midnights_in_the_shop(since, words):
    assert rack.in_words(standing_at("answer", since=since), NOON) == words


def test_a_set_that_dries_says_until_when():
    job = standing_at("final_check")
    job.current_stage.ready_at = NOON + datetime.timedelta(hours=20)
    assert rack.in_words(job, NOON) == "Final check, dries until Thu 26 Nov, 08:00"
    assert rack.in_words(job, NOON + DAY) == "Final check"


@pytest.mark.parametrize(
    ("promised", "days", "due"),
    [
        (datetime.date(2026, 12, 18), 0, "Fri 18 Dec"),
        (datetime.date(2026, 11, 25), 0, "Wed 25 Nov"),
        (datetime.date(2026, 11, 24), 1, "Tue 24 Nov, 1 day late"),
        (datetime.date(2026, 11, 22), 3, "Sun 22 Nov, 3 days late"),
        (None, 0, ""),
    ],
)
def test_late_is_counted_in_days(promised, days, due):
    row = rack.row(standing_at("final_check", promised_on=promised), NOON)
    assert (row.days_late, row.due) == (days, due)


def test_late_is_judged_by_the_day_a_set_went_home():
    job = standing_at("leave", promised_on=datetime.date(2026, 11, 20))
    job.left_at = datetime.datetime(2026, 11, 20, 17, tzinfo=LONDON)
    assert rack.days_late(job, datetime.date(2026, 12, 31)) == 0


@pytest.mark.parametrize(
    ("kind", "since", "promised", "asks"),
    [
        ("count_in", NOON, None, "waits at the counter"),
        ("estimate", NOON, None, "waits in the office"),
        ("answer", NOON - 6 * DAY, None, ""),
        ("answer", NOON - 7 * DAY, None, "no answer yet: ask"),
        ("final_check", NOON, None, ""),
        ("final_check", NOON, datetime.date(2026, 11, 25), "promised for today"),
        ("final_check", NOON, datetime.date(2026, 11, 24), "late"),
    ],
)
def test_who_should_act_today(kind, since, promised, asks):
    assert rack.asks(standing_at(kind, since=since, promised_on=promised), NOON) == asks


@pytest.mark.parametrize("text", ["müller", "Muller ost", "48213", "48 213", "thorn", "0001", "k-0001", ""])
def test_a_row_is_found_by_tag_client_or_piano(text):
    client = make_client(name="K. Müller-Ost")
    job = make_job(client=client, instrument=make_instrument(client=client, serial="48 213"))
    text = text.replace("0001", f"{job.number:04d}")
    assert rack.matches(rack.row(job, NOON), text)
    assert not rack.matches(rack.row(job, NOON), "varga")


def test_rows_ask_the_database_nothing():
    for _ in range(3):
        standing_at("answer")
    jobs = list(Job.objects.on_the_rack().for_lists())
    with CaptureQueriesContext(connection) as queries:
        rack.rows(jobs, NOON)
    assert len(queries) == 0

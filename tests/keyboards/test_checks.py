"""A check is begun once, closed by somebody who knows what is missing, and moves the set along."""

import threading
from decimal import Decimal

import pytest
from django.db import connections, transaction

from keyboards.models import Check, CheckKind, Gauge
from keyboards.workflow.checks import (
    USUAL_QUANTITIES,
    check_begin,
    check_change,
    check_close,
    check_discard,
    check_reopen,
    open_points,
)
from keyboards.workflow.entries import CheckClosed, entries_apply
from keyboards.workflow.photos import photo_add
from shop.models import Event, Job
from shop.workflow.refusal import Refused
from shop.workflow.stages import stage_finish
from tests.factories import make_check, make_job, make_person
from tests.keyboards.test_entries import op
from tests.keyboards.test_photos import jpeg

pytestmark = pytest.mark.django_db


@pytest.fixture
def by():
    return make_person()


def counted_in(by) -> Job:
    """A set that stands at its arrival check."""
    job = make_job()
    stage_finish(job.stages.get(kind="count_in"), by=by)
    job.refresh_from_db()
    return job


def state_of(job: Job, kind: str) -> str:
    return job.stages.get(kind=kind).state


# --- begin ---


def test_a_check_is_begun_with_the_air_the_instrument_and_what_is_measured(by):
    job, gauge = counted_in(by), Gauge.objects.create(name="Caliper")
    check = check_begin(
        job=job, kind="arrival", by=by, gauge=gauge, humidity=Decimal("58"), temperature=Decimal("19.5"), note=" damp "
    )
    kept = Check.objects.get()
    assert (kept.pk, kept.kind, kept.begun_by, kept.gauge, kept.note) == (check.pk, "arrival", by, gauge, "damp")
    assert (kept.humidity, kept.temperature) == (Decimal("58"), Decimal("19.5"))
    assert set(kept.quantities) == set(USUAL_QUANTITIES["arrival"])
    assert state_of(job, "arrival_check") == "begun"
    assert Event.objects.filter(what="check_begun", job=job, by=by).count() == 1


def test_beginning_a_check_the_set_does_not_stand_at_leaves_the_route_alone(by):
    job = make_job()
    check_begin(job=job, kind="arrival", by=by)
    assert state_of(job, "arrival_check") == "waiting"


def test_a_second_check_of_a_kind_waits_until_the_first_is_closed(by):
    job = make_job()
    make_check(job=job, kind="arrival")
    with pytest.raises(Refused, match="open already"):
        check_begin(job=job, kind="arrival", by=by)
    check_begin(job=job, kind="visit", by=by)
    Check.objects.filter(kind="arrival").update(closed_at="2026-01-01T00:00Z")
    check_begin(job=job, kind="arrival", by=by)


def test_a_set_that_has_gone_home_gets_visits_only(by):
    job = make_job()
    Job.objects.update(left_at="2026-01-01T00:00Z")
    with pytest.raises(Refused, match="gone home"):
        check_begin(job=job, kind="final", by=by)
    check_begin(job=job, kind="visit", by=by)


def test_a_set_whose_keys_are_not_written_down_is_not_checked(by):
    job = make_job()
    job.compass.delete()
    with pytest.raises(Refused, match="which keys"):
        check_begin(job=job, kind="arrival", by=by)


@pytest.mark.parametrize(
    ("wrong", "sentence"), [({"quantities": ["price"]}, "no quantity"), ({"sample": [3, 5]}, "does not have: 3")]
)
def test_a_check_measures_what_we_know_on_keys_that_are_here(by, wrong, sentence):
    job = make_job(missing=[3])
    with pytest.raises(Refused, match=sentence):
        check_begin(job=job, kind="arrival", by=by, **wrong)
    assert not Check.objects.exists()


# --- change ---


def test_the_head_of_an_open_check_can_be_put_right(by):
    check = make_check(sample=[1, 2], sample_random=True)
    changed = check_change(check, by=by, humidity=Decimal("44"), sample=[1, 2, 9], quantities=["skew", "side_play"])
    assert (changed.humidity, changed.sample, changed.sample_random) == (Decimal("44"), [1, 2, 9], False)
    assert changed.quantities == ["side_play", "skew"]
    assert Event.objects.get(what="check_changed").details["fields"] == ["humidity", "quantities", "sample"]


def test_changing_nothing_leaves_no_trace(by):
    check = make_check()
    check_change(check, by=by, humidity=check.humidity, note="")
    assert not Event.objects.filter(what="check_changed").exists()


def test_a_closed_check_is_not_changed(by):
    check = make_check(closed=True)
    with pytest.raises(CheckClosed):
        check_change(check, by=by, humidity=Decimal("44"))


# --- close ---


def test_closing_finishes_the_stage_the_set_waited_at(by):
    job = counted_in(by)
    check = check_begin(job=job, kind="arrival", by=by, quantities=["balance_mortise_width"])
    entries_apply(check, [op(key=key) for key in range(1, 89)], by=by)
    check_close(check, by=by)
    check.refresh_from_db()
    assert (check.is_closed, check.closed_by) == (True, by)
    assert state_of(job, "arrival_check") == "done"
    details = Event.objects.get(what="check_closed").details
    assert (details["read"], details["unread"]) == (88, [])


def test_unread_keys_are_named_and_closing_must_be_confirmed(by):
    check = make_check()
    entries_apply(check, [op(key=key) for key in range(1, 81)], by=by)
    with pytest.raises(Refused, match="81–88"):
        check_close(check, by=by)
    check_close(check, by=by, confirm=True)
    assert Event.objects.get(what="check_closed").details["unread"] == list(range(81, 89))


def test_a_sample_is_complete_when_its_own_keys_are_read(by):
    check = make_check(sample=[5, 10])
    entries_apply(check, [op(key=5)], by=by)
    with pytest.raises(Refused, match="keys 10"):
        check_close(check, by=by)
    entries_apply(check, [op(key=10)], by=by)
    check_close(check, by=by)


def test_missing_keys_are_not_unread(by):
    check = make_check(job=make_job(missing=[88]))
    entries_apply(check, [op(key=key) for key in range(1, 88)], by=by)
    check_close(check, by=by)


def test_nothing_read_is_nothing_to_close(by):
    check = make_check()
    entries_apply(check, [op("note", text="box dented")], by=by)
    with pytest.raises(Refused, match="Nothing has been read"):
        check_close(check, by=by, confirm=True)


def test_a_check_is_closed_once(by):
    check = make_check()
    entries_apply(check, [op()], by=by)
    check_close(check, by=by, confirm=True)
    with pytest.raises(CheckClosed):
        check_close(check, by=by, confirm=True)
    assert Event.objects.filter(what="check_closed").count() == 1


def test_open_points_name_gaps_but_not_what_was_skipped_on_purpose(by):
    check = make_check(quantities=["balance_mortise_width", "skew"], humidity=None)
    entries_apply(
        check,
        [
            op(key=1),
            op(key=2),
            op("skip", key=2, quantity="skew", why="glued shut"),
            op(key=3, minute=1),
            op(key=3, minute=2, value="5.90"),
        ],
        by=by,
    )
    points = open_points(check)
    assert points.gaps == {"skew": (1, 3)}
    assert points.differ == (3,)
    assert points.no_humidity
    assert points.read == 3
    assert points.unread == tuple(range(4, 89))


# --- open again, throw away ---


def test_a_closed_check_is_opened_again_with_a_reason_and_loses_its_release(by):
    check = make_check(kind=CheckKind.FINAL, closed=True, released_by=by, release_reason="two keys at the limit")
    with pytest.raises(Refused, match="why"):
        check_reopen(check, by=by, reason=" ")
    check_reopen(check, by=by, reason="key 41 misread")
    check.refresh_from_db()
    assert (check.is_closed, check.closed_by, check.released_by, check.release_reason) == (False, None, None, "")
    assert Event.objects.get(what="check_reopened").details["reason"] == "key 41 misread"
    with pytest.raises(Refused, match="is open"):
        check_reopen(check, by=by, reason="again")


def test_a_check_is_not_opened_beside_another_of_its_kind(by):
    check = make_check(closed=True)
    make_check(job=check.job)
    with pytest.raises(Refused, match="open already"):
        check_reopen(check, by=by, reason="key 41 misread")


@pytest.mark.django_db(transaction=True)
def test_nor_beside_one_that_is_just_being_begun():
    by, check, came = make_person(), make_check(closed=True), []

    def reopen():
        try:
            check_reopen(check, by=by, reason="key 41 misread")
        except Refused as refusal:
            came.append(str(refusal))
        finally:
            connections.close_all()

    other = threading.Thread(target=reopen)
    with transaction.atomic():
        check_begin(job=check.job, kind=check.kind, by=by)
        other.start()
        other.join(timeout=0.3)
    other.join(timeout=60)
    assert came == ["A check of this kind is open already. Go on with that one."]


def test_a_check_begun_by_mistake_is_thrown_away_while_it_is_empty(by):
    check = make_check()
    check_discard(check, by=by)
    assert not Check.objects.exists()
    assert Event.objects.filter(what="check_discarded").count() == 1


@pytest.mark.parametrize("entered", ["entry", "photo"])
def test_a_check_in_which_anything_was_entered_stays(by, entered):
    check = make_check()
    if entered == "entry":
        entries_apply(check, [op()], by=by)
    else:
        photo_add(job=check.job, check=check, data=jpeg(), by=by)
    with pytest.raises(Refused, match="it stays"):
        check_discard(check, by=by)
    assert Check.objects.exists()

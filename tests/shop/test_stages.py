"""Stages: who may move what, in which order, and what a move leaves behind."""

import datetime
import re
import threading
from decimal import Decimal

import pytest
from django.db import connections, transaction
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from shop.core import route
from shop.event_words import sentence
from shop.models import Event, Job, Role, Spell, Stage
from shop.workflow import counts, stages
from shop.workflow.estimates import DraftLine, DraftOption, estimate_accept, estimate_draft, estimate_send
from shop.workflow.opening import open_shop
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb

pytestmark = pytest.mark.django_db

MOVES = ["stage_begin", "stage_put_down", "stage_finish", "stage_skip", "stage_send_back"]


def at_stage(kind: str, **work):
    """A job whose earlier stages are all done, standing at the first stage of this kind."""
    job = make_job()
    stages.add_work(job, {"cloth": Decimal(352), "strip": Decimal(60), **work})
    now = timezone.now()
    for stage in job.stages.all():
        if stage.kind == kind:
            job.stage = kind
            job.save(update_fields=["stage"])
            return job, stage
        stage.state, stage.finished_at = route.DONE, now
        stage.save()
    raise AssertionError(kind)


def test_a_stage_begun_is_in_somebodys_hands():
    job, stage = at_stage("strip")
    person = make_person()
    stage = stages.stage_begin(stage, by=person)
    assert stage.state == route.BEGUN
    assert Spell.objects.get(stage=stage, minutes__isnull=True).by == person
    assert Event.objects.filter(job=job, what="stage_begun", by=person).count() == 1


def test_a_stage_waits_for_the_stages_before_it():
    job, _ = at_stage("strip")
    later = job.stages.get(kind="cloth")
    with pytest.raises(Refused, match="earlier stage"):
        stages.stage_begin(later, by=make_person())
    with pytest.raises(Refused, match="earlier stage"):
        stages.stage_finish(later, by=make_person())


def test_two_people_finishing_one_stage_leave_one_finish():
    _, stage = at_stage("strip")
    first, second = make_person(), make_person()
    stages.stage_finish(stage, by=first)
    with pytest.raises(Refused, match="not open"):
        stages.stage_finish(stage, by=second)
    assert Event.objects.filter(what="stage_finished").count() == 1


def test_time_runs_from_taking_up_to_putting_down():
    _, stage = at_stage("strip")
    person = make_person()
    begun = timezone.now()
    stage = stages.stage_begin(stage, by=person, at=begun)
    stages.stage_put_down(stage, by=person, at=begun + datetime.timedelta(minutes=90), note="bass done")
    spell = Spell.objects.get(stage=stage)
    assert (spell.minutes, spell.note) == (Decimal("90.0"), "bass done")


def test_a_spell_nobody_stopped_is_capped():
    _, stage = at_stage("strip")
    person = make_person()
    begun = timezone.now()
    stage = stages.stage_begin(stage, by=person, at=begun)
    stages.stage_finish(stage, by=person, at=begun + datetime.timedelta(days=3))
    assert Spell.objects.get(stage=stage).minutes == Decimal("720.0")


def test_a_held_set_moves_nowhere_until_it_is_released():
    job, stage = at_stage("strip")
    person = make_person()
    stages.job_hold(job, by=person, reason="waits for pins")
    with pytest.raises(Refused, match="on hold"):
        stages.stage_begin(stage, by=person)
    stages.job_release(job, by=person)
    assert stages.stage_begin(stage, by=person).state == route.BEGUN
    stages.job_hold(job, by=person, reason="waits for cloth")
    assert not Spell.objects.filter(minutes__isnull=True).exists()  # nobody's clock runs meanwhile


def test_no_set_leaves_before_its_final_check():
    job, stage = at_stage("final_check")
    with pytest.raises(Refused, match="final check"):
        stages.stage_finish(stage, by=make_person())
    with pytest.raises(Refused, match="never skipped"):
        stages.stage_skip(stage, by=make_person(), reason="in a hurry")
    job.refresh_from_db()
    assert job.left_at is None


def test_sending_back_opens_the_stage_and_all_behind_it():
    job, _ = at_stage("final_check")
    person = make_person()
    cloth = job.stages.get(kind="cloth")
    stages.send_back(job, cloth, by=person, reason="three keys loose")
    job.refresh_from_db()
    assert job.stage == "cloth"
    assert job.stages.get(kind="strip").state == route.DONE
    assert job.stages.get(kind="cloth").state == route.WAITING


@pytest.mark.parametrize(("letter", "dries"), [("A", False), ("B", True)])
def test_only_the_work_that_was_agreed_has_to_dry(letter, dries):
    open_shop(name="Testing Key Works")
    job, _ = at_stage("pins", pins=Decimal(75))
    owner = make_person(role=Role.OWNER)
    pins, holes = DraftLine("pins", Decimal(1)), DraftLine("holes", Decimal(3))  # holes wait 12 hours, pins none
    options = [DraftOption("Pins", lines=(pins,)), DraftOption("Pins and holes", lines=(pins, holes))]
    estimate = estimate_draft(job=job, options=options, by=owner)
    estimate_send(estimate, to="", by=owner)
    estimate_accept(estimate, option=letter, name="Ilse", by=owner)
    stages.stage_finish(job.stages.get(kind="pins"), by=owner)
    following = next(row for row in job.stages.all() if row.is_open)
    assert (following.ready_at is not None) is dries


# The ladder of each view.


def test_a_technician_takes_a_stage_and_finishes_it(client):
    job, stage = at_stage("strip")
    client.force_login(make_person())
    assert client.post(reverse("stage_begin", args=[job.number, stage.pk])).status_code == 302
    page = client.get(reverse("stage_detail", args=[job.number, stage.pk]))
    assert b"This stage is done" in page.content
    client.post(reverse("stage_finish", args=[job.number, stage.pk]))
    job.refresh_from_db()
    assert job.stage == "stripped_check"


@pytest.mark.parametrize("name", MOVES)
def test_moves_ask_to_sign_in_and_take_only_posts(client, name):
    job, stage = at_stage("strip")
    address = reverse(name, args=[job.number, stage.pk])
    assert client.post(address).status_code == 302
    assert reverse("sign_in") in client.post(address)["Location"]
    client.force_login(make_person())
    assert client.get(address).status_code == 405
    assert client.post(reverse(name, args=[job.number, 10**9])).status_code == 404


def test_the_front_desk_does_not_move_the_bench(client):
    job, stage = at_stage("strip")
    client.force_login(make_person(role=Role.DESK))
    client.post(reverse("stage_begin", args=[job.number, stage.pk]))
    stage.refresh_from_db()
    assert stage.state == route.WAITING
    assert client.post(reverse("use_record", args=[job.number, stage.pk])).status_code == 403


def test_a_reason_is_asked_for_before_a_stage_is_left_out(client):
    job, stage = at_stage("strip")
    client.force_login(make_person())
    page = client.post(reverse("stage_skip", args=[job.number, stage.pk]), {"skip-reason": " "})
    assert page.status_code == 200
    assert b"required" in page.content
    stage.refresh_from_db()
    assert stage.state == route.WAITING


def test_a_wrong_count_stops_the_packing_and_says_by_how_much(client):
    job, stage = at_stage("pack")
    client.force_login(make_person(role=Role.DESK))
    page = client.post(reverse("stage_finish", args=[job.number, stage.pk]), {"keys": 87, "boxes": 1})
    assert page.status_code == 200
    assert b"88 keys came in" in page.content
    stage.refresh_from_db()
    assert stage.state == route.WAITING


def test_the_set_goes_home_with_a_name(client):
    job, stage = at_stage("pack")
    make_readings(
        check=make_check(job=job, kind="final", closed=True, quantities=["side_play"]), side_play=480, grade=0
    )
    client.force_login(make_person(role=Role.DESK))
    page = client.get(reverse("stage_detail", args=[job.number, stage.pk])).content.decode()
    assert re.search('name="boxes"[^>]*value', page) is None  # a figure that stands there is confirmed, not counted
    client.post(reverse("stage_finish", args=[job.number, stage.pk]), {"keys": 88, "boxes": 1})
    leave = job.stages.get(kind="leave")
    again = client.post(reverse("stage_finish", args=[job.number, leave.pk]), {}).content.decode()
    for words in ("required", "88 keys in one box. The keyframe came with them.", "No bill is written for this set"):
        assert words in again
    client.post(reverse("stage_finish", args=[job.number, leave.pk]), {"left_with": "I. Varga"})
    job.refresh_from_db()
    assert job.left_with == "I. Varga"
    assert job.left_at is not None


def test_the_bench_page_asks_as_many_questions_for_20_sets_as_for_2(client, django_assert_num_queries):
    person = make_person()
    client.force_login(person)

    def queries():
        from django.db import connection
        from django.test.utils import CaptureQueriesContext

        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("bench")).status_code == 200
        return len(seen)

    for _ in range(2):
        at_stage("strip")
    few = queries()
    for _ in range(18):
        at_stage("cloth")
    assert queries() == few


def test_a_clock_that_ran_over_night_is_put_right_by_whose_it_is(client):
    job, stage = at_stage("cloth")
    mine, other = make_person(), make_person()
    spell = stages.hours_book(stage, by=mine, minutes=Decimal(720))
    address = reverse("hours_correct", args=[job.number, stage.pk, spell.pk])
    client.force_login(other)
    assert client.post(address, {"minutes": "1"}).status_code == 404
    client.force_login(mine)
    assert address in client.get(reverse("stage_detail", args=[job.number, stage.pk])).content.decode()
    assert b"less than or equal to 1440" in client.post(address, {"minutes": "1500"}).content
    client.post(address, {"minutes": "95"})
    spell.refresh_from_db()
    assert spell.minutes == 95
    words = sentence(job.events.get(what="hours_corrected"))
    assert words.startswith(f"put right the time of {mine.short_name}: 95 minutes, not 720")
    stages.hours_correct(spell, by=mine, minutes=Decimal(0))
    spell.refresh_from_db()
    assert spell.minutes == 0
    roles = {Role.TECHNICIAN}
    climb("hours_correct", job.number, stage.pk, spell.pk, roles=roles, methods={"GET", "HEAD", "POST"})


def test_hours_refuse_what_cannot_be(client):
    job, stage = at_stage("strip")
    client.force_login(make_person())
    for value in ("-5", "NaN", "1e9", "x" * 5000, "\x00"):
        page = client.post(reverse("hours_book", args=[job.number, stage.pk]), {"minutes": value})
        assert page.status_code == 200, value
    assert not Spell.objects.exists()


class RouteMachine(RuleBasedStateMachine):
    """Any moves in any order never bring a route into a state that cannot be."""

    def __init__(self):
        super().__init__()
        self.kinds = ["count_in", "arrival_check", "estimate", "answer", "strip", "stripped_check", "cloth"]
        self.kinds += ["final_check", "pack", "leave"]
        self.states = [route.WAITING] * len(self.kinds)
        self.held = False

    @rule(index=st.integers(0, 9))
    def begin(self, index):
        if not route.may_begin(self.states, index, held=self.held):
            self.states[index] = route.BEGUN

    @rule(index=st.integers(0, 9))
    def finish(self, index):
        if not route.may_finish(self.states, index, held=self.held):
            self.states[index] = route.DONE

    @rule(index=st.integers(0, 9))
    def skip(self, index):
        if not route.may_skip(self.states, index, self.kinds[index]):
            self.states[index] = route.SKIPPED

    @rule(index=st.integers(0, 9))
    def back(self, index):
        if not route.may_send_back(self.states, index):
            self.states[index:] = [
                route.WAITING if state in (route.DONE, route.BEGUN) else state for state in self.states[index:]
            ]

    @rule()
    def hold(self):
        self.held = not self.held

    @precondition(lambda self: self.held)
    @invariant()
    def nothing_moves_on_hold(self):
        assert all(route.may_begin(self.states, index, held=True) for index in range(10))

    @invariant()
    def at_most_one_stage_is_begun_and_nothing_behind_it_is_done(self):
        begun = [index for index, state in enumerate(self.states) if state == route.BEGUN]
        assert len(begun) <= 1
        current = route.next_open(self.states)
        if current is not None:
            assert all(state != route.DONE for state in self.states[current:])

    @invariant()
    def what_guards_the_way_out_is_never_skipped(self):
        assert route.SKIPPED not in self.states[7:]


RouteMachine.TestCase.settings = hypothesis_settings(max_examples=60, stateful_step_count=30, deadline=None)
TestRoute = RouteMachine.TestCase


# --- steps by hand, drying, hands ------------------------------------------------------------------


def test_a_step_added_by_hand_comes_in_the_trades_order_with_its_reason(client):
    job, stage = at_stage("cloth")
    client.force_login(make_person())
    fields = {"add-kind": "pins", "add-words": "", "add-minutes": "25", "add-reason": "two pins are bent"}
    answer = client.post(reverse("stage_add", args=[job.number, stage.pk]), fields)
    added = job.stages.get(kind="pins")
    assert answer["Location"] == reverse("stage_detail", args=[job.number, added.pk])
    job.refresh_from_db()
    assert job.stage == "pins"  # before the cloth, as the trade goes
    assert job.events.get(what="stage_added").details["reason"] == "two pins are bent"
    again = client.post(reverse("stage_add", args=[job.number, stage.pk]), fields)
    assert b"on the route already" in again.content
    client.post(reverse("stage_add", args=[job.number, stage.pk]), {**fields, "add-words": "Pins of the middle"})
    assert [str(row.title) for row in job.stages.filter(kind="pins")] == [
        "Pins and balance holes",
        "Pins of the middle",
    ]


@pytest.mark.parametrize(
    "change",
    [
        {"add-reason": ""},
        {"add-kind": "leave"},
        {"add-kind": "stripped_check"},
        {"add-minutes": "NaN"},
        {"add-words": "x" * 81},
    ],
)
def test_a_bad_step_gets_a_sentence_and_is_not_added(client, change):
    job, stage = at_stage("cloth")
    client.force_login(make_person())
    fields = {"add-kind": "pins", "add-words": "mine", "add-minutes": "25", "add-reason": "bent", **change}
    page = client.post(reverse("stage_add", args=[job.number, stage.pk]), fields)
    assert page.status_code == 200
    assert not job.stages.filter(kind="pins").exists()
    if "add-words" not in change:
        assert b'value="mine"' in page.content


def test_work_added_after_the_final_check_opens_it_again():
    job, _ = at_stage("pack")
    stages.stage_add(job, "leads", by=make_person(), reason="one lead swells")
    assert job.stages.get(kind="final_check").state == route.WAITING


def test_what_dries_is_not_begun_early_without_a_word(client):
    job, stage = at_stage("cloth")
    person = make_person()
    client.force_login(person)
    stage.ready_at = timezone.now() + datetime.timedelta(hours=5)
    stage.save()
    for move in (stages.stage_begin, stages.stage_finish):
        with pytest.raises(Refused, match="not before"):
            move(stage, by=person)
    address = reverse("stage_begin", args=[job.number, stage.pk])
    assert b"not before" in client.post(address, follow=True).content
    assert client.post(address, {"early": ""}).status_code == 200
    client.post(address, {"early": "the wood is dry by the meter"})
    stage.refresh_from_db()
    assert stage.state == route.BEGUN
    assert job.events.get(what="stage_begun").details["note"] == "the wood is dry by the meter"


def test_what_dries_goes_on_drying_where_the_next_stage_is_left_out_and_starts_anew_where_the_set_goes_back():
    job, stage = at_stage("pins", pins=Decimal(20))
    person, later = make_person(), timezone.now() + datetime.timedelta(hours=5)
    Stage.objects.filter(pk=stage.pk).update(ready_at=later)
    stages.stage_skip(stage, by=person, reason="done before")
    cloth = job.stages.get(kind="cloth")
    assert cloth.ready_at == later
    stages.stage_begin(cloth, by=person, early="dry by the meter")
    job.stages.filter(pk=cloth.pk).update(ready_at=timezone.now())  # of last week, when it had dried
    stages.send_back(job, job.stages.get(kind="strip"), by=person, reason="once more")
    assert job.stages.get(kind="cloth").ready_at is None


def test_a_stage_is_handed_over_to_somebody_by_name(client):
    job, stage = at_stage("strip")
    first, second = make_person(), make_person()
    stage = stages.stage_begin(stage, by=first)
    client.force_login(first)
    client.post(reverse("stage_put_down", args=[job.number, stage.pk]), {"note": "bass done", "to": second.pk})
    client.force_login(second)
    assert b"Put down for you" in client.get(reverse("bench")).content
    client.post(reverse("stage_begin", args=[job.number, stage.pk]))
    assert b"Put down for you" not in client.get(reverse("bench")).content
    stage.refresh_from_db()
    assert stage.handed_to is None


@pytest.mark.parametrize(
    ("waits_for", "heading"),
    [("part", b"Waiting for a part or material"), ("client", b"Waiting for the client"), ("other", b"On hold")],
)
def test_the_bench_page_says_what_a_set_waits_for(client, waits_for, heading):
    job, _ = at_stage("strip")
    person = make_person()
    stages.job_hold(job, by=person, reason="pins are ordered", waits_for=waits_for)
    client.force_login(person)
    assert heading in client.get(reverse("bench")).content


@pytest.mark.django_db(transaction=True)
def test_of_two_people_finishing_a_stage_at_once_one_does_and_the_other_is_told():
    _, stage = at_stage("strip")
    people, together, came = [make_person(), make_person()], threading.Barrier(2), []

    def finish(person):
        try:
            together.wait(timeout=60)
            stages.stage_finish(Stage.objects.select_related("job").get(pk=stage.pk), by=person)
            came.append("done")
        except Refused as refusal:
            came.append(str(refusal))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=finish, args=(person,)) for person in people]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert sorted(word == "done" for word in came) == [False, True]
    assert any("not open" in word for word in came)
    assert Event.objects.filter(what="stage_finished").count() == 1


# Moves forward come oftener than others, at the place where the set stands oftener than elsewhere (-1).
MOVE = st.tuples(
    st.sampled_from(
        ["begin", "finish", "finish", "skip", "back", "hold", "release", "away", "return", "put down", "add"]
    ),
    st.one_of(st.just(-1), st.integers(0, 11)),
)


@given(st.lists(MOVE, min_size=5, max_size=25))
@hypothesis_settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_no_order_of_moves_brings_a_route_into_a_state_that_cannot_be(moves):
    with transaction.atomic():
        person = make_person()
        job, _ = at_stage("strip")
        for move, index in moves:
            job = Job.objects.get(pk=job.pk)
            rows = list(job.stages.all())
            current = next((row for row in rows if row.is_open), rows[-1])
            stage = current if index < 0 else rows[index % len(rows)]
            stopped = bool(job.held_since or job.away_to)
            before = [(row.pk, row.state) for row in rows]
            try:
                _move(move, job, stage, person, index)
            except Refused:
                assert [(row.pk, row.state) for row in job.stages.all()] == before  # a refusal changes nothing
            else:
                assert not (stopped and move in ("begin", "finish")), move
            _must_hold(Job.objects.get(pk=job.pk))
        transaction.set_rollback(True)


def _move(move, job, stage, person, index):
    moves = {
        "begin": lambda: stages.stage_begin(stage, by=person),
        "finish": lambda: stages.stage_finish(stage, by=person),
        "skip": lambda: stages.stage_skip(stage, by=person, reason="no need"),
        "back": lambda: stages.send_back(job, stage, by=person, reason="again"),
        "hold": lambda: stages.job_hold(job, by=person, reason="wait"),
        "release": lambda: stages.job_release(job, by=person),
        "away": lambda: counts.go_away(job, by=person, place="Orlo", keys=88, boxes=1),
        "return": lambda: counts.come_back(job, by=person, keys=88, boxes=1),
        "put down": lambda: stages.stage_put_down(stage, by=person),
        "add": lambda: stages.stage_add(job, stage.kind, by=person, reason="more", words=str(index)),
    }
    moves[move]()


def _must_hold(job):
    rows = list(job.stages.all())
    current = next((row for row in rows if row.is_open), None)
    assert job.stage == (current.kind if current else "")
    assert sum(row.state == route.BEGUN for row in rows) <= 1
    assert [row.position for row in rows] == sorted({row.position for row in rows})
    assert [route.KINDS[row.kind].order for row in rows] == sorted(route.KINDS[row.kind].order for row in rows)
    for row in rows:
        assert (row.state == route.DONE) is (row.finished_at is not None)
        assert row.is_open or not row.spells.filter(minutes__isnull=True).exists()
        if current is not None and row.position > current.position:
            assert row.state not in (route.DONE, route.BEGUN), row
    # Without a final check, which this set never gets, it leaves as it came or not at all.
    passed = any(row.kind in ("final_check", "pack", "leave") and not row.is_open for row in rows)
    assert not passed or all(row.state == route.SKIPPED for row in rows if row.kind in route.WORK)

"""Stages: who may move what, in which order, and what a move leaves behind."""

import datetime
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from shop.core import route
from shop.models import Event, Lot, Material, Role, Spell
from shop.workflow import materials, stages
from shop.workflow.estimates import DraftLine, DraftOption, estimate_accept, estimate_draft, estimate_send
from shop.workflow.opening import open_shop
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person, make_readings

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


def test_a_used_lot_found_bad_is_told_to_every_set_that_has_it():
    job, _ = at_stage("cloth")
    person = make_person()
    lot = Lot.objects.create(
        material=Material.objects.create(kind="cloth", title="Cloth 1.1", thickness=1100), code="A7"
    )
    materials.use_record(job=job, lot=lot, by=person)
    materials.lot_found_bad(lot, by=person, reason="shrinks")
    assert Event.objects.filter(job=job, what="lot_found_bad").count() == 1
    with pytest.raises(Refused, match="shrinks"):
        materials.use_record(job=job, lot=lot, by=person)


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
    client.post(reverse("stage_finish", args=[job.number, stage.pk]), {"keys": 88, "boxes": 1})
    leave = job.stages.get(kind="leave")
    assert b"required" in client.post(reverse("stage_finish", args=[job.number, leave.pk]), {}).content
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


def test_hours_refuse_what_cannot_be(client):
    job, stage = at_stage("strip")
    client.force_login(make_person())
    for value in ("-5", "NaN", "1e9", "x" * 5000, "\x00"):
        page = client.post(reverse("hours_book", args=[job.number, stage.pk]), {"minutes": value})
        assert page.status_code == 200, value
    assert not Spell.objects.exists()


def test_a_lot_page_names_every_set_that_has_it(client):
    job, _ = at_stage("cloth")
    person = make_person()
    client.force_login(person)
    client.post(reverse("material_new"), {"kind": "cloth", "title": "Green cloth", "thickness_mm": "1.07", "note": ""})
    material = Material.objects.get()
    assert material.thickness == 1070
    client.post(reverse("lot_add", args=[material.pk]), {"code": "L-7", "received_on": "2026-11-01"})
    lot = Lot.objects.get()
    again = client.post(reverse("lot_add", args=[material.pk]), {"code": "L-7", "received_on": ""})
    assert b"on the shelf already" in again.content
    materials.use_record(job=job, lot=lot, by=person)
    page = client.get(reverse("lot_detail", args=[lot.pk]))
    assert job.tag.encode() in page.content
    client.post(reverse("lot_found_bad", args=[lot.pk]), {"reason": "frays"})
    lot.refresh_from_db()
    assert lot.bad_reason == "frays"


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

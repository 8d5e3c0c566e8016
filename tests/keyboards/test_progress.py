"""Which keys of a stage are done: ticked or named, by whom, and which must be done again."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from keyboards.models import KeyDone
from keyboards.progressing import progress_of
from keyboards.workflow.progress import progress_keep
from shop.models import Guide, Lot, Material, Role, Stage, Use
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def technician(client):
    person = make_person(first_name="Rosa", last_name="Amsel")
    client.force_login(person)
    return person


@pytest.fixture
def stage(technician):
    job = make_job(missing=[3])
    return Stage.objects.create(job=job, position=900, kind="cloth", state="begun")


def tick(client, stage, **fields):
    return client.post(reverse("keys_tick", args=[stage.job.number, stage.pk]), fields)


def done(stage):
    return list(KeyDone.objects.standing().filter(stage=stage).values_list("key", flat=True))


def test_ticked_keys_are_done_by_whoever_ticked_them(client, technician, stage):
    tick(client, stage, shown="", key=["1", "2", "4"])
    assert done(stage) == [1, 2, 4]
    stage.refresh_from_db()
    assert stage.keys_done == 3
    page = client.get(reverse("stage_detail", args=[stage.job.number, stage.pk])).content.decode()
    assert "Keys done: 3 of 87" in page
    assert "R. Amsel: keys 1, 2, 4" in page


def test_keys_are_named_in_words_too(client, stage):
    tick(client, stage, shown="", also="1-5, C5")
    assert done(stage) == [1, 2, 4, 5, 52]  # key 3 did not come


def test_a_key_that_did_not_come_is_named_and_the_others_are_kept(client, stage):
    page = tick(client, stage, shown="", also="2-4").content.decode()
    assert "Kept without keys 3: they did not come with the set." in page
    assert done(stage) == [2, 4]


def test_a_named_range_means_the_keys_that_the_stage_is_for(client, technician, stage):
    check = make_check(job=stage.job, kind="final", closed=True, quantities=["side_play"])
    make_readings(check=check, keys=[12, 14], side_play=2_500, grade=0)
    page = tick(client, stage, shown="", also="10-15").content.decode()
    assert done(stage) == [12, 14]
    assert "Kept without keys 10, 11, 13, 15" in page
    tick(client, stage, shown="12 14", key=["12", "14"], also="15")  # by itself it is meant
    assert done(stage) == [12, 14, 15]


def test_what_was_typed_stays_where_it_is_refused(client, stage):
    page = tick(client, stage, shown="", also="1-5, H9").content.decode()
    assert 'value="1-5, H9"' in page
    assert 'role="alert"' in page
    assert done(stage) == []


def test_two_people_at_one_set_never_undo_each_other(client, stage):
    other = make_person(first_name="Ivo", last_name="Brand")
    progress_keep(stage, done=[10, 11], undone=[], by=other)
    # This page was shown before the other's keys were done: nothing of theirs is unticked by it.
    tick(client, stage, shown="", key=["1"])
    assert done(stage) == [1, 10, 11]
    assert progress_of(stage).hands == ("R. Amsel: keys 1", "I. Brand: keys 10, 11")


def test_a_tick_is_taken_off_again(client, stage):
    tick(client, stage, shown="", key=["1", "2"])
    tick(client, stage, shown="1 2", key=["2"])
    assert done(stage) == [2]


@pytest.mark.parametrize("fields", [{"key": ["3"]}, {"key": ["400"]}, {"also": "H9"}, {"also": "3-2"}])
def test_keys_the_set_does_not_have_are_refused_in_a_sentence(client, stage, fields):
    answer = client.post(
        reverse("keys_tick", args=[stage.job.number, stage.pk]),
        {"shown": "", **fields},
        headers={"HX-Request": "true", "HX-Target": "keys-done"},
    )
    assert answer.status_code == 200
    assert 'role="alert"' in answer.content.decode()
    assert done(stage) == []


@pytest.mark.parametrize("words", ["\x00", "x" * 5000, "١", "-1", "1e3"])
def test_hostile_numbers_are_no_keys(client, stage, words):
    tick(client, stage, shown=words, key=[words])
    assert done(stage) == []


def test_a_closed_stage_takes_no_ticks(stage, technician):
    stage.state, stage.finished_at = "done", timezone.now()
    stage.save()
    with pytest.raises(Refused):
        progress_keep(stage, done=[1], undone=[], by=technician)


def test_htmx_gets_the_panel_alone(client, stage):
    answer = client.post(
        reverse("keys_tick", args=[stage.job.number, stage.pk]),
        {"shown": "", "key": "1"},
        headers={"HX-Request": "true", "HX-Target": "keys-done"},
    )
    assert b"<html" not in answer.content
    assert b"Keys done: 1 of 87" in answer.content


def test_a_stage_with_keys_unticked_is_finished_only_once_somebody_says_so(client, technician, stage):
    Stage.objects.filter(job=stage.job, position__lt=stage.position).update(state="done", finished_at=timezone.now())
    Guide.objects.update_or_create(kind="cloth", defaults={"steps": "Trial key fitted before the rest"})
    tick(client, stage, shown="", key=["1", "2", "4"])
    address = reverse("stage_finish", args=[stage.job.number, stage.pk])
    lot = Lot.objects.create(material=Material.objects.create(title="1.1", thickness=1100), code="G1")
    use = Use.objects.create(job=stage.job, lot=lot, where="1-60", at=timezone.now(), by=technician)
    page = client.post(address).content.decode()
    assert "3 of 87 keys are ticked" in page
    assert "No cloth with its lot is written down for keys 61\u201388." in page
    assert "Not ticked" not in page  # none of the guide's steps is ticked: this shop ticks none
    for where in ("", "bass and middle", "1-60, 61-88"):
        Use.objects.filter(pk=use.pk).update(where=where)
        assert "No cloth" not in client.post(address).content.decode(), where
    stage.refresh_from_db()
    assert stage.state == "begun"
    told = client.post(address, {"sure": "1"}, follow=True).content.decode()
    assert "Not ticked: Trial key fitted before the rest" in told
    stage.refresh_from_db()
    assert stage.state == "done"
    assert stage.job.events.get(what="stage_finished").details["note"] == "3 of 87 keys ticked"


def test_keys_that_fail_the_final_check_must_be_done_again(client, technician, stage):
    progress_keep(stage, done=[1, 2, 4], undone=[], by=technician)
    check = make_check(job=stage.job, kind="final", closed=True, quantities=["side_play"])
    make_readings(check=check, keys=[1, 4], side_play=450, grade=0)
    make_readings(check=check, keys=[2], side_play=2_500, grade=0)
    progress = progress_of(stage)
    assert progress.again == "2"
    assert (progress.done, progress.wanted) == (0, 1)  # what is to be done now, not what was done before
    page = client.get(reverse("stage_detail", args=[stage.job.number, stage.pk])).content.decode()
    assert "To be done again after the final check" in page
    progress_keep(stage, done=[2], undone=[], by=technician)
    progress = progress_of(stage)
    assert (progress.again, progress.done, progress.wanted) == ("", 1, 1)
    stage.refresh_from_db()
    assert (stage.keys_done, stage.keys_wanted) == (1, 1)
    # Who did it the first time stays written down.
    assert KeyDone.objects.filter(stage=stage, key=2).count() == 2


def test_a_key_goes_back_to_the_stage_whose_work_shows_in_what_failed(technician, stage):
    """Not to every stage: a key that is loose gets its cloth again, one whose top is off is glued at the tops."""
    tops = Stage.objects.create(job=stage.job, position=910, kind="tops", state="begun")
    check = make_check(job=stage.job, kind="final", closed=True, quantities=["side_play"])
    make_readings(check=check, keys=[1, 4], side_play=450, grade=0)
    make_readings(check=check, keys=[2], side_play=2_500, grade=0)
    make_readings(
        check=check, keys=[5], side_play=450, grade=1, grade_reason="the top is off", findings={"top_loose": 2}
    )
    assert progress_of(stage).again == "2"
    assert progress_of(tops).again == "5"


def test_who_did_a_key_first_keeps_it(stage, technician):
    other = make_person(first_name="Ivo", last_name="Brand")
    progress_keep(stage, done=[10], undone=[], by=technician)
    progress_keep(stage, done=[10, 11], undone=[], by=other)
    assert progress_of(stage).hands == ("I. Brand: keys 11", "R. Amsel: keys 10") or progress_of(stage).hands == (
        "R. Amsel: keys 10",
        "I. Brand: keys 11",
    )


def test_a_stage_that_is_not_done_key_by_key_has_no_panel(client, technician):
    job = make_job()
    stage = Stage.objects.create(job=job, position=900, kind="frame", state="begun")
    assert progress_of(stage) is None
    assert tick(client, stage, key=["1"]).status_code == 404


@pytest.mark.once
def test_the_page_climbs_the_ladder(stage):
    climb("keys_tick", stage.job.number, stage.pk, roles={Role.TECHNICIAN}, methods={"POST"})
    gone("keys_tick", stage.job.number, 99999, method="POST")


def test_88_ticks_take_as_many_queries_as_two(client, technician, stage):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("stage_detail", args=[stage.job.number, stage.pk]))
        return len(seen)

    progress_keep(stage, done=[1, 2], undone=[], by=technician)
    few = queries()
    progress_keep(stage, done=range(4, 89), undone=[], by=technician)
    assert queries() == few

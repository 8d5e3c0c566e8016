"""The keys of a set: written down, put right, and kept where readings hang on them."""

import uuid

import pytest
from django.urls import reverse
from django.utils import timezone

from keyboards.forms.compasses import PRESETS, CompassForm, note_number
from keyboards.models import Compass, Entry, EntryKind
from keyboards.workflow.compasses import compass_set
from shop.models import Job, Role
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK)
    client.force_login(person)
    return person


def fields(**changed) -> dict:
    return {"compass": "88", "missing": "", "broken": "", "stamps": "", **changed}


def read_key(job: Job, key: int) -> None:
    check, now = make_check(job=job), timezone.now()
    Entry.objects.create(
        op=uuid.uuid4(), check_done=check, kind=EntryKind.READING, key=key, quantity="balance_pin", value=3700,
        by=check.begun_by, taken_at=now, received_at=now,
    )  # fmt: skip


@pytest.mark.once
def test_the_page_asks_who_is_there():
    climb("compass_edit", make_job().number, methods={"GET", "POST"})
    gone("compass_edit", 999_999)


def test_the_notes_of_the_presets_have_their_numbers():
    """MIDI 1.0 specification: middle C is note 60; A0 is 21 and C8 is 108 on a piano of 88 keys."""
    assert [note_number(name) for name in ("C4", "A0", "C8", "F1", "C2")] == [60, 21, 108, 29, 36]
    for count, first in PRESETS.values():
        assert note_number(first) + count - 1 <= 108


def test_the_keys_are_put_right_and_the_row_follows(client, desk):
    job = make_job()
    Job.objects.filter(pk=job.pk).update(grades="1" * 88)
    client.post(reverse("compass_edit", args=[job.number]), fields(missing="3", broken="C4", stamps="1 to 88"))
    compass = Compass.objects.get(job=job)
    assert (compass.missing, compass.broken, compass.stamps) == ([3], [40], "1 to 88")
    job.refresh_from_db()
    assert job.grades == "11-" + "1" * 85
    event = job.events.get(what="compass_changed")
    assert event.details == {"count": 88, "first": "A0", "missing": [3], "broken": [40]}


def test_a_key_that_turned_up_is_not_read_yet(client, desk):
    job = make_job(missing=[3])
    client.post(reverse("compass_edit", args=[job.number]), fields())
    job.refresh_from_db()
    assert job.grades == "." * 88


def test_another_compass_makes_another_row(client, desk):
    job = make_job()
    client.post(
        reverse("compass_edit", args=[job.number]), fields(compass="other", first_note="F1", count="70", missing="2")
    )
    job.refresh_from_db()
    assert (job.first_note, job.grades) == (29, ".-" + "." * 68)


def test_no_change_leaves_no_event(client, desk):
    job = make_job(missing=[3])
    client.post(reverse("compass_edit", args=[job.number]), fields(missing="3"))
    assert not job.events.filter(what="compass_changed").exists()


@pytest.mark.parametrize("stage", ["count_in", "arrival_check"])
def test_it_leads_back_to_the_count_or_to_the_set(client, desk, stage):
    job = make_job()
    Job.objects.filter(pk=job.pk).update(stage=stage)
    answer = client.post(reverse("compass_edit", args=[job.number]), fields(missing="3"))
    assert answer["Location"] == reverse("job_count_in" if stage == "count_in" else "job_detail", args=[job.number])


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"compass": "other", "first_note": "H9", "count": "88"}, "first_note"),
        ({"compass": "other", "first_note": "\x00", "count": "88"}, "first_note"),
        ({"compass": "other", "first_note": "A0", "count": str(10**30)}, "count"),
        ({"compass": "other", "first_note": "A0", "count": "0"}, "count"),
        ({"compass": "other", "first_note": "G9", "count": "2"}, "count"),
        ({"missing": "0"}, "missing"),
        ({"missing": "5-1"}, "missing"),
        ({"missing": "x" * 401}, "missing"),
        ({"broken": "C9"}, "broken"),
        ({"missing": "4", "broken": "4"}, "broken"),
        ({"stamps": "x" * 121}, "stamps"),
    ],
)
def test_keys_that_cannot_be_are_refused(client, desk, changed, wrong):
    job = make_job()
    page = client.post(reverse("compass_edit", args=[job.number]), fields(**changed))
    assert set(page.context["form"].errors) == {wrong}
    assert Compass.objects.get(job=job).missing == []


def test_a_key_that_was_read_is_not_missing(client, desk):
    job = make_job()
    read_key(job, 12)
    page = client.post(reverse("compass_edit", args=[job.number]), fields(missing="12"))
    assert "Key 12 has been read, so it is not missing." in page.content.decode()
    client.post(reverse("compass_edit", args=[job.number]), fields(missing="13"))
    assert Compass.objects.get(job=job).missing == [13]


def test_the_compass_stays_once_a_key_was_read():
    job = make_job()
    read_key(job, 12)
    with pytest.raises(Refused, match="first note"):
        compass_set(job=job, by=make_person(), first_midi=21, count=85)
    assert Compass.objects.get(job=job).count == 88


def test_nothing_changes_on_a_set_that_has_gone():
    job = make_job()
    job.left_at = timezone.now()
    with pytest.raises(Refused, match="gone home"):
        compass_set(job=job, by=make_person(), first_midi=21, count=88, missing=[3])


def test_the_form_opens_with_what_is_known():
    compass = make_job(first_midi=29, count=70, missing=[1, 2, 3, 9]).compass
    form = CompassForm.of(compass)
    assert form["compass"].value() == "other"
    assert (form["first_note"].value(), form["count"].value(), form["missing"].value()) == ("F1", 70, "1–3, 9")
    bound = CompassForm.of(compass, {name: form[name].value() for name in form.fields})
    assert bound.is_valid()
    assert (bound.cleaned_data["first_midi"], bound.cleaned_data["count"]) == (29, 70)
    assert bound.cleaned_data["missing"] == [1, 2, 3, 9]
    assert not bound.has_changed()

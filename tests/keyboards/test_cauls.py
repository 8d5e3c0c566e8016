"""The final caul: offered by the pins, noted where cloth is put in, told to whoever opens the set again.

A caul .002 in over its pin is one practitioner's figure (common practice, no standard): .148 in on a .146 in pin.
"""

import pytest
from django.urls import reverse
from django.utils import timezone

from keyboards.documents.label import keyframe_label
from keyboards.models import Caul
from shop.event_words import sentence
from shop.models import Event, Job, Role, Stage
from tests.factories import make_check, make_job, make_person, make_readings
from tests.keyboards.test_proof import text_of, words_of
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage(client):
    client.force_login(make_person(first_name="Rosa", last_name="Amsel", units="in"))
    job = make_job()
    make_readings(check=make_check(job=job, closed=True), balance_pin=[3_708] * 44 + [3_650] * 44, grade=0)
    return Stage.objects.create(job=job, position=900, kind="cloth", state="begun")


def note(client, stage, **widths):
    return client.post(reverse("cauls_used", args=[stage.job.number, stage.pk]), widths, follow=True).content.decode()


def test_the_caul_that_suits_is_offered_and_the_one_used_is_what_the_next_technician_reads(client, stage):
    job = stage.job
    page = client.get(reverse("stage_detail", args=[job.number, stage.pk])).content.decode()
    assert "0.147 in suits the pins as measured." in page  # median 3.679 mm and 0.05 over it
    assert 'name="balance" value="0.147"' in page
    assert "By common practice a caul of 3.73 mm suits it; which was used was not written down." in words_of(job)
    note(client, stage, balance=".148", front="0.146")
    note(client, stage, balance=".148", front="0.150")  # the same again, and a correction
    assert list(Caul.objects.values_list("rail", "width")) == [("balance", 3_759), ("front", 3_708), ("front", 3_810)]
    event = Event.objects.filter(what="caul_used").latest("pk")
    assert sentence(event) == "noted the final caul used: front rail, 3.810 mm"
    report = words_of(job)
    assert (
        "Balance pins: 3.68 mm, the median of what was measured. The cloth was shaped by a final caul of 3.76 mm"
        in report
    )
    assert "Front pins: not measured. The cloth was shaped by a final caul of 3.81 mm (R. Amsel," in report
    paper = text_of(keyframe_label(Job.objects.for_lists().get(pk=job.pk), "in"))
    assert "0.145 in (caul 0.148)" in paper
    Job.objects.filter(pk=job.pk).update(left_at=timezone.now())
    assert "(caul 0.148)" in client.get(reverse("instrument_detail", args=[job.instrument_id])).content.decode()
    assert "This set has gone home." in note(client, stage, balance=".150")
    assert Caul.objects.count() == 3


def test_a_width_that_cannot_be_is_told_beside_it_and_nothing_is_noted(client, stage):
    page = note(client, stage, balance="3.76", front="x")  # millimetres typed by somebody who works in inches
    assert "3.76 in cannot be right" in page
    assert "Enter a number" in page
    assert not Caul.objects.exists()


def test_who_may_note_it_and_where(stage):
    climb("cauls_used", stage.job.number, stage.pk, roles={Role.TECHNICIAN}, methods={"GET", "POST"})
    other = Stage.objects.create(job=stage.job, position=901, kind="ease", state="begun")
    gone("cauls_used", stage.job.number, other.pk)
    gone("cauls_used", stage.job.number, 0)

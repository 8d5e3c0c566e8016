"""A tag that is scanned opens its set at the place that fits who scans it."""

import pytest
from django.urls import reverse
from django.utils import timezone

from keyboards.workflow.checks import check_close
from shop.documents.codes import job_address
from shop.models import Role, Stage
from shop.workflow.counts import count_in
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


def scanned(client, job, role):
    client.force_login(make_person(role=role))
    return client.get(reverse("job_scan", args=[job.number]))["Location"]


def test_the_desk_comes_to_counting_in_while_that_is_due(client):
    job = make_job()
    assert scanned(client, job, Role.DESK) == reverse("job_count_in", args=[job.number])
    count_in(job, by=make_person(), keys=88, boxes=1)
    assert scanned(client, job, Role.DESK) == reverse("job_detail", args=[job.number])


def test_a_technician_comes_to_the_stage_or_to_the_check_that_is_open(client):
    job = make_job()
    count_in(job, by=make_person(), keys=88, boxes=1)
    stage = Stage.objects.get(job=job, kind="arrival_check")
    assert scanned(client, job, Role.TECHNICIAN) == reverse("stage_detail", args=[job.number, stage.pk])
    check = make_check(job=job)
    assert scanned(client, job, Role.TECHNICIAN) == reverse("check_run", args=[check.pk])
    make_readings(check=check, keys=[1], balance_pin=3700, grade=0)
    check_close(check, by=make_person(), confirm=True)
    assert scanned(client, job, Role.TECHNICIAN) == reverse("job_detail", args=[job.number])  # the office's turn


@pytest.mark.parametrize("kind", ["pack", "leave"])
def test_the_desk_comes_to_packing_and_handing_over(client, kind):
    job = make_job()
    Stage.objects.filter(job=job).update(state="done", finished_at=timezone.now())
    stage = Stage.objects.get(job=job, kind=kind)
    Stage.objects.filter(pk=stage.pk).update(state="waiting", finished_at=None)
    assert scanned(client, job, Role.DESK) == reverse("stage_detail", args=[job.number, stage.pk])


def test_the_owner_comes_to_the_set_itself(client):
    job = make_job()
    assert scanned(client, job, Role.OWNER) == reverse("job_detail", args=[job.number])


def test_whoever_is_signed_out_signs_in_and_comes_back(client):
    job = make_job()
    answer = client.get(reverse("job_scan", args=[job.number]))
    assert answer["Location"].endswith(f"?next=/scan/{job.tag}/")


def test_the_code_on_a_tag_carries_this_address():
    job = make_job()
    assert job_address(job).endswith(f"/scan/{job.tag}/")


@pytest.mark.once
def test_the_page_climbs_the_ladder():
    climb("job_scan", make_job().number)
    gone("job_scan", 999)

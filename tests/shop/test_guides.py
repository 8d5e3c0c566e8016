"""How the shop does its stages: written by the owner, ticked at the bench; and what runs low on the shelf."""

import pytest
from django.urls import reverse
from django.utils import timezone

from shop.models import Event, Guide, Lot, Material, Role, Stage, Tick
from shop.workflow.guides import ticks_keep
from shop.workflow.materials import lot_add
from shop.workflow.opening import open_shop
from shop.workflow.refusal import Refused
from tests.factories import make_job, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def technician(client):
    person = make_person(first_name="Rosa", last_name="Amsel")
    client.force_login(person)
    return person


@pytest.fixture
def stage(technician):
    Guide.objects.create(kind="cloth", note="Hide glue only.", steps="Trial key fitted\nCauls in\n\nCauls in")
    return Stage.objects.create(job=make_job(), position=900, kind="cloth", state="begun")


def tick(client, stage, **fields):
    return client.post(reverse("stage_tick", args=[stage.job.number, stage.pk]), fields)


def test_a_stage_shows_its_guide_and_keeps_who_ticked_what(client, stage):
    address = reverse("stage_detail", args=[stage.job.number, stage.pk])
    page = client.get(address).content.decode()
    assert "Hide glue only." in page
    assert page.count('name="step"') == 2  # each step once
    tick(client, stage, step=["Cauls in"])
    assert "R. Amsel" in client.get(address).content.decode()
    assert [row.step for row in Tick.objects.all()] == ["Cauls in"]


def test_two_people_never_undo_each_others_ticks(client, stage):
    ticks_keep(stage, ticked=["Trial key fitted"], unticked=[], by=make_person())
    tick(client, stage, step=["Cauls in"])  # shown before the other's tick
    assert Tick.objects.count() == 2
    tick(client, stage, shown=["Cauls in"])
    assert [row.step for row in Tick.objects.all()] == ["Trial key fitted"]


@pytest.mark.parametrize("step", ["never written", "\x00", "x" * 5000])
def test_only_steps_of_the_guide_are_ticked(client, stage, step):
    tick(client, stage, step=[step])
    assert not Tick.objects.exists()


def test_a_closed_stage_takes_no_tick(stage, technician):
    stage.state, stage.finished_at = "done", timezone.now()
    stage.save()
    with pytest.raises(Refused):
        ticks_keep(stage, ticked=["Cauls in"], unticked=[], by=technician)


def test_what_was_ticked_stays_when_the_guide_changes(client, stage):
    tick(client, stage, step=["Cauls in"])
    client.force_login(make_person(role=Role.OWNER))
    client.post(reverse("guide_edit", args=["cloth"]), {"note": "", "steps": "Something else"})
    assert Guide.objects.get().step_list == ["Something else"]
    assert Tick.objects.get().step == "Cauls in"
    assert Event.objects.filter(what="guide_changed").count() == 1


@pytest.mark.parametrize("steps", ["\n".join(f"step {n}" for n in range(13)), "x" * 201])
def test_a_list_too_long_to_be_read_is_refused_beside_its_field(client, technician, steps):
    client.force_login(make_person(role=Role.OWNER))
    answer = client.post(reverse("guide_edit", args=["cloth"]), {"note": "kept", "steps": steps})
    assert answer.status_code == 200
    assert answer.context["form"].errors["steps"]
    assert "kept" in answer.content.decode()
    assert not Guide.objects.exists()


def test_a_new_shop_begins_with_what_is_easily_forgotten():
    open_shop(name="Testing Key Works")
    assert "Keyframe label glued on" in Guide.objects.get(kind="pack").step_list
    Guide.objects.filter(kind="pack").delete()
    open_shop(name="Testing Key Works")
    assert not Guide.objects.filter(kind="pack").exists()  # what the owner took away stays away


def test_a_material_that_runs_low_stands_first_and_in_the_office_until_a_lot_arrives(client, technician):
    full = Material.objects.create(title="Hide glue", kind="glue")
    low = Material.objects.create(title="Cloth 1.20", kind="cloth", thickness=1200)
    client.post(reverse("material_low", args=[full.pk]), {"low": "1"})
    client.post(reverse("material_low", args=[full.pk]), {"low": "0"})
    client.post(reverse("material_low", args=[low.pk]), {"low": "1"})
    page = client.get(reverse("material_list")).content.decode()
    assert page.index("Cloth 1.20") < page.index("Hide glue")
    assert "runs low" in page
    client.force_login(make_person(role=Role.OWNER))
    assert "Runs low on the shelf: Cloth 1.20" in client.get(reverse("office")).content.decode()
    lot_add(Lot(material=low, code="24-117"), by=technician)
    low.refresh_from_db()
    assert low.low_since is None


@pytest.mark.once
def test_the_pages_climb_the_ladder(stage):
    climb("guide_list", roles=set())
    climb("guide_edit", "cloth", roles=set(), methods={"GET", "POST"})
    gone("guide_edit", "no-such-stage")
    climb("stage_tick", stage.job.number, stage.pk, methods={"POST"})
    gone("stage_tick", stage.job.number, 9999, method="POST")
    material = Material.objects.create(title="Pins", kind="pin")
    climb("material_low", material.pk, methods={"POST"})
    gone("material_low", 9999, method="POST")

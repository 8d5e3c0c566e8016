"""The shelf: materials and their lots, and which set has what."""

import datetime
import re

import pytest
from django.urls import reverse

from shop.models import Event, Lot, Material, Role
from shop.workflow import materials
from shop.workflow.refusal import Refused
from tests.factories import make_job, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


def green(*codes):
    """A cloth with these lots, the newest last."""
    material = Material.objects.create(title="Green cloth", thickness=1070)
    return material, [Lot.objects.create(material=material, code=code) for code in codes]


def test_everybody_sees_the_shelf_and_the_bench_keeps_it():
    material, (lot,) = green("L-7")
    climb("material_list")
    climb("lot_detail", lot.pk)
    climb("material_new", roles={Role.TECHNICIAN}, methods={"GET", "HEAD", "POST"})
    climb("material_edit", material.pk, roles={Role.TECHNICIAN}, methods={"GET", "HEAD", "POST"})
    climb("lot_found_bad", lot.pk, roles={Role.TECHNICIAN}, methods={"POST"})
    gone("lot_detail", 999)
    gone("material_edit", 999)


def test_the_shelf_shows_the_newest_lots_and_counts_the_earlier(client, django_assert_num_queries):
    client.force_login(make_person(role=Role.DESK))
    green(*(f"L-{number}" for number in range(1, 9)))
    Material.objects.create(title="Hide glue", kind="glue")
    with django_assert_num_queries(4):
        page = client.get(reverse("material_list")).content.decode()
    assert [f">L-{number}<" in page for number in range(1, 9)] == [False] * 2 + [True] * 6
    assert "and 2 earlier" in page
    for number in range(20):
        material = Material.objects.create(title=f"Cloth {number}")
        Lot.objects.bulk_create(Lot(material=material, code=f"M-{code}") for code in range(5))
    with django_assert_num_queries(4):
        assert client.get(reverse("material_list")).content.count(b"earlier") == 1


def test_a_used_lot_found_bad_is_told_to_every_set_that_has_it():
    job, person = make_job(), make_person()
    _material, (lot,) = green("A7")
    materials.use_record(job=job, lot=lot, by=person)
    materials.lot_found_bad(lot, by=person, reason="shrinks")
    assert Event.objects.filter(job=job, what="lot_found_bad").count() == 1
    with pytest.raises(Refused, match="shrinks"):
        materials.use_record(job=job, lot=lot, by=person)


def test_a_lot_page_names_every_set_that_has_it(client):
    job, person = make_job(), make_person()
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
    type(job.client).objects.update(phone="0555 0147")
    again = make_job(client=job.client)
    materials.use_record(job=again, lot=lot, by=person)
    assert b"0555 0147" not in client.get(reverse("lot_detail", args=[lot.pk])).content
    told = client.post(reverse("lot_found_bad", args=[lot.pk]), {"reason": "frays"}, follow=True)
    lot.refresh_from_db()
    assert lot.bad_reason == "frays"
    assert told.content.count(b'href="tel:0555 0147"') == 1  # whom to call, once for both sets
    assert told.context["clients"] == [(job.client, [again, job])]


def test_a_lot_that_is_in_very_many_sets_shows_them_in_pages(client, monkeypatch):
    monkeypatch.setattr("shop.views.materials._A_PAGE", 2)
    person = make_person()
    _material, (lot,) = green("L-7")
    jobs = [make_job() for _ in range(3)]
    for job in jobs:
        materials.use_record(job=job, lot=lot, by=person)
    client.force_login(person)
    first, second = (client.get(reverse("lot_detail", args=[lot.pk]), {"page": page}) for page in (1, 2))
    assert [row.job for page in (first, second) for row in page.context["rows"]] == jobs[::-1]
    assert b"3 sets have it" in second.content
    assert b"Page 2 of 2" in second.content
    for code in ("L-8", "L-9"):
        Lot.objects.create(material=lot.material, code=code)
    first, second = (client.get(reverse("material_edit", args=[lot.material.pk]), {"page": page}) for page in (1, 2))
    assert [[code in page.content for code in (b">L-9<", b">L-8<", b">L-7<")] for page in (first, second)] == [
        [True, True, False],
        [False, False, True],
    ]


def test_a_set_is_offered_the_newest_lots_of_each_material_and_the_older_when_asked(client):
    job, person = make_job(), make_person()
    client.force_login(person)
    stage = job.stages.create(kind="cloth", position=55)
    _material, lots = green(*(f"L-{number}" for number in range(8)))
    for day, lot in enumerate(lots, 1):  # received in this order, whatever was written down first
        Lot.objects.filter(pk=lot.pk).update(received_on=datetime.date(2026, 1, 9 - day))
    glue = Lot.objects.create(material=Material.objects.create(title="Hide glue", kind="glue"), code="G")
    page = reverse("stage_detail", args=[job.number, stage.pk])

    def offered(**asked) -> set[Lot]:
        shown = re.findall(r'<option value="(\d+)"', str(client.get(page, asked).context["use_form"]["lot"]))
        return set(Lot.objects.filter(pk__in=shown))

    assert offered() == {*lots[:6], glue}
    assert b"Offer 2 older lots too" in client.get(page).content
    assert offered(lots="all") == {*lots, glue}
    client.post(reverse("use_record", args=[job.number, stage.pk]), {"lot": lots[7].pk, "where": "", "amount": ""})
    assert job.uses.get().lot == lots[7]

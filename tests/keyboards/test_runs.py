"""The bench run as the server gives it out: everything a tablet needs to go on without network."""

import json
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from keyboards.advising import assumptions_for
from keyboards.core import fit
from keyboards.running import run_data
from keyboards.workflow.entries import entries_apply
from keyboards.workflow.opening import open_trade
from shop.models import Role
from tests.factories import make_check, make_instrument, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture
def technician(client):
    open_trade()
    person = make_person(units="in", left_handed=True)
    client.force_login(person)
    return person


@pytest.fixture
def check(technician):
    return make_check(job=make_job(missing=[3]), quantities=["balance_mortise_width", "skew"])


def reading(number, key, value, minute):
    return {
        "op": f"00000000-0000-4000-8000-{number:012d}",
        "kind": "reading",
        "key": key,
        "quantity": "balance_mortise_width",
        "value": value,
        "unit": "mm",
        "taken_at": f"2026-01-01T10:{minute:02d}:00Z",
    }


def test_the_page_carries_the_check_as_it_stands(client, technician, check):
    entries_apply(check, [reading(1, 5, "5.60", 1), reading(2, 5, "5.62", 2), reading(3, 6, "5.61", 3)], by=technician)
    page = client.get(reverse("check_run", args=[check.pk])).content.decode()
    found = re.search(r'<script id="run-data" type="application/json">(.*?)</script>', page, re.S)
    data = json.loads(found[1])
    assert data["check"]["id"] == check.pk
    assert data["person"] == {
        "id": technician.pk,
        "name": technician.short_name,
        "units": "in",
        "left": True,
        "sound": False,
        "position": False,
    }
    assert data["missing"] == [3]
    assert len(data["keys"]) == 88
    assert data["keys"][1] == {"n": 2, "name": "A♯0", "sharp": True}
    assert data["holds"]["5"]["values"] == {"balance_mortise_width": 5620}
    assert [5, 5600, 5620] in data["repeats"]["balance_mortise_width"]
    width, skew = data["quantities"]
    assert (width["unit"], width["decimals"], width["low"], width["high"]) == ("in", 3, 2000, 15000)
    assert (skew["unit"], skew["signed"]) == ("deg", True)


def test_the_bands_of_the_cloths_are_those_of_the_advice(technician, check):
    held = assumptions_for(check.job)
    cloths = run_data(check, check.job.compass, technician)["quantities"][0]["cloths"]
    assert len(cloths["bands"]) == len(held.stock)
    for (low, high), cloth in zip(cloths["bands"], held.stock, strict=True):
        for bound, slack in ((low, held.lower), (high, held.upper)):
            width = (bound + cloths["pin"]) / 1000
            assert fit.misfit(width, held.pin, cloth, held.compression, held.clearance) == pytest.approx(
                slack, abs=1e-3
            )


def test_the_reading_of_the_last_check_stands_beside_each_key(technician):
    piano = make_instrument()
    old = make_check(job=make_job(instrument=piano, first_midi=20, count=89), closed=True)
    old.begun_at = timezone.now() - timezone.timedelta(days=900)
    old.save()
    make_readings(check=old, keys=[41], balance_mortise_width=5555)
    check = make_check(job=make_job(instrument=piano), quantities=["balance_mortise_width"])
    earlier = run_data(check, check.job.compass, technician)["earlier"]
    assert earlier["values"] == {"40": {"balance_mortise_width": 5555}}  # the same note
    assert "arrival check" in earlier["title"]


def test_a_closed_check_has_no_pad(client, technician):
    check = make_check(closed=True)
    page = client.get(reverse("check_run", args=[check.pk])).content.decode()
    assert "This check is closed" in page
    assert "run-data" not in page


def test_the_worker_is_served_to_everybody_below_the_bench(client):
    answer = client.get(reverse("bench_worker"))
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/javascript")
    assert "no-store" in answer["Cache-Control"] or "no-cache" in answer["Cache-Control"]


@pytest.mark.once
def test_the_pages_climb_the_ladder(check):
    climb("check_run", check.pk, roles={Role.TECHNICIAN})
    climb("box_contents")
    gone("check_run", 99999)


def test_88_keys_take_as_many_queries_as_two(client, technician, check):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("check_run", args=[check.pk]))
        return len(seen)

    make_readings(check=check, keys=[1, 2], balance_mortise_width=5600, grade=0)
    few = queries()
    make_readings(check=check, keys=range(4, 89), balance_mortise_width=5600, grade=0)
    assert queries() == few

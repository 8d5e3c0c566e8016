"""Cloth to cut: which cloth for which keys, and how much of it.

By hand, with the starting assumptions: cloth t fills a mortise of pin + 0.05 + 1.7 t, so 5.50 mm on a 3.70 mm pin wants
1.03 mm (1.00 is nearest in stock), 5.74 mm wants 1.17 mm (1.20 and 1.14 both serve).
"""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from keyboards.advising import advise, sentence
from keyboards.models import Assumptions, Drawing
from keyboards.strips import cloth_rows, cloths_to_cut
from shop.models import Lot, Material
from shop.workflow.opening import open_shop
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture
def job():
    """Ten keys: balance mortises 5.50 mm on 3.70 mm pins, front mortises 5.74 mm on pins read on one key."""
    open_shop(name="Testing Key Works", currency="EUR", hourly_rate=60)
    job = make_job(count=10)
    make_readings(
        check=make_check(job=job, kind="stripped", closed=True),
        balance_mortise_width=5_500,
        balance_pin=3_700,
        front_mortise_width=5_740,
        front_pin=[3_700] + [None] * 9,
        grade=1,
    )
    return job


def rows_of(job):
    return {row.title: row for row in cloth_rows(cloths_to_cut(job), "mm")}


def test_each_rail_gets_the_cloth_that_its_mortises_want(job):
    rows = rows_of(job)
    assert {title: (row.balance, row.front) for title, row in rows.items()} == {
        "1.00 mm": ("1–10", ""),
        "1.20 mm": ("", "1–10"),
    }
    # two pieces a mortise and a twentieth more: 21; 300 mm hold 21 pieces of 14 mm: one strip
    assert [(row.pieces, row.strips, row.sheets) for row in rows.values()] == [(21, 1, 1), (21, 1, 1)]


def test_cloth_for_both_rails_comes_off_the_same_sheets(job):
    job.checks.get().keys.update(front_mortise_width=5_500)
    (row,) = rows_of(job).values()
    assert (row.balance, row.front, row.pieces, row.strips) == ("1–10", "1–10", 42, 2)


def test_a_mortise_that_was_not_read_or_that_no_cloth_fills_is_counted_and_said(job, client):
    keys = job.checks.get().keys
    keys.filter(key=4).update(balance_mortise_width=6_400)
    keys.filter(key=7).update(balance_mortise_width=None)
    assert rows_of(job)["not known yet"].balance == "4, 7"
    client.force_login(make_person())
    page = client.get(reverse("cloth_strips", args=[job.number])).content.decode()
    assert "balance mortises 4. Mend the wood" in page


def test_a_key_that_the_sections_cloths_leave_tight_or_loose_has_the_one_that_serves_it(job):
    # Three keys of the bass want three cloths; two of them are the section's.
    # On a 3.70 mm pin 1.00 mm fills 5.40 to 5.55, 1.20 mm up to 5.89; 1.07 mm fills 5.52 to 5.67, 1.14 mm 5.64 to 5.79.
    keys = job.checks.get().keys
    keys.filter(key=1).update(balance_mortise_width=5_850)
    keys.filter(key=3).update(balance_mortise_width=5_600)
    rows = rows_of(job)
    assert {title: row.balance for title, row in rows.items() if row.balance} == {
        "1.00 mm": "2, 4–10",
        "1.07 mm": "3",
        "1.20 mm": "1",
    }
    advice = advise(job)
    held = advice.assumed
    assert all(held.lower <= key.after - held.clearance <= held.upper for key in advice.keys)
    told = [sentence(reason) for reason in advice.reasons if reason.id == "own_cloth"]
    assert told == ["Key 2 wants another cloth of the stock: 1.00 mm."]


def test_a_key_drawn_a_new_button_has_the_mortise_of_its_drawing(job):
    group = {"keys": [3], "mortise_width": 5.74}
    Drawing.objects.create(
        job=job, version=1, made_at="2026-05-05T10:00Z", made_by=make_person(), contents={"groups": [group]}
    )
    assert rows_of(job)["1.20 mm"].balance == "3"


def test_the_shops_own_sizes_of_pieces_and_sheets_are_reckoned_with(job):
    Assumptions.objects.filter(job=None).delete()
    Assumptions.objects.create(values={"cloth_piece": 20, "sheet_length": 100, "cloth_spare": 0})
    assert [(row.pieces, row.strips) for row in rows_of(job).values()] == [(20, 4), (20, 4)]


def test_the_lots_on_the_shelf_are_named_but_no_bad_one(job):
    material = Material.objects.create(kind="cloth", title="Green cloth", thickness=1_000)
    Lot.objects.create(material=material, code="G-1", bad_since="2026-01-01T10:00Z")
    Lot.objects.create(material=material, code="G-2")
    rows = rows_of(job)
    assert rows["1.00 mm"].lots == ("Green cloth, lot G-2",)
    assert (rows["1.20 mm"].lots, rows["1.20 mm"].shelf) == ((), "none on the shelf")


def test_the_page_asks_no_more_for_88_keys_than_for_ten(job, client):
    client.force_login(make_person())
    large = make_job()
    make_readings(check=make_check(job=large, kind="stripped", closed=True), balance_mortise_width=5_500, grade=1)
    counts = []
    for one in (job, large):
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("cloth_strips", args=[one.number])).status_code == 200
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_the_page_climbs_the_ladder():
    climb("cloth_strips", make_job().number)
    gone("cloth_strips", 999)

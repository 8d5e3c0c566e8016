"""Two checks of one piano on the same row: wear, work and air kept apart."""

import csv
import datetime
import io
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from keyboards import comparing
from keyboards.core.humidity import equilibrium_moisture
from keyboards.models import CheckKind
from shop.models import Role, Stage
from tests.factories import make_check, make_instrument, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

NOW = timezone.make_aware(datetime.datetime(2026, 11, 20, 10))
AIR = {"humidity": Decimal("50.0"), "temperature": Decimal("20.0")}


def a_check(job, *, years_ago, kind=CheckKind.FINAL, widths, **fields):
    check = make_check(job=job, kind=kind, closed=True, **{**AIR, **fields})
    check.begun_at = NOW - datetime.timedelta(days=round(365.25 * years_ago))
    check.save()
    make_readings(check=check, balance_mortise_width=widths, grade=0)
    return check


@pytest.fixture
def five_years():
    """A piano proved five years ago and looked at again now: 0.05 mm wider on every key, 0.30 on key 40."""
    piano = make_instrument()
    old, new = make_job(instrument=piano), make_job(instrument=piano)
    before = [5600 + key % 5 * 10 for key in range(88)]
    after = [width + (300 if key == 39 else 50) for key, width in enumerate(before)]
    return a_check(old, years_ago=5, widths=before), a_check(new, years_ago=0, kind=CheckKind.ARRIVAL, widths=after)


def looked(checks, **fields):
    return comparing.between(*checks, units="mm", wood="sugar maple", tangential=True, **fields)


def test_a_five_year_old_check_is_held_against_todays(client, five_years):
    client.force_login(make_person(role=Role.TECHNICIAN))
    page = client.get(reverse("checks_compare", args=[five_years[0].job.instrument_id])).content.decode()
    assert "Nothing was done here to the keys in the 5 years between" in page
    assert "+0.050" in page
    assert "+0.010" in page  # a year
    assert page.count("<svg") >= 2


def test_the_change_its_speed_and_the_keys_beyond_the_instruments_are_told(five_years):
    found = looked(five_years)
    (row,) = found.rows
    assert row.found.middle == 50
    assert row.found.beyond == (40,)  # 2u of two readings at 0.03 mm is 0.085 mm
    assert (row.found.low, row.found.high) == (50, 50)
    assert row.per_year == "+0.010"
    assert found.wear


def test_the_order_in_which_they_are_named_does_not_matter(five_years):
    there, back = looked(five_years), looked(five_years[::-1])
    assert there.rows == back.rows
    assert there.before == back.before


@pytest.mark.parametrize(("kind", "words"), [("cloth", "New bushing cloth"), ("leads", "Key leads")])
def test_work_in_between_is_never_called_wear(five_years, kind, words):
    first, second = five_years
    Stage.objects.filter(job=second.job).update(state="waiting")
    Stage.objects.create(
        job=second.job, position=5555, kind=kind, state="done", finished_at=NOW - datetime.timedelta(days=3)
    )
    found = looked((first, second))
    assert not found.wear
    assert words in found.work[0]
    assert second.job.tag in found.work[0]


def test_air_that_differs_is_warned_of_and_reckoned_beside(client, five_years):
    first, second = five_years
    second.humidity = Decimal("30.0")
    second.save()
    client.force_login(make_person())
    page = client.get(reverse("checks_compare", args=[first.job.instrument_id])).content.decode()
    assert "differed by more than 10 % relative humidity: 50 % and 30 %" in page
    (row,) = looked((first, second)).rows
    # Wood Handbook, equation 13-2 with Table 13-5: sugar maple, tangential, .00353 per % of moisture
    moisture = equilibrium_moisture(20, 30) - equilibrium_moisture(20, 50)
    assert row.air.change == pytest.approx(5.62 * 0.00353 * moisture)
    assert row.by_air.startswith("−")
    assert row.found.middle == 50  # the reading itself stays as it was read


def test_without_the_air_of_both_nothing_is_corrected(five_years):
    first, second = five_years
    second.humidity = None
    second.save()
    found = looked((first, second))
    assert "not written down" in found.air_warning
    assert found.rows[0].air is None


def test_keys_are_matched_by_their_note_not_their_number():
    piano = make_instrument()
    whole, short = make_job(instrument=piano), make_job(instrument=piano, first_midi=29, count=73)
    first = a_check(whole, years_ago=4, widths=[5000 + key for key in range(1, 89)])
    second = a_check(short, years_ago=0, widths=[5000 + key + 8 for key in range(1, 74)])
    (row,) = looked((first, second)).rows
    assert {change.change for change in row.found.changes} == {0}
    assert len(row.found.changes) == 73


def test_the_table_for_a_spreadsheet_holds_every_key(client, five_years):
    client.force_login(make_person())
    answer = client.get(reverse("checks_compare_csv", args=[five_years[0].job.instrument_id]))
    text = answer.content.decode()
    rows = list(csv.DictReader(io.StringIO(text.removeprefix("\ufeff"))))
    assert text[0] == "\ufeff"  # or a spreadsheet reads C♯4 in an old code page
    assert len(rows) == 88
    assert rows[39] == {
        "key": "40",
        "name": "C4",
        "quantity": "balance_mortise_width",
        "unit": "mm",
        "before": "5.640",
        "after": "5.940",
        "change": "0.300",
        "2u": "0.085",
    }


def test_inches_are_shown_to_whoever_prefers_them(client, five_years):
    client.force_login(make_person(units="in"))
    page = client.get(reverse("checks_compare", args=[five_years[0].job.instrument_id])).content.decode()
    assert "+0.0020" in page


@pytest.mark.parametrize("asked", [{"before": "x"}, {"wood": "oak"}, {"after": "9999999"}, {"direction": "\x00"}])
def test_what_is_no_check_of_this_piano_is_told_beside_the_form(client, five_years, asked):
    client.force_login(make_person())
    answer = client.get(reverse("checks_compare", args=[five_years[0].job.instrument_id]), asked)
    assert answer.status_code == 200
    assert answer.context["found"] is None
    assert 'role="alert"' in answer.content.decode()


def test_a_check_is_not_compared_with_itself(client, five_years):
    client.force_login(make_person())
    pk = five_years[0].pk
    page = client.get(
        reverse("checks_compare", args=[five_years[0].job.instrument_id]), {"before": pk, "after": pk}
    ).content.decode()
    assert "Choose two different checks." in page


def test_a_piano_with_one_check_says_so(client):
    job = make_job()
    make_readings(check=make_check(job=job, closed=True), balance_pin=3700)
    client.force_login(make_person())
    page = client.get(reverse("checks_compare", args=[job.instrument_id])).content.decode()
    assert "Nothing to compare yet" in page
    assert f"To {job.tag}" in page


def test_a_pair_with_nothing_in_common_says_what_was_read_in_each(client):
    job = make_job()
    make_readings(check=make_check(job=job, closed=True), keys=[1, 2], balance_pin=3700)
    make_readings(check=make_check(job=job, kind=CheckKind.STRIPPED), keys=[1], dip=10000)
    client.force_login(make_person())
    page = client.get(reverse("checks_compare", args=[job.instrument_id])).content.decode()
    assert "Balance pin 2" in page
    assert "Key dip 1" in page


@pytest.mark.once
def test_the_pages_climb_the_ladder(five_years):
    instrument = five_years[0].job.instrument_id
    climb("checks_compare", instrument)
    climb("checks_compare_csv", instrument)
    gone("checks_compare", 99999)
    gone("checks_compare_csv", 99999)


def test_many_checks_take_as_many_queries_as_two(client, five_years):
    client.force_login(make_person())
    address = reverse("checks_compare", args=[five_years[0].job.instrument_id])

    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(address)
        return len(seen)

    few = queries()
    for _ in range(5):
        a_check(five_years[0].job, years_ago=6, widths=5500)
    assert queries() == few

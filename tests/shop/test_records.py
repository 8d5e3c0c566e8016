"""The records: what was done is found again, however it is spelt."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from shop.models import Role
from tests.factories import make_check, make_client, make_instrument, make_job, make_person, make_readings

pytestmark = pytest.mark.django_db


@pytest.fixture
def technician(client):
    person = make_person(role=Role.TECHNICIAN)
    client.force_login(person)
    return person


def two_sets():
    first = make_job(
        instrument=make_instrument(client=make_client(name="Kätzler Hall"), maker="Corvane", serial="48 213")
    )
    second = make_job(
        instrument=make_instrument(client=make_client(name="Ilse Varga"), maker="Thornquist", serial="9917")
    )
    return first, second


@pytest.mark.parametrize("text", ["katzler", "KÄTZLER hall", "hall corvane", "48213", "48 213", "corv"])
def test_a_set_is_found_however_it_is_spelt(client, technician, text):
    first, second = two_sets()
    page = client.get(reverse("records"), {"q": text}).content.decode()
    assert first.tag in page
    assert second.tag not in page


@pytest.mark.parametrize("text", ["K-0001", "k1", "0001"])
def test_a_tag_leads_straight_to_its_set(client, technician, text):
    job = make_job(instrument=make_instrument(serial=""))
    answer = client.get(reverse("records"), {"q": text.replace("1", str(job.number))})
    assert answer.status_code == 302
    assert answer["Location"] == reverse("job_detail", args=[job.number])


@pytest.mark.parametrize("text", ["\x00", "%", "_", "'; drop", "x" * 5000, "١٢٣", "K-99999999999999"])
def test_odd_questions_get_an_answer(client, technician, text):
    two_sets()
    assert client.get(reverse("records"), {"q": text, "page": "zzz"}).status_code == 200


def test_htmx_gets_the_list_alone(client, technician):
    two_sets()
    answer = client.get(reverse("records"), {"q": "corvane"}, headers={"HX-Request": "true", "HX-Target": "found"})
    assert b"<html" not in answer.content
    assert b'id="found"' in answer.content


def test_a_piano_shows_every_job_and_check_it_ever_had(client, technician):
    piano = make_instrument()
    old, new = make_job(instrument=piano), make_job(instrument=piano)
    make_check(job=old, closed=True)
    make_readings(check=make_check(job=new), keys=[1, 2, 3], grade=[0, 1, None])  # the third was skipped
    page = client.get(reverse("instrument_detail", args=[piano.pk])).content.decode()
    assert 'data-label="Keys read">2<' in page
    assert old.tag in page
    assert new.tag in page
    assert page.count("Arrival check") + page.count("arrival check") >= 2


def test_a_piano_says_at_once_how_it_left_and_not_what_was_read_since(client, technician):
    job = make_job()
    final = make_check(job=job, kind="final", closed=True, quantities=["side_play", "balance_pin"])
    make_readings(check=final, side_play=450, balance_pin=3_700, grade=0)
    job.left_at = timezone.now()
    job.save()
    make_readings(check=make_check(job=job, kind="visit", closed=True), side_play=900, grade=1)
    page = client.get(reverse("instrument_detail", args=[job.instrument_id])).content.decode()
    assert "cloth to put right, 0" in page  # the row of the final check
    for said in ("88 keys pass", '<b class="figure">3.70</b> mm (suits caul 3.75)', "Guarantee"):
        assert said in page


def test_a_client_shows_their_pianos_and_sets(client, technician):
    job = make_job()
    page = client.get(reverse("client_detail", args=[job.client.pk])).content.decode()
    assert job.tag in page
    assert "Thornquist" in page


@pytest.mark.parametrize(("name", "args"), [("records", []), ("instrument_detail", [1]), ("client_detail", [1])])
def test_records_ask_to_sign_in(client, name, args):
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == 302
    assert reverse("sign_in") in answer["Location"]


def test_what_is_not_there_is_not_found(client, technician):
    assert client.get(reverse("instrument_detail", args=[10**12])).status_code == 404
    assert client.get(reverse("client_detail", args=[5])).status_code == 404
    assert client.post(reverse("records")).status_code == 405


def test_twenty_sets_take_as_many_queries_as_two(client, technician):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("records"))
        return len(seen)

    for _ in range(2):
        make_job()
    few = queries()
    for _ in range(18):
        make_job()
    assert queries() == few

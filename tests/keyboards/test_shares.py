"""The readings of a set behind a secret link: what it opens, what it never tells, how it ends."""

import csv
import datetime
import io
import json
import re

import pytest
from django.core import mail
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from keyboards.models import Share
from keyboards.workflow.opening import open_trade
from keyboards.workflow.shares import share_make
from shop.models import Role
from tests.factories import make_check, make_client, make_job, make_person, make_readings, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db
PAGES = ("shared", "shared_csv", "shared_json", "shared_pdf")


@pytest.fixture
def job():
    make_workshop(name="Linwood Key Works", phone="0555 0147")
    open_trade()
    owner = make_client(name="Perrin Vale", email="vale@example.org", phone="0555 0199")
    job = make_job(client=owner, count=10, wishes="Angles as built.")
    check = make_check(job=job, kind="final", closed=True, quantities=["side_play"])
    make_readings(check=check, side_play=[480] * 9 + [1000], grade=0)
    return job


@pytest.fixture
def token(job):
    return share_make(job, whom="P. Vale", days=90, by=make_person())[1]


def test_the_link_opens_the_readings_and_the_report(job, token):
    page = Client().get(reverse("shared", args=[token]))
    assert page.status_code == 200
    assert "Provisional" not in page.content.decode()
    rows = list(
        csv.DictReader(io.StringIO(Client().get(reverse("shared_csv", args=[token])).content.decode("utf-8-sig")))
    )
    assert [float(row["final_side_play_mm"]) for row in rows] == [0.48] * 9 + [1.0]
    told = json.loads(Client().get(reverse("shared_json", args=[token])).content)
    assert told["tag"] == job.tag
    assert [key["verdict"] for key in told["keys"]][-1] == "fail"
    report = PdfReader(io.BytesIO(Client().get(reverse("shared_pdf", args=[token])).content))
    assert job.tag in report.pages[0].extract_text()


def test_it_tells_nothing_of_the_client_the_price_or_the_shops_other_sets(job, token):
    other = make_job()
    for name in ("shared", "shared_csv", "shared_json"):
        text = Client().get(reverse(name, args=[token])).content.decode()
        for secret in ("vale@example.org", "0555 0199", "Angles as built", other.tag, reverse("counter")):
            assert secret not in text, (name, secret)


def test_it_is_kept_by_nobody_and_found_by_nobody(token):
    for name in PAGES:
        answer = Client().get(reverse(name, args=[token]))
        assert answer["Cache-Control"] == "no-store, private", name
        assert "noindex" in answer["X-Robots-Tag"]
        assert answer["Referrer-Policy"] == "no-referrer"
        assert not answer.cookies
        assert Client().post(reverse(name, args=[token])).status_code == 405


def test_only_a_hash_is_kept_and_who_opened_it_is_noted(job, token):
    share = Share.objects.get()
    assert token not in share.token_hash
    assert share.last_seen_at is None
    Client().get(reverse("shared", args=[token]))
    share.refresh_from_db()
    assert share.first_seen_at == share.last_seen_at is not None


@pytest.mark.parametrize("end", [{"withdrawn_at": timezone.now()}, {"expires_at": timezone.now()}])
def test_an_ended_link_opens_nothing(token, end):
    Share.objects.update(**end)
    for name in PAGES:
        answer = Client().get(reverse(name, args=[token]))
        assert answer.status_code == 410
        assert b"K-0001" not in answer.content


@pytest.mark.parametrize("guess", ["x", "x" * 5000, "é", "0" * 43])
def test_a_guess_opens_nothing(guess):
    assert Client().get(f"/shared/{guess}/").status_code == 404


def test_whoever_keeps_guessing_is_answered_shortly():
    answers = {Client().get(f"/shared/{number:043d}/").status_code for number in range(25)}
    assert answers == {404, 429}


def test_a_link_is_made_shown_once_and_withdrawn(client, job):
    client.force_login(make_person(role=Role.DESK))
    address = reverse("share_list", args=[job.number])
    client.post(address, {"whom": "P. Vale", "to": "", "days": "30"})
    assert "shown this once" not in client.get(reverse("share_list", args=[make_job().number])).content.decode()
    page = client.get(address).content.decode()
    path = re.search(r"/shared/[\w-]{43}/", page).group(0)
    assert path not in client.get(address).content.decode()
    assert Client().get(path).status_code == 200
    client.post(reverse("share_withdraw", args=[job.number, Share.objects.get().pk]))
    assert Client().get(path).status_code == 410
    assert set(job.events.values_list("what", flat=True)) >= {"share_made", "share_withdrawn"}


@pytest.mark.django_db(transaction=True)
def test_a_link_goes_by_letter_to_whom_it_is_for(client, job):
    client.force_login(make_person(role=Role.DESK))
    client.post(reverse("share_list", args=[job.number]), {"whom": "P. Vale", "to": "vale@example.org", "days": "30"})
    (letter,) = mail.outbox
    assert letter.to == ["vale@example.org"]
    path = re.search(r"/shared/[\w-]{43}/", letter.body).group(0)
    assert Client().get(path).status_code == 200


@pytest.mark.parametrize(
    "fields",
    [{"whom": ""}, {"whom": "x" * 81}, {"to": "no address"}, {"days": "0"}, {"days": "1e9"}, {"days": "٣"}],
)
def test_bad_input_gets_a_sentence_and_makes_no_link(client, job, fields):
    client.force_login(make_person(role=Role.DESK))
    page = client.post(reverse("share_list", args=[job.number]), {"whom": "V", "to": "", "days": "30", **fields})
    if fields == {"days": "٣"}:  # three, in other digits: a number all the same
        assert Share.objects.get().expires_at - timezone.now() < datetime.timedelta(days=3)
        return
    assert page.status_code == 200
    assert not Share.objects.exists()


@pytest.mark.once
def test_the_pages_climb_the_ladder(job, token):
    climb("share_list", job.number, roles={Role.DESK, Role.TECHNICIAN}, methods={"GET", "POST"})
    gone("share_list", 99999)
    other = make_job()
    gone("share_withdraw", other.number, Share.objects.get().pk, method="POST")


def test_the_list_takes_as_many_queries_for_ten_links_as_for_one(client, job, token):
    client.force_login(make_person())

    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("share_list", args=[job.number]))
        return len(seen)

    few, person = queries(), make_person()
    for _ in range(9):
        share_make(job, whom="x", days=1, by=person)
    assert queries() == few

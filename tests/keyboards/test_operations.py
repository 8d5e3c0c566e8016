"""The address tablets send their entries to: every answer is JSON, nothing they send breaks it."""

import json
from datetime import datetime, timedelta
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Entry, KeyReading
from keyboards.workflow.opening import open_trade
from shop.models import Role
from tests.factories import make_check, make_person
from tests.keyboards.test_entries import op

pytestmark = pytest.mark.django_db


@pytest.fixture
def technician(client):
    person = make_person()
    client.force_login(person)
    return person


def post(client, check, body, **headers):
    data = body if isinstance(body, bytes | str) else json.dumps(body)
    address = reverse("operations", args=[getattr(check, "pk", check)])
    return client.post(address, data, content_type="application/json", headers=headers)


def test_a_batch_is_answered_with_what_was_kept_and_what_was_not(client, technician):
    open_trade()
    check = make_check()
    good, bad = op(), op(key=42, value="562")
    finding = op("finding", finding="cloth_worn", severity=2)
    answer = post(client, check, {"operations": [good, bad, finding]})
    assert answer.status_code == 200
    told = answer.json()
    assert sorted(told["kept"]) == sorted([good["op"], finding["op"]])
    assert [refusal["op"] for refusal in told["refused"]] == [bad["op"]]
    assert told["refused"][0]["why"] == "562 mm cannot be right: 2.0 to 15.0 mm is possible. Look again."
    assert told["keys"]["41"] == {
        "values": {"balance_mortise_width": 5620},
        "findings": {"cloth_worn": 2},
        "again": {},
        "note": "",
        "grade": 1,
    }
    assert abs(datetime.fromisoformat(told["time"]) - timezone.now()) < timedelta(seconds=5)


def test_sending_again_after_a_lost_answer_stores_nothing_twice(client, technician):
    check = make_check()
    body = {"operations": [op(), op(key=42)]}
    first, second = post(client, check, body), post(client, check, body)
    assert first.json()["kept"] == second.json()["kept"]
    assert Entry.objects.count() == 2


def test_signed_out_is_said_in_json_and_never_by_a_redirect(client):
    answer = post(client, make_check(), {"operations": [op()]})
    assert (answer.status_code, answer.json()) == (401, {"error": "signed out"})
    assert not Entry.objects.exists()


def test_a_stale_token_is_said_in_json_and_a_fresh_one_helps():
    check, person = make_check(), make_person()
    client = Client(enforce_csrf_checks=True)
    client.force_login(person)
    answer = post(client, check, {"operations": [op()]}, **{"X-CSRFToken": "x" * 64})
    assert (answer.status_code, answer.json()["error"]) == (403, "stale token")
    fresh = client.get(reverse("bench_token"))
    assert fresh.json()["person"] == person.pk
    assert "no-store" in fresh["Cache-Control"]
    answer = post(client, check, {"operations": [op()]}, **{"X-CSRFToken": fresh.json()["token"]})
    assert answer.status_code == 200


def test_nobody_fetches_a_token_signed_out(client):
    answer = client.get(reverse("bench_token"))
    assert (answer.status_code, answer.json()) == (401, {"error": "signed out"})


def test_a_person_whose_form_went_stale_gets_a_page():
    client = Client(enforce_csrf_checks=True)
    client.force_login(make_person())
    answer = client.post(reverse("person_settings"), {"units": "in"}, headers={"Accept": "text/html"})
    assert answer.status_code == 403
    assert "open for too long" in answer.content.decode()


def test_a_closed_check_answers_409_and_keeps_nothing(client, technician):
    answer = post(client, make_check(closed=True), {"operations": [op()]})
    assert answer.status_code == 409
    assert "closed" in answer.json()["error"]
    assert not Entry.objects.exists()


def test_the_front_desk_does_not_read_keys(client):
    client.force_login(make_person(role=Role.DESK))
    assert post(client, make_check(), {"operations": [op()]}).status_code == 403


def test_an_unknown_check_is_not_there(client, technician):
    assert post(client, 999, {"operations": []}).status_code == 404
    assert post(client, 10**30, {"operations": []}).status_code == 404


def test_it_takes_posts_only(client, technician):
    assert client.get(reverse("operations", args=[make_check().pk])).status_code == 405
    assert client.post(reverse("bench_token")).status_code == 405


def test_fifty_at_once_and_no_more(client, technician):
    check = make_check()
    assert post(client, check, {"operations": [op(key=key) for key in range(1, 51)]}).status_code == 200
    answer = post(client, check, {"operations": [op(key=key) for key in range(1, 52)]})
    assert answer.status_code == 400
    assert answer.json()["error"] == "At most 50 at once."
    assert Entry.objects.count() == 50


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"\xff\xfe\x00",
        b"\x00",
        b"null",
        b"[]",
        b"7",
        b'"operations"',
        b"{}",
        b'{"operations": null}',
        b'{"operations": {}}',
        b'{"operations": "x"}',
        b'{"operations": [1,]}',
        b'{"operations": [NaN]}',
        b'{"operations": [Infinity]}',
        b'{"operations": [' + b"9" * 5000 + b"]}",
        b"[" * 100_000,
        b'{"operations": ' + b"[" * 50_000 + b"]" * 50_000 + b"}",
        b'{"operations": [' + b" " * 300_000 + b"]}",
        b"operations=1",
    ],
)
def test_what_is_no_batch_is_answered_with_a_sentence(client, technician, body):
    answer = post(client, make_check(), body)
    assert answer.status_code == 400
    assert answer.json()["error"].endswith(".")


@pytest.mark.parametrize(
    "operation",
    [
        None,
        [],
        7,
        "x",
        {},
        {"op": None},
        {"op": {"a": [1]}},
        {"op": "\ud800"},
        op(value="\x00"),
        op(value={"a": 1}),
        op(key=[41]),
        op(quantity="balance_mortise_width\x00"),
        op(quantity={"$ne": None}),
        op("note", text="\ud800"),
        op("note", text="a\x00b"),
        op("grade", grade=10**400, text="x"),
        op("withdraw", of="'; DROP TABLE keyboards_entry; --"),
        op(taken_at="2026-03-04T10:15:00+99:99"),
        op(instrument=2**64),
        op(seq=2**64),
    ],
)
def test_a_hostile_operation_is_refused_and_its_neighbour_kept(client, technician, operation):
    neighbour = op(key=42)
    answer = post(client, make_check(), {"operations": [operation, neighbour]})
    assert answer.status_code == 200
    assert answer.json()["kept"] == [neighbour["op"]]
    assert len(answer.json()["refused"]) == 1
    assert answer.json()["refused"][0]["why"].endswith(".")


def test_an_empty_batch_is_fine(client, technician):
    answer = post(client, make_check(), {"operations": []})
    assert (answer.status_code, answer.json()["kept"]) == (200, [])


def test_one_reading_costs_few_queries_from_end_to_end(client, technician, django_assert_max_num_queries):
    check = make_check()
    post(client, check, {"operations": [op(key=key) for key in range(1, 51)]})
    # session, person; then the six of keeping it, whose key has its grade already, and the two ends of its savepoint
    with django_assert_max_num_queries(10):
        post(client, check, {"operations": [op(key=7, op=str(uuid4()), minute=9)]})
    assert KeyReading.objects.filter(check_done=check).count() == 50

"""The pages of a check: begun, read, changed, closed; the ladder of each."""

import json
import re
from html import unescape

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.template import engines
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from keyboards.models import Check, Entry, Gauge, KeyReading, Photo
from keyboards.workflow.checks import open_points
from keyboards.workflow.entries import entries_apply, entries_write
from keyboards.workflow.opening import open_trade
from shop.models import Job, Role, Units
from tests.factories import make_check, make_job, make_person, make_readings
from tests.keyboards.test_entries import op, typed
from tests.keyboards.test_photos import jpeg
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

BENCH = {Role.TECHNICIAN}


@pytest.fixture
def technician(client):
    person = make_person()
    client.force_login(person)
    return person


@pytest.fixture(autouse=True)
def trade():
    open_trade()


def page(client, name: str, check: Check, *more: object) -> str:
    answer = client.get(reverse(name, args=[check.job.number, check.pk, *more]))
    assert answer.status_code == 200
    return answer.content.decode()


def send(client, name: str, check: Check, data, *more: object, follow: bool = True):
    return client.post(reverse(name, args=[check.job.number, check.pk, *more]), data, follow=follow)


# --- the ladder ---


@pytest.mark.once
def test_every_page_asks_who_is_there():
    check = make_check()
    where = (check.job.number, check.pk)
    both, post = {"GET", "POST"}, {"POST"}
    climb("check_begin", where[0], roles=BENCH, methods=both)
    climb("check_detail", *where)
    climb("check_edit", *where, roles=BENCH, methods=both)
    climb("check_close", *where, roles=BENCH, methods=both)
    climb("check_csv", *where)
    climb("check_csv_read", *where, roles=BENCH, methods=both)
    climb("check_findings", *where, roles=BENCH, methods=post)
    climb("reading_again", *where, 41, roles=BENCH, methods=post)
    climb("reading_withdraw", *where, 41, roles=BENCH, methods=post)
    climb("photo_add", where[0], methods=post)
    climb("check_reopen", *where, roles=BENCH, methods=post)
    climb("check_discard", *where, roles=BENCH, methods=post)


def test_anybody_sees_a_key_and_only_the_bench_changes_it(client):
    check = make_check()
    climb("key_detail", check.job.number, check.pk, 41, methods={"GET", "POST"})
    client.force_login(make_person(role=Role.DESK))
    assert "Keep, next key" not in page(client, "key_detail", check, 41)
    assert send(client, "key_detail", check, {"note": "x"}, 41).status_code == 403


def test_what_is_not_there_is_404():
    check, other = make_check(), make_job(missing=[41])
    gone("check_begin", 999)
    for name in ("check_detail", "check_edit", "check_close", "check_csv", "check_csv_read"):
        gone(name, check.job.number, check.pk + 1)
        gone(name, other.number, check.pk)  # a check of another set
    gone("key_detail", check.job.number, check.pk, 89)
    gone("key_detail", check.job.number, check.pk, 0)
    gone("key_detail", other.number, make_check(job=other).pk, 41)
    gone("check_detail", check.job.number, 10**30)


def test_cells_answer_a_tablet_signed_out_in_json(client):
    check = make_check()
    address = reverse("check_cells", args=[check.job.number, check.pk])
    assert client.post(address, "{}", content_type="application/json").status_code == 401
    client.force_login(make_person(role=Role.DESK))
    assert client.post(address, "{}", content_type="application/json").status_code == 403
    client.force_login(make_person())
    assert client.get(address).status_code == 405


# --- begin, change, close ---


def test_a_check_is_begun_from_its_form(client, technician):
    job, gauge = make_job(), Gauge.objects.first()
    address = reverse("check_begin", args=[job.number]) + "?kind=stripped"
    assert "Stripped check" in client.get(address).content.decode()
    answer = client.post(
        address,
        {
            "gauge": gauge.pk,
            "humidity": "58,5",
            "temperature": "19",
            "quantities": ["skew", "balance_mortise_width"],
            "keys": "named",
            "named": "1-3, C4",
            "note": "damp",
        },
    )
    check = Check.objects.get()
    assert answer["Location"] == reverse("check_detail", args=[job.number, check.pk])
    assert (check.kind, check.begun_by, check.gauge, check.note) == ("stripped", technician, gauge, "damp")
    assert (float(check.humidity), float(check.temperature)) == (58.5, 19)
    assert check.quantities == ["balance_mortise_width", "skew"]
    assert (check.sample, check.sample_random) == ([1, 2, 3, 40], False)


def test_a_random_sample_is_drawn_over_the_keyboard(client, technician):
    job = make_job(missing=[1])
    client.post(reverse("check_begin", args=[job.number]), {"keys": "random", "count": "22"})
    check = Check.objects.get()
    assert len(check.sample) == 22
    assert check.sample_random
    assert 1 not in check.sample
    assert "at most 9 of all keys" in page(client, "check_detail", check)  # as calculations, part B


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"humidity": "120"}, "0 to 95 is possible"),
        ({"humidity": "damp"}, "Enter a number"),
        ({"temperature": "-11"}, "-10 to 60 is possible"),
        ({"gauge": "999"}, "Select a valid choice"),
        ({"gauge": "x"}, "Select a valid choice"),
        ({"quantities": ["price"]}, "Select a valid choice"),
        ({"keys": "some"}, "Select a valid choice"),
        ({"keys": "random", "count": ""}, "how many keys"),
        ({"keys": "random", "count": "1e3"}, "whole number"),
        ({"keys": "random", "count": "88"}, "has 87 keys"),
        ({"keys": "named", "named": ""}, "No key is named"),
        ({"keys": "named", "named": "C9"}, "not on this keyboard"),
        ({"keys": "named", "named": "1-3"}, "Not in this set: keys 3"),
        ({"note": "a\x00b"}, "Null characters"),
    ],
)
def test_a_bad_head_is_told_beside_its_field_and_begins_nothing(client, technician, wrong, sentence):
    job = make_job(missing=[3])
    answer = client.post(reverse("check_begin", args=[job.number]), {"keys": "every", "note": "typed", **wrong})
    assert answer.status_code == 200
    text = answer.content.decode()
    assert sentence in text
    assert "note" in wrong or "typed" in text
    assert not Check.objects.exists()


def test_an_unknown_kind_is_not_there_and_a_second_of_a_kind_is_told(client, technician):
    check = make_check()
    address = reverse("check_begin", args=[check.job.number])
    assert client.get(address + "?kind=secret").status_code == 404
    assert "Go on with it" in client.get(address + "?kind=arrival").content.decode()
    answer = client.post(address + "?kind=arrival", {"keys": "every"})
    assert "open already" in answer.content.decode()


def test_a_set_without_keys_is_led_to_its_keys(client, technician):
    job = make_job()
    job.compass.delete()
    text = client.get(reverse("check_begin", args=[job.number])).content.decode()
    assert reverse("compass_edit", args=[job.number]) in text


def test_a_final_check_offers_the_places_of_the_arrival_check(client, technician):
    arrival = make_check(closed=True, quantities=["button_length"])
    text = client.get(reverse("check_begin", args=[arrival.job.number]) + "?kind=final").content.decode()
    for quantity, ticked in (("button_length", True), ("side_play", True), ("dip", False), ("splay", False)):
        box = text[text.index(f'value="{quantity}"') :].split(">")[0]
        assert ("checked" in box) is ticked


def test_the_head_is_changed_and_a_retired_instrument_stays(client, technician):
    gauge = Gauge.objects.create(name="Old caliper", retired_at="2026-01-01T00:00Z")
    check = make_check(gauge=gauge, sample=[1, 5], sample_random=True)
    text = page(client, "check_edit", check)
    assert "Old caliper" in text
    data = {"gauge": gauge.pk, "humidity": "44", "quantities": ["skew"], "keys": "named", "named": "1, 5"}
    send(client, "check_edit", check, data)
    check.refresh_from_db()
    assert (check.gauge, float(check.humidity), check.quantities) == (gauge, 44, ["skew"])
    assert (check.sample, check.sample_random) == ([1, 5], True)


def test_closing_names_what_is_open_and_asks_to_confirm(client, technician):
    check = make_check(quantities=["balance_mortise_width", "skew"], humidity=None)
    read = [op(key=key) for key in range(1, 81) if key != 9]
    entries_apply(check, [*read, op(key=9, value="6.90")], by=technician)
    text = page(client, "check_close", check)
    for words in ("80 keys were looked at", "81–88", "Mortise skew: 80 keys without a reading", "not written down",
                  "Balance mortise width: far off the others on 9"):  # fmt: skip
        assert words in text
    text = send(client, "check_close", check, {}).content.decode()
    assert "Not looked at yet" in text
    check.refresh_from_db()
    assert not check.is_closed
    send(client, "check_close", check, {"confirm": "yes"})
    check.refresh_from_db()
    assert check.is_closed


def test_a_closed_check_is_read_only_until_it_is_opened_with_a_reason(client, technician):
    check = make_check(closed=True)
    make_readings(check=check, balance_mortise_width=5620, grade=0)
    text = page(client, "check_detail", check)
    assert "data-cells" not in text
    assert "sheet.js" not in text
    assert "This field is required" in send(client, "check_reopen", check, {"reason": ""}).content.decode()
    send(client, "check_reopen", check, {"reason": "key 41 misread"})
    check.refresh_from_db()
    assert not check.is_closed


def test_an_empty_check_is_thrown_away_and_a_filled_one_is_not(client, technician):
    check = make_check()
    assert "Begun by mistake" in page(client, "check_detail", check)
    entries_apply(check, [op()], by=technician)
    assert "Begun by mistake" not in page(client, "check_detail", check)
    assert "it stays" in send(client, "check_discard", check, {}).content.decode()
    empty = make_check()
    send(client, "check_discard", empty, {})
    assert not Check.objects.filter(pk=empty.pk).exists()


# --- the sheet ---


def test_the_sheet_shows_every_key_with_all_that_holds(client, technician):
    check = make_check(job=make_job(missing=[3]), quantities=["balance_mortise_width", "skew"])
    entries_apply(
        check,
        [
            op(key=41),
            op(key=41, quantity="skew", unit="deg", value="-1.5"),
            op("finding", key=41, finding="cloth_worn", severity=2),
            op("note", key=41, text="<b>dusty</b>"),
        ],
        by=technician,
    )
    text = page(client, "check_detail", check)
    assert text.count('<tr id="key-') == 88
    row = text[text.index('id="key-41"') :].split("</tr>")[0]
    for words in ("C♯4", ">5.62<", ">-1.5<", "Cloth worn 2", "cloth worn", "&lt;b&gt;dusty&lt;/b&gt;"):
        assert words in row
    assert "did not come" in text[text.index('id="key-3"') :].split("</tr>")[0]
    assert "1 of 87 keys looked at" in text


def test_lengths_are_shown_in_the_persons_unit(client):
    person = make_person(units=Units.INCH)
    client.force_login(person)
    check = make_check(quantities=["balance_mortise_width", "skew"])
    make_readings(check=check, keys=[41], balance_mortise_width=5620, skew=1500, grade=0)
    row = page(client, "check_detail", check)
    row = row[row.index('id="key-41"') :].split("</tr>")[0]
    assert ">0.2213<" in row
    assert ">1.5<" in row


def test_a_reading_far_off_the_others_is_marked_to_look_again(client, technician):
    check = make_check(quantities=["balance_mortise_width"])
    widths = [5600 + key for key in range(1, 89)]  # a drift from bass to treble is not odd
    widths[40] = 5900
    make_readings(check=check, balance_mortise_width=widths, grade=0)
    text = page(client, "check_detail", check)
    assert text.count('class="outlier"') >= 1
    assert 'class="outlier"' in text[text.index('id="key-41"') :].split("</tr>")[0]
    assert 'class="outlier"' not in text[text.index('id="key-88"') :].split("</tr>")[0]
    assert "far off the others on 41" in text


def test_the_row_above_has_the_band_that_one_cloth_fits(client, technician):
    check = make_check(quantities=["balance_mortise_width", "balance_pin"])
    make_readings(check=check, keys=range(1, 21), balance_mortise_width=5450, balance_pin=3700, grade=0)
    assert "fits every key inside this band" in page(client, "check_detail", check)


def test_htmx_gets_the_row_alone(client, technician):
    check = make_check()
    address = reverse("check_detail", args=[check.job.number, check.pk])
    answer = client.get(address, headers={"HX-Request": "true", "HX-Target": "picture"})
    text = answer.content.decode()
    assert text.strip().startswith('<section class="surface" id="picture"')
    assert "<html" not in text
    assert "HX-Request" in answer["Vary"]


def test_the_sheet_takes_as_many_queries_for_two_keys_as_for_all(client, technician):
    def asked(keys) -> int:
        check = make_check(quantities=["balance_mortise_width", "skew", "side_play"])
        for key in keys:
            found = typed("finding", key=key, finding="cloth_worn", severity=2)
            entries_write(check, [typed(key=key), found], by=technician)
        address = reverse("check_detail", args=[check.job.number, check.pk])
        with CaptureQueriesContext(connection) as caught:
            assert client.get(address).status_code == 200
        return len(caught)

    few, many = asked([1, 2]), asked(range(1, 89))
    assert few == many <= 15


# --- cells ---


def cells(client, check, *sent):
    address = reverse("check_cells", args=[check.job.number, check.pk])
    body = json.dumps({"cells": [dict(zip(("key", "quantity", "text"), cell, strict=True)) for cell in sent]})
    return client.post(address, body, content_type="application/json")


def test_a_cell_is_kept_by_itself_and_a_bad_one_leaves_the_others_alone(client, technician):
    check = make_check(quantities=["balance_mortise_width", "skew"])
    answer = cells(
        client,
        check,
        (1, "balance_mortise_width", "5,62"),
        (2, "balance_mortise_width", "562"),
        (3, "skew", "-1.5"),
        (4, "note", " dusty "),
    )
    assert answer.status_code == 200
    told = answer.json()
    assert [(cell["text"], bool(cell["why"])) for cell in told["cells"]] == [
        ("5.62", False),
        (None, True),
        ("-1.5", False),
        ("dusty", False),
    ]
    assert "cannot be right" in told["cells"][1]["why"]
    assert told["grades"]["1"] == {"grade": 0, "words": "sound"}
    assert told["read"] == 2
    assert KeyReading.objects.get(key=1).balance_mortise_width == 5620
    assert not KeyReading.objects.filter(key=2, balance_mortise_width__isnull=False).exists()


def test_cells_that_somebody_else_typed_wait_for_them(client, technician):
    check = make_check()
    body = {"person": technician.pk + 1, "cells": [{"key": 1, "quantity": "balance_pin", "text": "3.70"}]}
    address = reverse("check_cells", args=[check.job.number, check.pk])
    answer = client.post(address, json.dumps(body), content_type="application/json")
    assert (answer.status_code, answer.json()["error"], Entry.objects.count()) == (401, "other", 0)
    assert f'data-person="{technician.pk}"' in page(client, "check_detail", check)


def test_an_emptied_cell_is_withdrawn(client, technician):
    check = make_check()
    cells(client, check, (1, "balance_pin", "3.70"))
    assert cells(client, check, (1, "balance_pin", " ")).json()["cells"][0]["text"] == ""
    assert KeyReading.objects.get(key=1).balance_pin is None


def test_cells_tell_which_readings_are_odd_now(client, technician):
    check = make_check(quantities=["balance_mortise_width"])
    cells(client, check, *[(key, "balance_mortise_width", "5.60") for key in range(1, 21)])
    told = cells(client, check, (21, "balance_mortise_width", "5.90")).json()
    assert list(told["marks"]["balance_mortise_width"]) == ["21"]
    told = cells(client, check, (21, "balance_mortise_width", "5.61")).json()
    assert told["marks"]["balance_mortise_width"] == {}


def test_inches_are_taken_from_who_thinks_in_inches(client):
    client.force_login(make_person(units=Units.INCH))
    check = make_check()
    assert cells(client, check, (1, "balance_pin", ".146")).json()["cells"][0]["text"] == "0.146"
    assert KeyReading.objects.get(key=1).balance_pin == 3708


def test_a_closed_check_refuses_cells_with_409(client, technician):
    assert cells(client, make_check(closed=True), (1, "balance_pin", "3.70")).status_code == 409


@pytest.mark.parametrize(
    "cell",
    [
        None,
        7,
        {},
        {"key": 1},
        {"key": 1, "quantity": {"a": 1}, "text": "5"},
        {"key": 1, "quantity": "price", "text": "5"},
        {"key": 1, "quantity": "price", "text": ""},
        {"key": 1, "quantity": "skew", "text": None},
        {"key": 1, "quantity": "skew", "text": 5},
        {"key": 1, "quantity": "note", "text": ["x"]},
        {"key": 1, "quantity": "note", "text": "\x00"},
        {"key": [1], "quantity": "skew", "text": "1"},
        {"key": 10**30, "quantity": "skew", "text": "1"},
    ],
)
def test_no_cell_breaks_the_page(client, technician, cell):
    check = make_check()
    address = reverse("check_cells", args=[check.job.number, check.pk])
    answer = client.post(address, json.dumps({"cells": [cell]}), content_type="application/json")
    assert answer.status_code == 200
    assert answer.json()["cells"][0]["why"].endswith(".")
    assert not Entry.objects.exists()


def test_a_whole_sheet_is_pasted_at_once_and_no_more(client, technician):
    check = make_check(quantities=["balance_pin", "skew"])
    every = [(key, quantity, "3.7") for key in range(1, 89) for quantity in ("balance_pin", "skew")]
    assert [cell["why"] for cell in cells(client, check, *every).json()["cells"]] == [""] * 176
    assert cells(client, check, *[(1, "skew", "1")] * 2001).status_code == 400


# --- one finding on many keys ---


def test_one_finding_is_written_to_a_stretch_of_keys(client, technician):
    check = make_check()
    answer = send(client, "check_findings", check, {"keys": "C3 to G4", "finding": "cloth_moth", "severity": "3"})
    assert "Written to 20 keys" in answer.content.decode()
    rows = KeyReading.objects.filter(check_done=check)
    assert list(rows.values_list("key", flat=True)) == list(range(28, 48))
    assert {row.findings["cloth_moth"] for row in rows} == {3}


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"keys": "Z9"}, "neither the number"),
        ({"keys": "1-5"}, "Not in this set: keys 3"),
        ({"keys": ""}, "This field is required"),
        ({"finding": "nothing"}, "Select a valid choice"),
        ({"severity": "9"}, "Select a valid choice"),
    ],
)
def test_a_bad_stretch_is_told_beside_its_field_and_writes_nothing(client, technician, wrong, sentence):
    check = make_check(job=make_job(missing=[3]))
    data = {"keys": "10-12", "finding": "cloth_moth", "severity": "3", **wrong}
    answer = send(client, "check_findings", check, data)
    assert sentence in answer.content.decode()
    assert not Entry.objects.exists()


# --- one key ---


def key_data(**changes) -> dict:
    return {"value_balance_mortise_width": "", "value_balance_pin": "", "note": "", "grade": "", **changes}


def test_a_key_is_read_by_a_plain_form(client, technician):
    check = make_check()
    data = key_data(value_balance_mortise_width="5,62", finding_cloth_worn="2", note="dusty", next="1")
    answer = send(client, "key_detail", check, data, 41, follow=False)
    assert answer["Location"] == reverse("key_detail", args=[check.job.number, check.pk, 42])
    row = KeyReading.objects.get(key=41)
    assert (row.balance_mortise_width, row.findings, row.note, row.grade) == (5620, {"cloth_worn": 2}, "dusty", 1)
    assert Entry.objects.count() == 3
    text = page(client, "key_detail", check, 41)
    assert 'value="5.62"' in text
    assert "dusty" in text
    send(client, "key_detail", check, data | {"finding_cloth_worn": "0"}, 41)
    assert re.search(r"Cloth worn\s*<span[^>]*></span>\s*taken off", page(client, "key_detail", check, 41))


def test_a_key_page_kept_unchanged_stores_nothing(client, technician):
    check = make_check()
    data = key_data(value_balance_mortise_width="5.62", finding_cloth_worn="2", note="two\r\nlines")
    send(client, "key_detail", check, data, 41)
    count = Entry.objects.count()
    send(client, "key_detail", check, data, 41)
    assert Entry.objects.count() == count


def test_a_key_page_opened_before_others_entered_something_takes_none_of_it_away(client, technician):
    check = make_check()
    shown = unescape(re.search(r'name="shown" value="([^"]*)"', page(client, "key_detail", check, 41))[1])
    found = op("finding", minute=2, finding="cloth_worn", severity=2)
    entries_apply(check, [op(value="5.60"), found, op("note", minute=3, text="a splice")], by=technician)
    send(client, "key_detail", check, key_data(value_balance_pin="3.70", finding_cloth_worn="0", shown=shown), 41)
    row = KeyReading.objects.get(key=41)
    assert (row.balance_mortise_width, row.balance_pin, row.note) == (5600, 3700, "a splice")
    assert row.findings == {"cloth_worn": 2}


@pytest.mark.parametrize("shown", ["", "[]", "{", '{"note": 3}', "null", "[" * 100_000])
def test_what_a_key_page_says_it_showed_is_not_believed_blindly(client, technician, shown):
    check = make_check()
    assert send(client, "key_detail", check, key_data(note="dusty", shown=shown), 41).status_code == 200


def test_a_key_of_the_sample_that_did_not_come_is_neither_waited_for_nor_led_to(client, technician):
    check = make_check(job=make_job(missing=[3]), sample=[2, 3, 5])
    answer = send(client, "key_detail", check, key_data(value_balance_pin="3.70", next="1"), 2, follow=False)
    assert answer["Location"] == reverse("key_detail", args=[check.job.number, check.pk, 5])
    assert "1 of 2 keys looked at" in page(client, "check_detail", check)
    assert open_points(check).unread == (5,)


def test_a_bad_reading_is_told_beside_its_field_and_nothing_of_the_key_is_kept(client, technician):
    check = make_check()
    data = key_data(value_balance_mortise_width="562", note="dusty", finding_cloth_worn="2")
    text = send(client, "key_detail", check, data, 41).content.decode()
    assert 'value="562"' in text
    field = text[text.index('id="id_value_balance_mortise_width"') :].split('class="field')[0]
    assert "cannot be right" in field
    assert not Entry.objects.exists()


def test_the_grade_is_overruled_with_a_word_and_given_back(client, technician):
    check = make_check()
    text = send(client, "key_detail", check, key_data(grade="3"), 41).content.decode()
    assert "Say in a word why" in text
    send(client, "key_detail", check, key_data(grade="3", grade_reason="cracked inside"), 41)
    row = KeyReading.objects.get(key=41)
    assert (row.grade, row.grade_reason) == (3, "cracked inside")
    send(client, "key_detail", check, key_data(grade="", grade_reason="cracked inside"), 41)
    assert KeyReading.objects.get(key=41).grade is None


def test_a_key_lists_its_readings_and_one_is_withdrawn(client, technician):
    check = make_check()
    entries_apply(check, [op(minute=1, value="5.60"), op(minute=2, value="5.90")], by=technician)
    text = page(client, "key_detail", check, 41)
    assert "two readings differ" in text
    wrong = Entry.objects.get(value=5900)
    send(client, "reading_withdraw", check, {"op": str(wrong.op)}, 41)
    assert KeyReading.objects.get(key=41).balance_mortise_width == 5600
    assert "withdrawn" in page(client, "key_detail", check, 41)


@pytest.mark.parametrize("given", ["", "x", "00000000-0000-0000-0000-000000000001"])
def test_withdrawing_what_is_not_there_changes_nothing(client, technician, given):
    check = make_check()
    entries_apply(check, [op()], by=technician)
    assert send(client, "reading_withdraw", check, {"op": given}, 41).status_code == 200
    assert KeyReading.objects.get(key=41).balance_mortise_width == 5620


def test_a_second_reading_stands_beside_the_first_and_tells_the_repeatability(client, technician):
    check = make_check()
    entries_apply(check, [op(value="5.60")], by=technician)
    data = {"again-quantity": "balance_mortise_width", "again-value": "5.62"}
    send(client, "reading_again", check, data, 41)
    assert Entry.objects.filter(kind="reading").count() == 2
    # sd of 5.60 and 5.62 is 0.014 mm, one degree of freedom
    assert "0.014 mm from 1 repeat<" in page(client, "check_detail", check)
    text = send(client, "reading_again", check, {**data, "again-value": "56"}, 41).content.decode()
    assert "cannot be right" in text
    assert Entry.objects.filter(kind="reading").count() == 2


def test_a_key_shows_how_it_was_in_earlier_checks_of_the_piano(client, technician):
    earlier = make_check(closed=True)
    make_readings(check=earlier, keys=[41], balance_mortise_width=5580, grade=1, findings={"cloth_worn": 2})
    later = make_check(job=make_job(instrument=earlier.job.instrument))
    stranger = make_check()
    make_readings(check=stranger, keys=[41], balance_mortise_width=4444, grade=1)
    text = page(client, "key_detail", later, 41)
    assert "5.58" in text
    assert "Cloth worn 2" in text
    assert earlier.job.tag in text
    assert "4.44" not in text


def test_a_key_is_held_against_the_same_note_of_a_set_that_began_elsewhere(client, technician):
    earlier = make_check(closed=True)  # from A0; its key 53 is C♯5
    make_readings(check=earlier, keys=[41, 53], balance_mortise_width=[4444, 5580], grade=1)
    later = make_check(job=make_job(instrument=earlier.job.instrument, first_midi=33, count=61))
    text = page(client, "key_detail", later, 41)
    assert "5.58" in text
    assert "4.44" not in text
    assert reverse("key_detail", args=[earlier.job.number, earlier.pk, 53]) in text


# --- files ---


def test_a_check_goes_out_and_comes_in_again_unchanged(client, technician):
    check = make_check(quantities=["balance_mortise_width", "skew"])
    entries_write(
        check,
        [
            typed(key=1, value="5.623"),
            typed(key=2, quantity="skew", unit="deg", value="-1.5"),
            typed("finding", key=2, finding="cloth_worn", severity=2),
            typed("note", key=3, text='=cmd|"x"!A0'),
        ],
        by=technician,
    )
    answer = client.get(reverse("check_csv", args=[check.job.number, check.pk]))
    assert answer["Content-Type"] == "text/csv; charset=utf-8"
    assert answer["Content-Disposition"].startswith(f'attachment; filename="{check.job.tag}')
    text = answer.content.decode("utf-8-sig")
    assert "'=cmd" in text
    other = make_check(quantities=check.quantities)
    send(client, "check_csv_read", other, {"text": text, "keep": "1"})
    columns = ("key", "balance_mortise_width", "skew", "findings", "note", "grade")
    assert list(other.keys.values_list(*columns)) == list(check.keys.values_list(*columns))
    count = Entry.objects.count()
    send(client, "check_csv_read", other, {"text": text, "keep": "1"})
    assert Entry.objects.count() == count


def test_inches_go_out_and_come_in_to_the_micrometre(client):
    client.force_login(make_person(units=Units.INCH))
    check, other = make_check(), make_check()
    widths = [5600 + 7 * key for key in range(88)]
    make_readings(check=check, balance_mortise_width=widths, grade=0)
    text = client.get(reverse("check_csv", args=[check.job.number, check.pk])).content.decode("utf-8-sig")
    send(client, "check_csv_read", other, {"text": text, "keep": "1"})
    assert list(other.keys.values_list("balance_mortise_width", flat=True)) == widths


BAD_FILE = """key;quantity;value;unit;finding;severity;note
1;balance_mortise_width;5,62;mm;;;
2;balance_mortise_width;562;mm;;;
3;;;;cloth_worn;2;dusty
4;;;;no_such;2;
x;;;;;;lost?
"""


def test_a_file_is_looked_at_first_and_each_bad_line_is_named(client, technician):
    check = make_check()
    file = SimpleUploadedFile("readings.csv", BAD_FILE.encode("latin-1"))
    text = send(client, "check_csv_read", check, {"file": file}).content.decode()
    assert "2 lines are good" in text
    assert "3 need a look" in text
    for words in ("cannot be right", "not on the shop&#x27;s list", "“x” is no key", "x;;;;;;lost?"):
        assert words in text
    assert not Entry.objects.exists()


def test_good_lines_are_brought_in_and_the_bad_come_back_to_be_put_right(client, technician):
    check = make_check()
    text = send(client, "check_csv_read", check, {"text": BAD_FILE, "keep": "1"}).content.decode()
    assert "2 lines brought in" in text
    assert Entry.objects.count() == 3
    area = text[text.index("<textarea") :].split("</textarea>")[0]
    assert "2;balance_mortise_width;562;mm;;;" in area
    assert "x;;;;;;lost?" in area
    assert "1;balance_mortise_width" not in area


def test_a_mortise_narrower_than_its_pin_is_named_before_it_is_brought_in(client, technician):
    check = make_check(kind="stripped")
    text = "key,quantity,value\n1,balance_pin,3.70\n1,balance_mortise_width,3.60\n"
    shown = send(client, "check_csv_read", check, {"text": text}).content.decode()
    assert "The pin would not enter" in shown
    assert not Entry.objects.exists()


def test_a_slip_that_a_later_line_puts_right_stands_against_no_line_above_it(client, technician):
    check = make_check(kind="stripped")
    entries_write(check, [typed(key=1, quantity="balance_pin", value="5.70")], by=technician)  # for 3.70
    text = "key,quantity,value\n1,balance_mortise_width,5.62\n2,balance_mortise_width,5.64\n1,balance_pin,3.70\n"
    shown = send(client, "check_csv_read", check, {"text": text, "keep": "1"}).content.decode()
    assert "The pin would not enter" not in shown
    assert list(check.keys.values_list("balance_mortise_width", "balance_pin")) == [(5620, 3700), (5640, None)]


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        ({}, "Choose a file"),
        ({"text": "hello"}, "must name the columns"),
        ({"text": "key,price\n1,2"}, "no column “price”"),
    ],
)
def test_a_file_that_says_nothing_is_told(client, technician, data, sentence):
    assert sentence in send(client, "check_csv_read", make_check(), data).content.decode()


def test_a_file_for_a_closed_check_is_refused(client, technician):
    text = "key,note\n1,x\n"
    shown = send(client, "check_csv_read", make_check(closed=True), {"text": text, "keep": "1"}).content.decode()
    assert "This check is closed" in shown
    assert not Entry.objects.exists()


# --- photos on pages ---


def test_photos_are_added_on_a_key_page_and_shown_there(client, technician):
    check = make_check()
    here = reverse("key_detail", args=[check.job.number, check.pk, 41])
    data = {
        "photos": [SimpleUploadedFile("a.jpg", jpeg()), SimpleUploadedFile("b.jpg", b"no photo")],
        "caption": "crack",
        "key": "41",
        "check": str(check.pk),
        "next": here,
    }
    answer = client.post(reverse("photo_add", args=[check.job.number]), data, follow=True)
    assert answer.redirect_chain[0][0] == here
    text = answer.content.decode()
    assert "1 photo kept" in text
    assert "b.jpg: This is no photo" in text
    photo = Photo.objects.get()
    assert (photo.key, photo.check_done, photo.caption, photo.by) == (41, check, "crack", technician)
    assert reverse("photo_small", args=[photo.op]) in text


@pytest.mark.parametrize("data", [{}, {"photos": "text"}, {"photos": [], "key": "x"}])
def test_no_photo_in_it_is_told(client, technician, data):
    job = make_job()
    answer = client.post(reverse("photo_add", args=[job.number]), data, follow=True)
    assert answer.status_code == 200
    assert not Photo.objects.exists()


def test_the_way_back_never_leads_out_of_the_shop(client, technician):
    job = make_job()
    for where in ("https://elsewhere.example/", "//elsewhere.example/", "javascript:x"):
        answer = client.post(reverse("photo_add", args=[job.number]), {"next": where})
        assert answer["Location"] == reverse("job_detail", args=[job.number])


# --- the panel on the job ---


def test_the_jobs_panel_lists_its_checks_and_offers_the_kinds_not_open(client, technician, rf):
    check = make_check()
    make_readings(check=check, keys=range(1, 62), balance_mortise_width=5600, grade=0)
    template = engines["django"].from_string("{% load keyboards %}{% checks_panel job %}")
    request = rf.get("/")
    request.user = technician
    job = Job.objects.get(pk=check.job.pk)
    text = template.render({"job": job}, request)
    assert reverse("check_detail", args=[job.number, check.pk]) in text
    assert ">61<" in text
    assert "?kind=arrival" not in text
    assert "?kind=final" in text
    request.user = make_person(role=Role.DESK)
    assert "?kind=" not in template.render({"job": job}, request)

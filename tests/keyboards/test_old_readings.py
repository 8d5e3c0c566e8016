"""A spreadsheet kept by hand becomes a check of the set: looked at first, dated as it was read, nothing lost."""

import datetime

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Check, CheckKind, Entry, KeyReading
from keyboards.workflow.opening import open_trade
from shop.models import Event, Role
from tests.factories import make_check, make_job, make_person
from tests.ladder import climb

pytestmark = pytest.mark.django_db

# Inches in thousandths, as a bench note of long ago may hold them: 0.221 in is 5.6134 mm (1 in = 25.4 mm exactly).
FILE = "Key,Balance mortise (thou),Skew,Wood torn,Remarks\n1,221,0.5,x,loose\n2,2210,,,\n99,221,,,\nA0,230,,,\n"


@pytest.fixture
def technician(client):
    open_trade()
    person = make_person()
    client.force_login(person)
    return person


def send(client, job, **data):
    plain = {"kind": "visit", "read_on": "2019-06-30", "origin": "a notebook", "text": FILE}
    return client.post(reverse("old_readings", args=[job.number]), plain | data)


def test_the_page_is_for_those_who_read_keys():
    climb("old_readings", make_job().number, roles={Role.TECHNICIAN}, methods={"GET", "POST", "HEAD"})


def test_it_is_looked_at_first_and_every_bad_cell_is_named(client, technician):
    job = make_job()
    text = send(client, job).content.decode()
    assert "4 cells are good" in text
    assert "3 need a look" in text
    for words in (
        "cannot be right",
        "no key 99",
        "says it already",
    ):
        assert words in text
    assert not Check.objects.exists()
    assert not Event.objects.filter(what__startswith="check_").exists()


def test_the_good_cells_are_kept_under_the_day_they_were_read_and_the_bad_come_back(client, technician):
    job = make_job()
    text = send(client, job, keep="1").content.decode()
    check = Check.objects.get()
    assert (check.kind, check.note, check.begun_by) == (CheckKind.VISIT, "a notebook", technician)
    assert timezone.localtime(check.begun_at).date() == datetime.date(2019, 6, 30)
    assert check.quantities == ["balance_mortise_width", "skew"]
    row = KeyReading.objects.get()
    assert (row.key, row.balance_mortise_width, row.skew, row.note) == (1, 5613, 500, "loose")
    assert row.findings == {"mortise_torn": 2}
    assert all(entry.taken_at - check.begun_at < datetime.timedelta(seconds=1) for entry in Entry.objects.all())
    assert all(entry.received_at > check.begun_at for entry in Entry.objects.all())
    assert Event.objects.get(what="check_brought").details["day"] == "2019-06-30"
    area = text[text.index("<textarea") :].split("</textarea>")[0]
    assert "2,balance_mortise_width,2.21,in" in area
    assert "99,balance_mortise_width,0.221,in" in area
    assert f'action="{reverse("check_csv_read", args=[job.number, check.pk])}"' in text


def test_the_columns_may_be_named_otherwise_than_proposed(client, technician):
    job = make_job()
    chosen = {"column_0": "key", "column_1": "front_mortise_width:mil", "column_2": "", "column_3": "", "column_4": ""}
    send(client, job, text="Key,Balance mortise (thou),a,b,c\n1,221,1,1,1\n", keep="1", **chosen)
    row = KeyReading.objects.get()
    assert (row.front_mortise_width, row.balance_mortise_width) == (5613, None)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"read_on": "2190-01-01"}, "still to come"),
        ({"read_on": "1912-05-05"}, "Before 1970"),
        ({"read_on": "x"}, "Enter a valid date"),
        ({"kind": "arrival"}, "what was read before that is a check at a visit"),
        ({"origin": ""}, "This field is required"),
        ({"column_0": "", "column_1": "dip:mm"}, "Say which column names the key"),
        ({"text": "only,names\n"}, "nothing under the first line"),
        ({"text": ""}, "Choose a file"),
        ({"column_0": "key", "column_1": "weight:kg"}, "Choose what this column holds"),
        ({"text": "key,dip\nx,5\n", "keep": "1"}, "No cell is good yet"),
    ],
)
def test_what_cannot_be_is_said_and_nothing_is_kept_or_lost(client, technician, data, words):
    text = send(client, make_job(), **data).content.decode()
    assert words in text
    assert not Check.objects.exists()
    if "text" not in data:
        assert "221,0.5,x,loose" in text
        assert "a notebook" in text or data.get("origin") == ""


def test_a_new_file_is_asked_for_its_own_columns(client, technician):
    file = SimpleUploadedFile("old.csv", b"Note;dip\nA0;10,2\n")
    text = send(client, make_job(), file=file, column_0="", column_1="").content.decode()
    assert "1 cell is good" in text
    file.seek(0)
    assert "A0;10,2" in send(client, make_job(), file=file, text="", read_on="").content.decode()


def test_an_open_check_of_the_kind_stands_in_the_way_and_is_named(client, technician):
    check = make_check(kind="visit")
    assert "open already" in send(client, check.job).content.decode()
    assert Check.objects.get() == check


def test_a_set_without_keys_is_told(client, technician):
    job = make_job()
    job.compass.delete()
    assert client.get(reverse("old_readings", args=[job.number])).status_code == 200

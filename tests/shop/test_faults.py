"""When the machine is at fault: a sentence, status 503, nothing half-written; and what a person typed comes again."""

import datetime
import errno
import json
import logging
import shutil
import sys
from pathlib import Path

import pytest
import time_machine
from django.core.files.storage import FileSystemStorage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import OperationalError, connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Entry, Photo
from keyboards.workflow.opening import open_trade
from keyboards.workflow.photos import photo_add
from shop.faults import fault_of
from shop.logs import OneLine
from shop.models import Client as Customer
from shop.models import Event
from shop.workflow.events import record
from tests.factories import make_check, make_client, make_job, make_person
from tests.keyboards.test_entries import op
from tests.keyboards.test_photos import jpeg
from tests.places import sqlite_place

pytestmark = pytest.mark.django_db
SQLITE = connection.vendor == "sqlite"
ROOM, CLOSED = "no room left", "does not let the program write"


def visitor(person=None) -> Client:
    """Sees the answer a browser would, not the exception."""
    who = Client(raise_request_exception=False)
    who.force_login(person or make_person())
    return who


def send(who: Client, check, *operations):
    body = json.dumps({"operations": list(operations)})
    return who.post(reverse("operations", args=[check.pk]), body, content_type="application/json")


@pytest.fixture
def full():
    """No page of the database file may be added any more: SQLite then says what it says on a full disk."""
    if not SQLITE:
        pytest.skip("SQLite's own way to be full")

    def fill():
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA max_page_count = 1")  # SQLite makes this the number of pages there are
            # Use up what room is left in the pages that are there.
            for size in (4000, 1000, 200, 40, 1):
                while True:
                    try:
                        record("x" * min(size, 40), by=None, more="y" * size)
                    except OperationalError:
                        break

    yield fill
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA max_page_count = 1073741823")


@pytest.fixture
def closed():
    """The database takes no write."""
    said = "PRAGMA query_only = %d" if SQLITE else "SET default_transaction_read_only = %d"

    def close():
        with connection.cursor() as cursor:
            cursor.execute(said % 1)

    yield close
    with connection.cursor() as cursor:
        cursor.execute(said % 0)


@pytest.mark.django_db(transaction=True)
def test_the_full_database_of_these_tests_is_what_sqlite_says_on_a_full_disk(full):
    full()
    with pytest.raises(OperationalError, match="database or disk is full") as caught:
        record("z" * 40, by=None, more="y" * 5000)
    assert ROOM in fault_of(caught.value)


@pytest.mark.django_db(transaction=True)
def test_a_tablet_is_told_that_there_is_no_room_and_nothing_is_half_kept(full, caplog):
    open_trade()
    check, who = make_check(), visitor()
    assert send(who, check, op()).status_code == 200  # the control: before, it is kept
    full()
    before = Entry.objects.count()
    answer = send(who, check, *(op(key=1 + number, comment="x" * 100) for number in range(40)))
    assert answer.status_code == 503
    assert ROOM in answer.json()["error"]
    assert int(answer["Retry-After"]) > 0
    assert Entry.objects.count() == before
    assert "Service Unavailable: /bench/checks/" in caplog.text


@pytest.mark.django_db(transaction=True)
def test_a_page_that_cannot_be_kept_says_why_and_keeps_nothing(closed):
    who = visitor(make_person(role="desk"))
    customer = make_client(name="Vera Holt")
    closed()
    answer = who.post(reverse("client_edit", args=[customer.pk]), {"kind": "owner", "name": "Vera Hult"})
    page = answer.content.decode()
    assert answer.status_code == 503
    assert CLOSED in page
    assert "what you typed is still there" in page
    assert Customer.objects.get().name == "Vera Holt"


def test_a_page_that_cannot_be_read_does_not_speak_of_what_was_typed(monkeypatch):
    def away(request):
        raise OperationalError("connection failed: the database could not connect")

    who = visitor(make_person(role="desk"))
    monkeypatch.setattr("shop.access.sessions.note_seen", away)
    answer = who.get(reverse("counter"))
    assert answer.status_code == 503
    assert "cannot be shown now" in answer.content.decode()
    assert "typed" not in answer.content.decode()


def test_the_same_page_is_kept_when_the_database_takes_it():
    """The control."""
    who = visitor(make_person(role="desk"))
    customer = make_client(name="Vera Holt")
    answer = who.post(reverse("client_edit", args=[customer.pk]), {"kind": "owner", "name": "Vera Hult"})
    assert answer.status_code == 302
    assert Customer.objects.get().name == "Vera Hult"


@pytest.mark.parametrize("file", [1, 2])
def test_a_photo_for_which_there_is_no_room_leaves_no_row_and_no_file(settings, tmp_path, monkeypatch, file):
    """The disk fills up while the first file of a photo is written, or the second; half of it is there by then."""
    settings.MEDIA_ROOT = tmp_path / "media"
    job, who, written = make_job(), visitor(), []
    save = FileSystemStorage._save

    def fills(self, name, content):
        written.append(name)
        if len(written) == file:
            path = Path(self.path(name))
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"half")
            raise OSError(errno.ENOSPC, "No space left on device")
        return save(self, name, content)

    def add():
        picture = SimpleUploadedFile("a.jpg", jpeg(), "image/jpeg")
        return who.post(reverse("photo_add", args=[job.number]), {"photos": picture})

    with monkeypatch.context() as patch:
        patch.setattr(FileSystemStorage, "_save", fills)
        answer = add()
    assert answer.status_code == 503
    assert ROOM in answer.content.decode()
    assert not Photo.objects.exists()
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []
    assert add().status_code == 302
    assert Photo.objects.count() == 1


def test_a_photo_folder_that_is_gone_is_made_again_and_a_photo_that_is_gone_is_not_found(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"
    who, job, person = visitor(), make_job(), make_person()
    photo = photo_add(job=job, data=jpeg(), by=person)
    shutil.rmtree(tmp_path / "media")
    assert who.get(reverse("photo_show", args=[photo.op])).status_code == 404
    assert who.get(reverse("job_detail", args=[job.number])).status_code == 200
    again = photo_add(job=job, data=jpeg("red"), by=person)
    assert who.get(reverse("photo_show", args=[again.op])).status_code == 200


def test_a_fault_of_the_program_is_not_called_one_of_the_machine(monkeypatch):
    def wrong(*args, **kwargs):
        raise ValueError("wrong")

    who = visitor(make_person(role="desk"))
    monkeypatch.setattr("shop.views.counter.page_or_part", wrong)
    answer = who.get(reverse("counter"))
    assert answer.status_code == 500
    assert "Something went wrong here" in answer.content.decode()


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(errno.ENOSPC, "x"), ROOM),
        (OSError(errno.EDQUOT, "x"), ROOM),
        (OSError(errno.EROFS, "x"), CLOSED),
        (PermissionError(errno.EACCES, "x"), CLOSED),
        (OperationalError("database or disk is full"), ROOM),
        (OperationalError("attempt to write a readonly database"), CLOSED),
        (OperationalError("unable to open database file"), CLOSED),
        (OperationalError("database is locked"), "Too many people"),
        (OperationalError("disk I/O error"), "may be failing"),
        (OperationalError("connection failed: could not connect to server"), "does not answer"),
        (OperationalError("no such table: x"), ""),
        (FileNotFoundError(errno.ENOENT, "x"), ""),
        (ValueError("no space left on device"), ""),
        (None, ""),
    ],
)
def test_a_fault_is_known_by_its_number_or_the_words_of_the_database(error, words):
    assert (words in fault_of(error)) if words else fault_of(error) == ""


def test_a_fault_is_found_behind_what_was_raised_from_it():
    try:
        try:
            raise OSError(errno.ENOSPC, "x")
        except OSError as error:
            raise RuntimeError("a letter") from error
    except RuntimeError:
        told = fault_of(sys.exc_info()[1])
    assert ROOM in told


def test_a_data_folder_that_cannot_be_made_stops_the_program_with_a_sentence(tmp_path):
    (tmp_path / "file").write_text("")
    place = sqlite_place(tmp_path / "place")
    place.env["DATA_DIR"] = str(tmp_path / "file" / "data")
    said = place.manage("check", fails=True)
    assert "DATA_DIR: the folder" in said
    assert "cannot be made" in said


def test_a_clock_that_jumps_changes_no_order_and_stops_nobody():
    """Back by a year (an empty battery) and forward by ten: what is written then is kept, in the order it was written,
    and a person signed in after the jump works on."""
    real, seen = timezone.now(), []
    for when in (real, real - datetime.timedelta(days=365), real + datetime.timedelta(days=3650), real):
        with time_machine.travel(when, tick=True):
            who = visitor(make_person(role="desk"))
            assert who.get(reverse("counter")).status_code == 200
            seen.append(record("clock", by=None).pk)
    assert list(Event.objects.filter(what="clock").order_by("pk").values_list("pk", flat=True)) == seen


# --- what the log says ---


def written(message: str, *args, exc_info=None, level=logging.ERROR) -> str:
    return OneLine().format(logging.LogRecord("shop", level, __file__, 1, message, args, exc_info))


def test_a_line_of_the_log_is_one_line_with_the_place_and_without_the_values():
    try:
        raise OperationalError("duplicate key\nDETAIL: Key (email)=(ilse@example.org) already exists.")
    except OperationalError:
        line = written("Internal Server Error:\n%s", "/counter/", exc_info=sys.exc_info())
        warned = written("Forbidden: %s", "/office/", exc_info=sys.exc_info(), level=logging.WARNING)
    assert "\n" not in line
    assert "ERROR shop: Internal Server Error: /counter/: OperationalError: duplicate key (" in line
    assert "test_faults.py:" in line
    assert warned.endswith("Forbidden: /office/: OperationalError: duplicate key")  # nothing is broken in the program
    assert "ilse" not in line


def test_no_clients_link_stands_in_the_log():
    token = "Ab-_9" * 10
    assert written("Not Found: %s", f"/estimate/{token}/yes/").endswith("Not Found: /estimate/…/yes/")

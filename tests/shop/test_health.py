"""Whether the program is well: a word for machines that gives nothing away, the whole of it for the owner."""

import datetime
import tomllib
from pathlib import Path

import pytest
from django.core.checks import run_checks
from django.db import OperationalError, connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from shop.about import NOTES, VERSION
from shop.models import Role
from shop.views import health
from shop.workflow import backups
from shop.workflow.letters import letter_queue
from tests.factories import make_person, make_sent
from tests.ladder import climb

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def home(settings, tmp_path):
    settings.DATA_DIR, settings.BACKUP_DIR, settings.MEDIA_ROOT = tmp_path, tmp_path / "kept", tmp_path / "media"
    settings.BACKUP_DIR.mkdir()
    settings.MEDIA_ROOT.mkdir()
    return tmp_path


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def good_backup(**ago) -> None:
    at = timezone.now() - datetime.timedelta(**ago)
    backups._note(good_at=at.isoformat(), archive="/kept/a.zip", size=5_000_000, row_count=10_616, file_count=97)


def test_all_is_well_when_it_writes_has_room_and_a_backup_of_today():
    good_backup(hours=3)
    answer = Client().get(reverse("health"))
    assert answer.status_code == 200
    assert answer.json() == {
        "ok": True,
        "version": VERSION,
        "database": True,
        "room": True,
        "files": True,
        "backup": True,
        "letters": True,
    }
    assert "no-store" in answer["Cache-Control"]


def test_it_tells_nothing_private(owner):
    good_backup(hours=3)
    make_sent()
    told = Client().get(reverse("health")).content.decode()
    assert len(told) < 150
    assert "kept" not in told
    assert Client().get(reverse("health")).cookies == {}


def test_a_database_that_takes_no_write_is_503(monkeypatch):
    def refuse(*args, **kwargs):
        raise OperationalError("attempt to write a readonly database")

    good_backup(hours=3)
    with monkeypatch.context() as patch:
        patch.setattr(health.transaction, "atomic", refuse)
        answer = Client().get(reverse("health"))
    assert answer.status_code == 503
    assert (answer.json()["ok"], answer.json()["database"]) == (False, False)


def test_too_little_room_is_503(monkeypatch):
    monkeypatch.setattr(health, "free", lambda: health.ROOM - 1)
    answer = Client().get(reverse("health"))
    assert (answer.status_code, answer.json()["room"]) == (503, False)


@pytest.mark.parametrize(("ago", "good"), [({"hours": 47}, True), ({"hours": 49}, False), ({"hours": -25}, False)])
def test_a_backup_of_more_than_two_days_or_from_the_future_is_not_good(ago, good):
    good_backup(**ago)
    answer = Client().get(reverse("health"))
    assert answer.status_code == 200  # people can work
    assert (answer.json()["backup"], answer.json()["ok"]) == (good, good)


def test_a_letter_that_waits_for_hours_is_not_well():
    good_backup(hours=1)
    letter = letter_queue(to="ilse@example.org", subject="x", text="x", by=None)
    assert Client().get(reverse("health")).json()["letters"]
    type(letter).objects.filter(pk=letter.pk).update(created=timezone.now() - datetime.timedelta(hours=3))
    assert not Client().get(reverse("health")).json()["letters"]


def test_photos_whose_disk_is_away_are_not_well_and_the_office_says_so(client, owner, home):
    good_backup(hours=1)
    (home / "media").rmdir()
    assert not Client().get(reverse("health")).json()["files"]
    assert "cannot be kept" in client.get(reverse("program")).content.decode()
    backups._note(file_count=0)  # the control: a new shop has no photo and no folder
    assert Client().get(reverse("health")).json()["files"]
    backups._note(file_count=90, absent=7)
    (home / "media").mkdir()
    assert not Client().get(reverse("health")).json()["files"]
    assert "7 photos or papers are missing" in client.get(reverse("office")).content.decode()
    assert "not all there" in client.get(reverse("program")).content.decode()


def test_health_is_asked_not_told():
    assert Client().post(reverse("health")).status_code == 405


def test_a_state_file_with_nonsense_is_no_backup(home):
    for text in ("", "no json", "[]", '{"good_at": 5}', '{"good_at": "2026-01-01", "size": "x", "part": null}'):
        (home / "backups.json").write_text(text)
        assert backups.state().stale(timezone.now()), text


# --- for the owner ---


def test_the_owner_sees_version_database_room_backup_and_what_is_new(client, owner):
    good_backup(hours=3)
    page = client.get(reverse("program")).content.decode()
    for words in (
        VERSION,
        "takes writes",
        "10616 rows, 97 photos and papers",
        "/kept/a.zip",
        "on the same disk",
        "Django",
    ):
        assert words in page
    assert str(NOTES[0][1][0]) in page
    assert "message bad" not in page


@pytest.mark.skipif(connection.vendor != "sqlite", reason="SQLite's own fault")
def test_the_owner_reads_of_a_fault_of_this_sqlite_and_no_start_is_troubled_by_it(client, owner, monkeypatch):
    for version, told in (((3, 51, 2), True), ((3, 51, 3), False)):
        monkeypatch.setattr(health.sqlite3, "sqlite_version_info", version)
        assert ("rare fault" in client.get(reverse("program")).content.decode()) is told
        assert run_checks(include_deployment_checks=False) == []


def test_the_office_is_red_without_a_good_backup_and_says_why_it_failed(client, owner):
    assert "no good backup of the last two days" in client.get(reverse("office")).content.decode()
    assert "There is no backup yet" in client.get(reverse("program")).content.decode()
    good_backup(hours=3)
    assert "no good backup" not in client.get(reverse("office")).content.decode()
    backups._note(failed_at=timezone.now().isoformat(), why="<no room>")
    assert "no good backup" in client.get(reverse("office")).content.decode()
    assert "failed: &lt;no room&gt;" in client.get(reverse("program")).content.decode()


@pytest.mark.django_db(transaction=True)
def test_a_press_makes_a_backup_and_the_page_tells_how_far_it_is(client, owner, home, monkeypatch):
    started = []
    start = health.back_up_aside
    monkeypatch.setattr(health, "back_up_aside", lambda: started.append(start()))
    assert client.post(reverse("backup_now")).status_code == 302
    started[0].join()
    (archive,) = home.glob("kept/*.zip")
    assert str(archive) in client.get(reverse("program")).content.decode()
    with backups._alone():
        backups._note(part=40)
        part = client.get(reverse("program"), headers={"HX-Request": "true", "HX-Target": "backups"}).content.decode()
        assert "40 % of the files are in it" in part
        assert 'hx-trigger="every 2s"' in part
        assert "<html" not in part
        assert "Back up now" not in part
        client.post(reverse("backup_now"))
    assert len(started) == 1


@pytest.mark.once
def test_only_the_owner_sees_the_state_of_the_program(client):
    climb("program", roles={Role.OWNER})


@pytest.mark.once
def test_only_the_owner_makes_a_backup(monkeypatch):
    monkeypatch.setattr(health, "back_up_aside", lambda: None)
    climb("backup_now", roles={Role.OWNER}, methods={"POST"})


def test_the_page_asks_as_often_for_many_letters(client, owner):
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("program"))
        return len(seen)

    one = queries()
    for _ in range(20):
        letter_queue(to="ilse@example.org", subject="x", text="x", by=None)
    assert queries() == one


def test_the_version_is_one_and_has_notes():
    written = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]["version"]
    assert written == VERSION == NOTES[0][0]
    assert all(news for _version, news in NOTES)

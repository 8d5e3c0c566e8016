"""Backups: whole, of one moment, without holding anybody up; and the way back from them, to either database."""

import datetime
import io
import json
import os
import shutil
import sqlite3
import threading
import time
import zipfile
from contextlib import closing, nullcontext
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.utils import timezone

from keyboards.workflow.photos import photo_add
from shop.management.commands.backup import due
from shop.models import Job, Person
from shop.workflow import backups, rows
from shop.workflow.backups import Damaged, back_up, kept, restore, state, verify
from shop.workflow.events import record
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person, make_readings, make_sent, make_workshop
from tests.keyboards.test_photos import jpeg
from tests.places import SQLITE_FILE, Place, drop_database, new_database, sqlite_place

# These commit: on SQLite they need a file (see conftest.py).
pytestmark = pytest.mark.django_db(transaction=True)
SQLITE = connection.vendor == "sqlite"
# What a place says of itself: the sum of each table's rows, of either kind of database.
TALLY = """
import json
from django.db import connection
from shop.workflow import rows
known = rows.tables(connection, rows.applied(connection))
print(json.dumps({table: [(t := rows.tally(connection, model)).rows, t.sum] for table, model in known.items()}))
"""


@pytest.fixture
def home(settings, tmp_path):
    """This process keeps its files in a folder of the test's own."""
    settings.DATA_DIR, settings.MEDIA_ROOT = tmp_path / "home", tmp_path / "home" / "media"
    settings.BACKUP_DIR = tmp_path / "home" / "backups"
    settings.DATA_DIR.mkdir()
    return settings.DATA_DIR


@pytest.fixture
def workshop(home, quick_paper):
    """A little of everything, in any script: a set with a check, a photo, an estimate that went out, its letter."""
    make_workshop(name="Fennimore Κλαβιέ 鍵盤 Works")
    person = make_person(first_name="Zoë", last_name='O\'Rourke \\ "x"\n')
    job = make_job(by=person)
    photo_add(job=job, data=jpeg(), by=person, key=41, caption="before\ttea 🫖")
    make_readings(
        check=make_check(job=job, by=person, closed=True), balance_mortise_width=5_662, extra={"b": 1, "a": 0.1}
    )
    make_sent(by=person, job=job)
    return home


@pytest.fixture
def place(tmp_path):
    """An empty place, on the kind of database the tests run on."""
    made = sqlite_place(tmp_path / "elsewhere")
    if SQLITE:
        yield made
        return
    address = new_database()
    yield Place(made.folder, {**made.env, "DATABASE_URL": address})
    drop_database(address)


def tallies() -> dict[str, list]:
    known = rows.tables(connection, rows.applied(connection))
    counted = {table: rows.tally(connection, model) for table, model in known.items()}
    return {table: [one.rows, one.sum] for table, one in counted.items()}


def media(folder: Path) -> dict[str, bytes]:
    top = folder / "media"
    return {str(path.relative_to(top)): path.read_bytes() for path in top.rglob("*") if path.is_file()}


# --- the drill ---


@pytest.mark.once
@pytest.mark.skipif(not os.environ.get("LONG"), reason="half a minute: with LONG=1; the way back has its own tests")
def test_the_demonstration_comes_back_elsewhere_and_works(home, quick_paper, place):
    call_command("demo", stdout=io.StringIO())
    archive = Path(state().archive)  # the demonstration ends with a backup
    place.manage("restore", str(archive))
    there = json.loads(place.script(TALLY))
    assert there == tallies()
    assert there["keyboards_entry"][0] > 500
    assert media(place.folder) == media(home)
    assert len(media(home)) > 20
    served = place.script(
        "from django.conf import settings; settings.ALLOWED_HOSTS.append('testserver')\n"
        "from django.core.management import call_command\n"
        "call_command('collectstatic', verbosity=0, interactive=False)\n"
        "from django.test import Client; visitor = Client()\n"
        "from shop.models import Person; visitor.force_login(Person.objects.get(username='edda'))\n"
        "page = visitor.get('/counter/'); print(page.status_code, page.content.decode())"
    )
    assert served.startswith("200")
    assert Job.objects.on_the_rack().first().tag in served


@pytest.mark.parametrize("other", ["same", "sqlite"])
def test_rows_come_back_as_they_were_on_either_database(archive, place, tmp_path, other):
    if other == "sqlite":
        if SQLITE:
            pytest.skip("the tests run on SQLite: that is the same")
        place = sqlite_place(tmp_path / "light")
    else:  # one that fails leaves the place as it was
        assert "Nothing was restored" in place.manage("restore", str(rewritten(archive, orphan)), fails=True)
    place.manage("restore", str(archive))
    assert json.loads(place.script(TALLY)) == tallies()
    # The counters go on behind what came back.
    number = place.script(
        "from shop.models import Client\nprint(Client.objects.create(name='Next', email='n@example.org').pk)"
    )
    assert int(number) > 1


def test_a_sum_that_compares_rows_sees_one_changed_character(workshop):
    before = tallies()
    Person.objects.filter(first_name="Zoë").update(first_name="Zoe")
    after = tallies()
    assert [table for table in before if before[table] != after[table]] == ["shop_person"]


@pytest.mark.once
def test_an_archive_from_before_an_update_comes_back_up_to_date(place, tmp_path):
    archive = place.script(
        "import sys\nfrom pathlib import Path\nfrom django.core.management import call_command\n"
        "from django.db import connection\n"
        "from shop.workflow import rows\n"
        "call_command('backup', before_migrate=True)\n"  # no rows yet, so nothing is printed
        "for app in ('keyboards', 'shop'): call_command('migrate', app, '0003', verbosity=0)\n"
        "model = rows.tables(connection, rows.applied(connection))['shop_client']\n"
        "model._base_manager.create(name='Vera Holt', email='v@example.org', kind='owner')\n"
        "call_command('backup', before_migrate=True, to=Path(sys.argv[1]))",
        str(tmp_path / "kept"),
    )
    (path,) = (tmp_path / "kept").glob("*.zip")
    assert archive.splitlines()[-1] == str(path)
    new = sqlite_place(tmp_path / "new")
    new.manage("restore", str(path))
    name, *steps = new.script(
        "from django.core.management import call_command\nfrom shop.models import Client\n"
        "print(Client.objects.get().name)\ncall_command('showmigrations')\n"
        "call_command('backup', before_migrate=True)"  # up to date, so nothing is printed
    ).splitlines()
    assert name == "Vera Holt"
    assert "[X]" in steps[-1]
    assert not [step for step in steps if "[ ]" in step]


# --- one moment, and nobody waits ---


class Writer(threading.Thread):
    """Writes two rows in one transaction, again and again."""

    def __init__(self):
        super().__init__()
        self.done, self.stop = 0, threading.Event()

    def run(self):
        with closing(connection):
            while not self.stop.is_set():
                with transaction.atomic():
                    record("first", by=None, number=self.done)
                    record("second", by=None, number=self.done)
                self.done += 1
                time.sleep(0.002)


def test_a_backup_is_of_one_moment_while_people_write(workshop, monkeypatch):
    writer, seen = Writer(), []
    lines = rows.lines

    def slowly(source, model):  # each table takes a while: enough for whoever writes to come in between
        seen.append(writer.done)
        yield from lines(source, model)
        time.sleep(0.02)

    monkeypatch.setattr(rows, "lines", slowly)
    writer.start()
    while writer.done < 20:
        time.sleep(0.01)
    try:
        archive = back_up()
    finally:
        writer.stop.set()
        writer.join()
    assert seen[-1] - seen[0] > 5  # it went on all the while
    assert 20 <= pairs(archive) < seen[-1]


def pairs(archive: Path) -> int:
    """How many whole pairs are in the archive. A half of one fails."""
    with zipfile.ZipFile(archive) as opened:
        column = json.loads(opened.read("manifest.json"))["tables"]["shop_event"]["columns"].index("what")
        what = [json.loads(line)[column] for line in opened.read("rows/shop_event.jsonl").splitlines()]
    assert what.count("first") == what.count("second")
    return what.count("first")


def test_without_the_snapshot_the_same_backup_is_torn(workshop, monkeypatch):
    """The control: what the test above would miss if it could not see a tear."""
    monkeypatch.setattr(rows, "snapshot", lambda source: nullcontext())
    lines = rows.lines

    def and_then_one_more(source, model):
        yield from lines(source, model)
        if model._meta.db_table == "keyboards_check":
            record("late", by=None)

    monkeypatch.setattr(rows, "lines", and_then_one_more)
    with zipfile.ZipFile(back_up()) as opened:
        assert b'"late"' in opened.read("rows/shop_event.jsonl")
    monkeypatch.undo()


@pytest.mark.skipif(not SQLITE, reason="a file is what SQLite keeps")
def test_a_plain_copy_of_the_file_loses_what_was_acknowledged(tables, tmp_path):
    """The control: why a backup is not a copy. The rows are in the write-ahead log still."""
    place = sqlite_place(tmp_path / "place")
    shutil.copy(tables, place.folder / SQLITE_FILE)
    place.script(
        "import shutil, sys\nfrom shop.workflow.events import record\n"
        "for number in range(20): record('kept', by=None, number=number)\n"
        "shutil.copy(sys.argv[1] + '/balance-rail.sqlite3', sys.argv[2])\n"
        "from shop.workflow.backups import back_up; back_up()",
        str(place.folder),
        str(tmp_path / "copy.sqlite3"),
    )
    with closing(sqlite3.connect(tmp_path / "copy.sqlite3")) as copied:
        assert copied.execute("SELECT count(*) FROM shop_event WHERE what = 'kept'").fetchone()[0] < 20
    (archive,) = (place.folder / "backups").iterdir()
    with zipfile.ZipFile(archive) as opened:
        assert opened.read("rows/shop_event.jsonl").count(b'"kept"') == 20


# --- what is refused ---


@pytest.fixture
def archive(workshop):
    return back_up()


def rewritten(archive: Path, change) -> Path:
    """The archive with its members changed by change(manifest, members), packed again."""
    with zipfile.ZipFile(archive) as opened:
        members = {name: opened.read(name) for name in opened.namelist() if name != "manifest.json"}
        manifest = json.loads(opened.read("manifest.json"))
    other = archive.with_name("other.zip")
    manifest = change(manifest, members) or manifest
    with zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            packed.writestr(name, content)
        packed.writestr("manifest.json", manifest if isinstance(manifest, str) else json.dumps(manifest))
    return other


def orphan(manifest, members):
    """Made up, with right sums: a job whose client is not there."""
    members["rows/shop_client.jsonl"] = b""
    digest = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # SHA-256 of nothing (FIPS 180-4)
    manifest["members"]["rows/shop_client.jsonl"] = {"sha256": digest, "bytes": 0}
    manifest["tables"]["shop_client"].update(rows=0, sum="0" * 64)


def first_photo(members) -> str:
    return next(name for name in members if name.startswith("media/photos"))


def lose(manifest, members):
    del members[first_photo(members)]


def add(manifest, members):
    members["media/more.jpg"] = b"x"


def climb_out(manifest, members):
    members["media/../../out.txt"] = b"x"
    manifest["members"]["media/../../out.txt"] = {"sha256": "0" * 64, "bytes": 1}


def change_a_photo(manifest, members):
    name = first_photo(members)
    members[name] = members[name][:-1] + bytes([members[name][-1] ^ 1])


def change_a_row(manifest, members):
    members["rows/shop_client.jsonl"] = members["rows/shop_client.jsonl"].replace(b"Ilse", b"Elsi")


def count_wrong(manifest, members):
    manifest["tables"]["shop_client"]["rows"] += 1


def forget_a_table(manifest, members):
    del manifest["tables"]["shop_client"]


def bomb(manifest, members):
    members["media/bomb.jpg"] = bytes(40_000_000)
    manifest["members"]["media/bomb.jpg"] = {"sha256": "0" * 64, "bytes": 40_000_000}


def endless_row(manifest, members):
    members["rows/shop_client.jsonl"] = b"[" * 70_000_000


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lose, "is missing from the archive"),
        (add, "its manifest does not name"),
        (climb_out, "outside its folder"),
        (change_a_photo, "is not what was put there"),
        (change_a_row, "is not what was put there"),
        (count_wrong, "other rows than its manifest says"),
        (forget_a_table, "other tables than are in it"),
        (bomb, "has not the length it should have"),
        (endless_row, "has not the length it should have"),
        (lambda manifest, members: "no json", "damaged or cut short"),
        (lambda manifest, members: "[" * 100_000, "damaged or cut short"),
        (lambda manifest, members: "[]", "not one of Balance Rail"),
        (lambda manifest, members: {"format": 1}, "not one of Balance Rail"),
        (lambda manifest, members: {**manifest, "migrations": [["shop", 1]]}, "not one of Balance Rail"),
        (lambda manifest, members: {**manifest, "members": {"media/a": {"sha256": 5, "bytes": -1}}}, "not one of"),
    ],
)
def test_an_archive_that_was_changed_is_refused_with_a_sentence(archive, change, says):
    verify(archive)
    with pytest.raises(Damaged, match=says):
        verify(rewritten(archive, change))


@pytest.mark.parametrize(
    "name", ["media/", "media//a", "media/a/../b", "/etc/x", "media/\x00", "media/c:x", "rows/A.jsonl"]
)
def test_no_name_leads_out_of_the_folder(name):
    assert backups._safe("media/photos/1/a b é.jpg")
    assert not backups._safe(name)


def test_an_archive_cut_short_anywhere_is_refused(archive):
    whole = archive.read_bytes()
    for part in (0, 1, len(whole) // 2, len(whole) - 1):
        archive.write_bytes(whole[:part])
        with pytest.raises(Damaged, match="damaged or cut short"):
            verify(archive)


def test_a_flipped_bit_anywhere_is_refused(archive):
    """One bit in each of a hundred places, spread over the archive, the manifest and the zip's own tables."""
    whole = archive.read_bytes()
    with zipfile.ZipFile(archive) as opened:
        names = opened.namelist()
        content = {name: opened.read(name) for name in names}
    for number in range(100):
        place = number * (len(whole) - 1) // 99
        archive.write_bytes(whole[:place] + bytes([whole[place] ^ 0x10]) + whole[place + 1 :])
        try:
            verify(archive)
        except Refused:
            continue
        with zipfile.ZipFile(archive) as opened:  # dates and rights of members: nothing that is restored
            assert {name: opened.read(name) for name in opened.namelist()} == content, place


@pytest.mark.parametrize(
    "change",
    [
        lambda manifest, members: {**manifest, "format": 2, "program": "9.1"},
        lambda manifest, members: {
            **manifest,
            "program": "9.1",
            "migrations": [*manifest["migrations"], ["shop", "0099_later"]],
        },
    ],
)
def test_an_archive_of_a_newer_program_is_refused_with_its_version(archive, place, change):
    said = place.manage("restore", str(rewritten(archive, change)), fails=True)
    assert "made by a newer version of the program (9.1)" in said
    assert "[]" in place.script("from django.db import connection\nprint(connection.introspection.table_names())")


def test_a_place_that_holds_anything_is_refused(archive):
    with pytest.raises(Refused, match="not empty"):
        restore(archive)


def test_photos_that_are_there_already_are_not_mixed_with_those_of_an_archive(archive, place):
    other = place.folder / "media" / "photos" / "mine.jpg"
    other.parent.mkdir(parents=True)
    other.write_bytes(b"x")
    assert "There are photos in this place already" in place.manage("restore", str(archive), fails=True)


def test_there_must_be_room_for_what_comes_back(archive, monkeypatch):
    manifest = verify(archive)
    with monkeypatch.context() as patch:
        patch.setattr(connection.introspection, "table_names", list)
        patch.setattr(backups, "_files", list)
        patch.setattr(shutil, "disk_usage", lambda path: shutil._ntuple_diskusage(9, 9, 9))
        with pytest.raises(Refused, match="not room enough"):
            backups._place_is_empty(manifest)


# --- what is in it, and how it is kept ---


def test_no_session_and_no_key_is_in_an_archive_and_only_its_owner_reads_it(workshop, client):
    (workshop / "secret_key").write_text("s3cret-" * 8)
    client.force_login(make_person())
    archive = back_up()
    with zipfile.ZipFile(archive) as opened:
        together = b"".join(opened.read(name) for name in opened.namelist())
        assert not [name for name in opened.namelist() if "session" in name]
    assert client.session.session_key.encode() not in together
    assert b"s3cret-" not in together
    assert archive.stat().st_mode & 0o777 == 0o600


def test_a_photo_that_is_gone_is_told_and_does_not_stop_the_backup(workshop):
    next((workshop / "media").rglob("*-small.jpg")).unlink()
    back_up()
    assert (state().absent, state().failed_at) == (1, None)


def test_a_failure_is_noted_leaves_nothing_and_is_over_with_the_next_good_one(workshop, monkeypatch):
    back_up(at=timezone.now() - datetime.timedelta(minutes=1))
    good = state()
    assert not good.stale(timezone.now())

    def full(*args):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(backups, "_pieces", full)
        with pytest.raises(CommandError, match="no room left"):
            call_command("backup")
    failed = state()
    assert failed.good_at == good.good_at
    assert failed.why.startswith("The shop's computer has no room left")
    assert failed.stale(timezone.now())
    assert len(list((workshop / "backups").iterdir())) == 1
    back_up()
    assert not state().stale(timezone.now())


def test_an_archive_that_does_not_read_back_is_not_kept(workshop, monkeypatch):
    write = backups._write

    def then_flip(file, at, part):
        write(file, at, part)
        file.seek(200)
        file.write(b"\xff\x00\xff")

    monkeypatch.setattr(backups, "_write", then_flip)
    with pytest.raises(Refused):
        back_up()
    assert list((workshop / "backups").iterdir()) == []


def test_two_backups_at_once_are_one(workshop):
    with backups._alone() as free:
        assert free
        assert state().running
        with pytest.raises(Refused, match="just now"):
            back_up()
        assert state().failed_at is None
    assert not state().running


@pytest.mark.skipif(not SQLITE, reason="PostgreSQL looks after its own pages")
def test_a_damaged_database_is_found_the_night_it_happens(tables, tmp_path):
    place = sqlite_place(tmp_path / "place")
    database = place.folder / SQLITE_FILE
    raw = bytearray(tables.read_bytes())
    raw[4096 * 20 : 4096 * 21] = b"\xa5" * 4096
    database.write_bytes(raw)
    assert "damaged" in place.manage("backup", fails=True) or "cannot read" in place.manage("backup", fails=True)


def test_the_last_line_of_the_command_is_the_archive(workshop, tmp_path):
    out = io.StringIO()
    call_command("backup", to=tmp_path / "other disk", stdout=out)
    last = Path(out.getvalue().splitlines()[-1])
    assert last.parent == tmp_path / "other disk"
    assert verify(last)["tables"]["shop_person"]["rows"] == Person.objects.count()


def test_what_is_kept_is_days_weeks_and_months():
    """Backups every six hours for two years; counted by hand for Wednesday 25 November 2026."""
    at = datetime.datetime(2026, 11, 25, 20, tzinfo=datetime.UTC)
    made = [at - datetime.timedelta(hours=6 * number) for number in range(4 * 730)]
    stay = kept(made, keep=(7, 5, 12), at=at)
    assert {moment for moment in made if at - moment <= datetime.timedelta(days=2)} <= stay
    days = sorted({moment.date() for moment in stay}, reverse=True)
    assert days[:7] == [datetime.date(2026, 11, 25) - datetime.timedelta(days=number) for number in range(7)]
    # Sundays that close the four weeks before, and the last days of the eleven months before.
    assert {datetime.date(2026, 11, day) for day in (1, 8, 15, 22)} <= set(days)
    months = {datetime.date(2026, month, 1) - datetime.timedelta(days=1) for month in range(2, 12)}
    assert months <= set(days)
    assert datetime.date(2025, 12, 31) in days
    assert len(days) == 7 + 3 + 11  # 22 November is one of the seven days already
    assert kept(made[-3:], keep=(0, 0, 0), at=at) == {made[-3]}  # the newest never goes


def test_a_backup_takes_away_old_ones_and_nothing_else(workshop):
    folder = workshop / "backups"
    folder.mkdir()
    for name in ("balance-rail-20200101-000000.zip", "balance-rail-20209999-000000.zip", "notes.txt"):
        (folder / name).write_text("x")
    archive = back_up(keep=(1, 1, 1))
    left = {path.name for path in folder.iterdir()}
    assert left == {archive.name, "balance-rail-20209999-000000.zip", "notes.txt"}


@pytest.mark.parametrize("text", ["7", "7,5", "7,5,x", "-1,5,12", "٧,5,12", "99999,5,12"])
def test_a_strange_keep_is_refused(text):
    with pytest.raises(CommandError):
        call_command("backup", f"--keep={text}")


def test_a_backup_is_due_after_a_day_and_after_a_clock_that_was_wrong(home):
    now = timezone.now()
    assert due()
    for hours, expected in ((1, False), (25, True), (-1, True)):
        backups._note(good_at=(now - datetime.timedelta(hours=hours)).isoformat())
        assert due() is expected


# --- moving ---


@pytest.mark.skipif(SQLITE, reason="needs a PostgreSQL to move to: runs there")
def test_a_shop_moves_from_sqlite_to_postgresql(workshop, tmp_path):
    light = sqlite_place(tmp_path / "light")
    light.manage("restore", str(back_up()))
    address = new_database()
    try:
        said = light.manage("move_database", "--to", address)
        assert "every table compared: the same" in said
        there = Place(light.folder, {**light.env, "DATABASE_URL": address})
        assert json.loads(there.script(TALLY)) == json.loads(light.script(TALLY)) == tallies()
        number = there.script("from shop.models import Client\nprint(Client.objects.create(name='N').pk)")
        assert int(number) > 1
        assert "not empty" in light.manage("move_database", "--to", address, fails=True)
    finally:
        drop_database(address)


@pytest.mark.parametrize("address", ["sqlite:///x.sqlite3", "nonsense", "mysql://a/b", ""])
def test_a_shop_moves_to_postgresql_alone(address):
    with pytest.raises(CommandError, match="--to"):
        call_command("move_database", f"--to={address}")


def test_a_postgresql_that_does_not_answer_is_named(place):
    said = place.manage("move_database", "--to", "postgres://nobody@127.0.0.1:9/none", fails=True)
    assert "Nothing was moved: connection" in said

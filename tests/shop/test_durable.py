"""What was acknowledged is there: after a process was killed, after the power went, after an update that was cut off.

All on a SQLite file of their own, whatever the tests run on: PostgreSQL brings its own proofs.
"""

import http.client
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.keyboards.test_entries import op
from tests.places import ROOT, SQLITE_FILE, Place, sqlite_place

pytestmark = pytest.mark.skipif(
    bool(os.environ.get("DATABASE_URL")), reason="about SQLite's file: runs where SQLite is tested"
)


@pytest.fixture
def place(tables, tmp_path):
    """A place with its tables."""
    made = sqlite_place(tmp_path / "place")
    shutil.copy(tables, made.folder / SQLITE_FILE)
    return made


def whole(database: Path) -> bool:
    with closing(sqlite3.connect(database)) as opened:
        return opened.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


# --- kill -9 ---

SET_UP = """
import sys
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from shop.sessions import SessionStore
from keyboards.workflow.opening import open_trade
from tests.factories import make_check, make_person
open_trade()
person = make_person()
session = SessionStore()
session[SESSION_KEY] = str(person.pk)
session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
session[HASH_SESSION_KEY] = person.get_session_auth_hash()
session.create()
print(session.session_key, make_check(by=person).pk)
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def children(pid: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


class Tablet(threading.Thread):
    """Sends readings one after another, each until it is acknowledged: what a box at the bench does."""

    def __init__(self, port: int, session: str, check: str):
        super().__init__()
        self.port, self.address = port, f"/bench/checks/{check}/operations/"
        token = "a1" * 16
        self.headers = {
            "Cookie": f"sessionid={session}; csrftoken={token}",
            "X-CSRFToken": token,
            "Content-Type": "application/json",
        }
        self.kept: list[str] = []
        self.broken, self.stop = 0, threading.Event()

    def run(self) -> None:
        number = 0
        while not self.stop.is_set():
            number += 1
            one = op(key=1 + number % 88, number=threading.get_ident() * 10**6 + number)
            while not self.stop.is_set():
                try:
                    with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)) as wire:
                        wire.request("POST", self.address, json.dumps({"operations": [one]}), self.headers)
                        answer = wire.getresponse()
                        told = json.loads(answer.read())
                        assert answer.status == 200, told
                except (OSError, http.client.HTTPException):
                    self.broken += 1
                    time.sleep(0.01)
                    continue
                assert told["kept"] == [one["op"]]
                self.kept.append(one["op"])
                break


def test_twenty_kills_in_the_middle_of_writing_lose_no_acknowledged_reading(place):
    session, check = place.script(SET_UP).split()
    port = free_port()
    server = place.start(
        *("-m", "gunicorn", "shop.wsgi", "--preload", "--workers", "2", "--bind", f"127.0.0.1:{port}"),
        *("--log-level", "critical"),
    )
    tablets = [Tablet(port, session, check) for _ in range(3)]
    try:
        for tablet in tablets:
            tablet.start()
        for _kill in range(20):
            before, give_up = sum(len(tablet.kept) for tablet in tablets), time.monotonic() + 120
            while sum(len(tablet.kept) for tablet in tablets) < before + 8:
                assert time.monotonic() < give_up, "no reading was acknowledged for two minutes"
                time.sleep(0.005)
            for worker in children(server.pid):
                with suppress(ProcessLookupError):
                    os.kill(worker, signal.SIGKILL)
    finally:
        for tablet in tablets:
            tablet.stop.set()
        for tablet in tablets:
            tablet.join()
        for worker in [*children(server.pid), server.pid]:
            with suppress(ProcessLookupError):
                os.kill(worker, signal.SIGKILL)
        server.wait()
    assert sum(tablet.broken for tablet in tablets) > 0  # the kills met them at work
    kept = {one for tablet in tablets for one in tablet.kept}
    assert len(kept) >= 160
    database = place.folder / SQLITE_FILE
    with closing(sqlite3.connect(database)) as opened:
        there = {one for (one,) in opened.execute("SELECT op FROM keyboards_entry")}
    assert {one.replace("-", "") for one in kept} <= there
    assert whole(database)


# --- the power goes ---

COMMITS = 50
# Each acknowledgement is a write of its own to the trace, so that it stands in order among those to the files.
WRITE = f"""
import os, sys
from django.db import connection
from shop.workflow.events import record
if sys.argv[1]:
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA synchronous=" + sys.argv[1])
for number in range({COMMITS}):
    record("kept", by=None, number=number)
    os.write(1, b"acknowledged\\n")
os._exit(0)
"""
_CALL = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
_OPENED = re.compile(r'AT_FDCWD, "((?:\\x[0-9a-f]{2})*)", (\S+)')
_WRITTEN = re.compile(r'(\d+), "((?:\\x[0-9a-f]{2})*)", (\d+)(?:, (\d+))?')


def raw(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))


@dataclass
class Disk:
    """What is on the disk for sure, and what the system may still hold in memory: that is gone when the power goes."""

    sure: dict[str, bytearray]
    held: dict[str, list] = field(default_factory=dict)

    def write(self, name: str, at: int, data: bytes) -> None:
        self.held.setdefault(name, []).append(("write", at, data))

    def cut(self, name: str, length: int) -> None:
        self.held.setdefault(name, []).append(("cut", length, b""))

    def sync(self, name: str) -> None:
        image = self.sure.setdefault(name, bytearray())
        for what, at, data in self.held.pop(name, []):
            if what == "cut":
                del image[at:]
                image.extend(bytes(max(0, at - len(image))))
            else:
                image.extend(bytes(max(0, at - len(image))))
                image[at : at + len(data)] = data


def images_at_each_acknowledgement(trace: str, disk: Disk):
    """Replays a trace of system calls; after each acknowledgement what a power cut there would leave."""
    names: dict[int, str] = {}
    for line in trace.splitlines():
        if not (call := _CALL.match(line)) or int(call[3]) < 0:
            continue
        verb, arguments, result = call[1], call[2], int(call[3])
        if verb == "openat" and (opened := _OPENED.match(arguments)):
            name = os.fsdecode(raw(opened[1])).rpartition("/")[2]
            names.pop(result, None)
            if name in (SQLITE_FILE, f"{SQLITE_FILE}-wal", f"{SQLITE_FILE}-journal"):
                names[result] = name
        elif verb == "close":
            names.pop(int(arguments), None)
        elif verb in ("write", "pwrite64") and (written := _WRITTEN.match(arguments)):
            number, data = int(written[1]), raw(written[2])
            assert len(data) == int(written[3]) == result, "the trace is cut short"
            if number == 1 and data == b"acknowledged\n":
                yield disk.sure
            elif number in names:
                assert verb == "pwrite64", "SQLite writes at a place"
                disk.write(names[number], int(written[4]), data)
        elif verb == "ftruncate" and int(arguments.split(",")[0]) in names:
            number, length = arguments.split(",")
            disk.cut(names[int(number)], int(length))
        elif verb in ("fsync", "fdatasync") and int(arguments) in names:
            disk.sync(names[int(arguments)])


def can_trace() -> bool:
    with suppress(OSError):
        return subprocess.run(["strace", "-o", os.devnull, "true"], capture_output=True).returncode == 0
    return False


def lost_in_power_cuts(place: Place, folder: Path, synchronous: str) -> list[int]:
    """After each acknowledged commit a power cut: how many acknowledged rows are gone. Every image must be whole."""
    database = place.folder / SQLITE_FILE
    assert not database.with_name(f"{SQLITE_FILE}-wal").exists()
    disk, trace = Disk({SQLITE_FILE: bytearray(database.read_bytes())}), folder / "trace"
    calls = "trace=openat,close,write,pwrite64,ftruncate,fsync,fdatasync"
    code = f"import django; django.setup()\n{WRITE}"
    strace = ["strace", "-f", "-xx", "-s", "100000", "-e", calls, "-e", "signal=none", "-o", trace]
    process = [sys.executable, "-W", "ignore", "-c", code, synchronous]
    subprocess.run([*strace, *process], env=place.env, cwd=ROOT, check=True, stdout=subprocess.PIPE, timeout=120)
    lost = []
    for number, images in enumerate(images_at_each_acknowledgement(trace.read_text(), disk), start=1):
        after = folder / f"after-{number}"
        after.mkdir()
        for name, image in images.items():
            (after / name).write_bytes(image)
        with closing(sqlite3.connect(after / SQLITE_FILE)) as opened:
            there = opened.execute("SELECT count(*) FROM shop_event WHERE what = 'kept'").fetchone()[0]
        assert whole(after / SQLITE_FILE)
        lost.append(number - there)
        shutil.rmtree(after)
    assert len(lost) == COMMITS
    return lost


@pytest.mark.skipif(not can_trace(), reason="strace is not here or not allowed")
def test_a_power_cut_after_any_commit_loses_nothing(place, tmp_path):
    assert lost_in_power_cuts(place, tmp_path, "") == [0] * COMMITS


@pytest.mark.skipif(not can_trace(), reason="strace is not here or not allowed")
def test_with_a_weaker_setting_the_same_power_cuts_lose_rows(place, tmp_path):
    """The control: synchronous=NORMAL leaves the log in memory until the next checkpoint."""
    assert max(lost_in_power_cuts(place, tmp_path, "NORMAL")) > 10


def test_every_connection_waits_for_the_disk_and_keeps_a_log(place):
    """In whatever process, for each new one: the settings say it when a connection is made."""
    told = place.script(
        "from django.db import connection\n"
        "for _ in range(2):\n"
        "    with connection.cursor() as cursor:\n"
        "        print(*(cursor.execute(f'PRAGMA {name}').fetchone()[0]\n"
        "              for name in ('synchronous', 'journal_mode', 'foreign_keys')))\n"
        "    connection.close()"
    )
    assert told == "2 wal 1\n" * 2  # 2 is FULL


# --- an update that is cut off ---

# Kills the process at the so-manyth statement of the migrations.
CUT_OFF = """
import os, signal, sys
from django.core.management import call_command
from django.db import connection
left = int(sys.argv[1])
def count(execute, sql, params, many, context):
    global left
    left -= 1
    if not left:
        os.kill(os.getpid(), signal.SIGKILL)
    return execute(sql, params, many, context)
with connection.execute_wrapper(count):
    call_command("migrate", verbosity=0)
"""


def test_an_update_killed_in_the_middle_goes_on_when_it_is_started_again(tmp_path):
    place = sqlite_place(tmp_path / "place")
    for statement in (30, 60, 90, 120):
        cut = place.start("-W", "ignore", "-c", f"import django; django.setup()\n{CUT_OFF}", str(statement))
        assert cut.wait(60) == -signal.SIGKILL
        assert whole(place.folder / SQLITE_FILE)
    place.manage("migrate", "--verbosity", "0")
    assert "[ ]" not in place.manage("showmigrations")
    place.manage("makemigrations", "--check", "--dry-run")
    assert whole(place.folder / SQLITE_FILE)

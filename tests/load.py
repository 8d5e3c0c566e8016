"""A shop at work: the web server as `make serve` starts it, tablets that send readings, desks that browse.

One process stands for all of them, a thread each. What was acknowledged is remembered, so that whoever started it can
look whether it is there.
"""

import http.client
import json
import os
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from socket import socket
from uuid import uuid4

from django.conf import settings
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Check, CheckKind, Entry, KeyReading
from shop.models import Job, Person, Role
from tests.factories import make_check, make_job, make_person
from tests.places import ROOT

TABLETS, DESKS, KEYS = 10, 5, 88
QUANTITY = "balance_mortise_width"
TOKEN = "a1" * 16  # any token will do that stands in the cookie and in the header


@dataclass
class Told:
    """What came back: seconds of each answer that was right, and how often each wrong one came."""

    tablet: list[float] = field(default_factory=list)
    desk: list[float] = field(default_factory=list)
    wrong: Counter = field(default_factory=Counter)
    kept: dict[str, tuple[int, int, int]] = field(default_factory=dict)  # op: check, key, value (um)


@dataclass(frozen=True)
class Shop:
    """Five checks, two tablets at each, which read every other key; the pages that the desks walk through."""

    checks: tuple[Check, ...]
    tablets: tuple[str, ...]  # a session each
    desks: tuple[str, ...]
    pages: tuple[str, ...]


def open_for_work() -> Shop:
    """Rows for a shop at work, in the database that is open here."""
    checks = tuple(
        make_check(job=make_job(), by=make_person(), kind=CheckKind.ARRIVAL, quantities=[QUANTITY])
        for _ in range(TABLETS // 2)
    )
    number, check = checks[0].job.number, checks[0].pk
    pages = (
        *(reverse(name) for name in ("counter", "bench", "queue", "office", "records", "bill_list")),
        reverse("job_detail", args=[number]),
        reverse("check_detail", args=[number, check]),
        f"{reverse('records')}?q={checks[0].job.client.find[:4]}",
    )
    owner = make_person(role=Role.OWNER)
    return Shop(
        checks,
        tuple(_session(make_person()) for _ in range(TABLETS)),
        tuple(_session(owner) for _ in range(DESKS)),
        pages,
    )


def _session(person: Person) -> str:
    browser = Client()
    browser.force_login(person)
    return browser.cookies[settings.SESSION_COOKIE_NAME].value


@contextmanager
def serving(*, rules: str = "shop.settings", debug: bool = False, workers: int = 2):
    """The port of a web server on the data and the database that are open here, started as `make serve` starts it, and
    the lines it writes, complete once it has been stopped."""
    with socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    env = {
        **os.environ,
        "DATA_DIR": str(settings.DATA_DIR),
        "DATABASE_URL": database_address(),
        "DJANGO_SETTINGS_MODULE": rules,
        "SECRET_KEY": settings.SECRET_KEY,
        "SITE_ADDRESS": f"http://127.0.0.1:{port}",
        "DEBUG": "1" if debug else "0",
    }
    command = [sys.executable, "-m", "gunicorn", "shop.wsgi", "--preload", "--bind", f"127.0.0.1:{port}"]
    command += ["--workers", str(workers), "--timeout", "120", "--log-level", "critical"]
    server = subprocess.Popen(command, cwd=ROOT, env=env, stderr=subprocess.PIPE, text=True)
    said: list[str] = []
    reader = threading.Thread(target=lambda: said.extend(server.stderr or ()))
    reader.start()
    try:
        for _ in range(1200):  # a minute: the machine may be busy
            assert server.poll() is None, "".join(said)
            try:
                with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=30)) as wire:
                    wire.request("GET", "/health/")
                    wire.getresponse().read()
                break
            except OSError:
                time.sleep(0.05)
        yield port, said
    finally:
        server.terminate()
        server.wait(30)
        reader.join()
        server.stderr.close()  # type: ignore[union-attr]


def work(
    port: int,
    shop: Shop,
    *,
    readings: int,
    every: float = 0,
    desk_every: float = 0,
    tablets: int = TABLETS,
    desks: int = DESKS,
    until_wrong: bool = False,
) -> Told:
    """Each tablet sends so many readings, one request a reading, one every so many seconds (0: as fast as it goes);
    the desks walk through the pages until the last tablet is done. until_wrong: all stop at the first wrong answer."""
    told, done, crowd = Told(), threading.Event(), threading.Barrier(tablets + desks + 1)

    def tablet(place: int) -> None:
        check = shop.checks[place // 2].pk
        address, mine = reverse("operations", args=[check]), [key for key in range(1, KEYS + 1) if key % 2 == place % 2]
        cookies = f"{settings.SESSION_COOKIE_NAME}={shop.tablets[place]}; csrftoken={TOKEN}"
        headers = {"Cookie": cookies, "X-CSRFToken": TOKEN, "Content-Type": "application/json"}
        crowd.wait()
        begun = time.perf_counter() + every * place / TABLETS
        for number in range(readings):
            if until_wrong and told.wrong:
                break
            _wait_until(begun + number * every)
            key = mine[number % len(mine)]
            value, op = 5400 + 2 * key, str(uuid4())
            entry = {"op": op, "kind": "reading", "key": key, "quantity": QUANTITY, "unit": "mm"}
            entry |= {"value": f"{value / 1000:.3f}", "taken_at": timezone.now().isoformat()}
            grade = {"op": str(uuid4()), "kind": "grade", "key": key, "grade": 1 + key % 3, "text": "by eye"}
            grade |= {"taken_at": timezone.now().isoformat()}
            sent = [entry, grade]
            start = time.perf_counter()
            status, body = _ask(port, "POST", address, headers, json.dumps({"operations": sent}))
            took = time.perf_counter() - start
            if status == 200 and set(json.loads(body)["kept"]) == {one["op"] for one in sent}:
                told.tablet.append(took)
                told.kept[op] = (check, key, value)
            else:
                told.wrong[f"tablet {status} {body[:300]!r}"] += 1

    def desk(place: int) -> None:
        headers = {"Cookie": f"{settings.SESSION_COOKIE_NAME}={shop.desks[place]}"}
        crowd.wait()
        number, begun = place, time.perf_counter() + desk_every * place / DESKS
        while not done.is_set():
            _wait_until(begun + (number - place) * desk_every)
            page = shop.pages[number % len(shop.pages)]
            number += 1
            start = time.perf_counter()
            status, body = _ask(port, "GET", page, headers)
            if status == 200 and b"</html>" in body:
                told.desk.append(time.perf_counter() - start)
            else:
                told.wrong[f"desk {status} {page} {body[:200]!r}"] += 1

    senders = [threading.Thread(target=tablet, args=[place]) for place in range(tablets)]
    browsers = [threading.Thread(target=desk, args=[place]) for place in range(desks)]
    for one in (*senders, *browsers):
        one.start()
    crowd.wait()
    for one in senders:
        one.join()
    done.set()
    for one in browsers:
        one.join()
    return told


def _wait_until(moment: float) -> None:
    if (left := moment - time.perf_counter()) > 0:
        time.sleep(left)


def _ask(port: int, verb: str, address: str, headers: dict[str, str], body: str | None = None) -> tuple[int, bytes]:
    """Status and body; 0 and the reason where no answer came."""
    try:
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as wire:
            wire.request(verb, address, body, headers)
            answer = wire.getresponse()
            return answer.status, answer.read()
    except (OSError, http.client.HTTPException) as error:
        return 0, repr(error).encode()


def lost(shop: Shop, told: Told) -> list[str]:
    """What was acknowledged and is not there, or is there and was not: entries, what holds for a key, grades."""
    out = []
    there = {
        str(op): (check, key, value)
        for op, check, key, value in Entry.objects.filter(kind="reading").values_list(
            "op", "check_done_id", "key", "value"
        )
    }
    if there != told.kept:
        out.append(f"{len(told.kept)} readings were acknowledged, {len(there)} are there")
    wanted = {(check, key): value for check, key, value in told.kept.values()}
    rows = KeyReading.objects.values_list("check_done_id", "key", QUANTITY, "grade")
    if {(check, key): (value, grade) for check, key, value, grade in rows} != {
        (check, key): (value, 1 + key % 3) for (check, key), value in wanted.items()
    }:
        out.append("what holds for a key is not what was read last")
    for check in shop.checks:
        grades = Job.objects.get(pk=check.job_id).grades
        if grades != "".join(str(1 + key % 3) if (check.pk, key) in wanted else "." for key in range(1, KEYS + 1)):
            out.append(f"the row of grades of {check.job} is not that of its readings: {grades}")
    return out


def database_address() -> str:
    """Of the database that is open here, for another process."""
    name = str(connection.settings_dict["NAME"])
    if connection.vendor == "sqlite":
        return f"sqlite:///{name}"
    return f"{os.environ['DATABASE_URL'].rpartition('/')[0]}/{name}"

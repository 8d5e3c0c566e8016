"""Two processes of the program behind one proxy: whoever answers, the shop is the same.

They share the database the tests run on. On SQLite they stand on one computer and share its folder; on PostgreSQL each
has a folder of its own, as on two computers, and photos lie in a store (moto's, see store.py).
"""

import http.client
import itertools
import json
import os
import re
import threading
import time
from contextlib import closing, suppress
from http.cookies import SimpleCookie
from urllib.parse import urlencode

import pytest
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.core.management import call_command
from django.db import connection

from keyboards.models import Entry, Photo
from keyboards.workflow.opening import open_trade
from shop.guessing import MOST
from shop.models import Role
from tests.factories import make_check, make_person, make_workshop
from tests.keyboards.test_entries import op
from tests.keyboards.test_photos import jpeg
from tests.places import sqlite_place
from tests.shop.test_durable import free_port
from tests.store import Store, ThreadedMotoServer

pytestmark = [
    pytest.mark.django_db(transaction=True),  # on SQLite this needs a file (see conftest.py)
    pytest.mark.skipif(
        connection.vendor == "sqlite" and not os.environ.get("LONG"),
        reason="runs where PostgreSQL is tested; with LONG=1 on SQLite too",
    ),
]
PASSWORD = "eighty-eight keys"
SHARED_KEY = "one key for all computers of the shop, never this one"


class Visitor:
    """Somebody behind a proxy that gives each request to the next process. Cookies are kept, redirects shown."""

    def __init__(self, ports):
        self.ports, self.cookies = itertools.cycle(ports), {}

    def ask(self, method: str, path: str, body: bytes | str = "", kind: str = "", port: int = 0):
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        headers |= {"Content-Type": kind} if kind else {}
        headers["X-CSRFToken"] = self.cookies.get("csrftoken", "")
        with closing(http.client.HTTPConnection("127.0.0.1", port or next(self.ports), timeout=20)) as wire:
            wire.request(method, path, body, headers)
            answer = wire.getresponse()
            for line in answer.headers.get_all("Set-Cookie", []):
                self.cookies |= {name: cookie.value for name, cookie in SimpleCookie(line).items()}
            return answer.status, answer.read(), answer.headers

    def get(self, path: str, **options):
        return self.ask("GET", path, **options)

    def post(self, path: str, **fields):
        return self.ask("POST", path, urlencode(fields), "application/x-www-form-urlencoded")

    def send_photo(self, path: str, data: bytes):
        head = (
            '--x\r\nContent-Disposition: form-data; name="photos"; filename="a.jpg"\r\nContent-Type: image/jpeg\r\n\r\n'
        )
        return self.ask("POST", path, head.encode() + data + b"\r\n--x--\r\n", "multipart/form-data; boundary=x")


@pytest.fixture
def places(tmp_path, settings):
    """Where each of the two stands."""
    here = sqlite_place(tmp_path / "here")
    settings.STATIC_ROOT = here.folder / "static"
    # The shop's own storage also packs every file, which takes longer and changes no name.
    manifest = {"BACKEND": "django.contrib.staticfiles.storage.ManifestStaticFilesStorage"}
    settings.STORAGES = {**settings.STORAGES, "staticfiles": manifest}
    call_command("collectstatic", interactive=False, verbosity=0)
    if connection.vendor == "sqlite":
        here.env["DATABASE_URL"] = f"sqlite:///{connection.settings_dict['NAME']}"
        yield [here, here]
        return
    there = sqlite_place(tmp_path / "there")
    (there.folder / "static").symlink_to(here.folder / "static")
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    store = Store(server, "http://{}:{}".format(*server.get_host_and_port()))
    address = re.sub(r"/[^/]*$", f"/{connection.settings_dict['NAME']}", os.environ["DATABASE_URL"])
    for place in (here, there):
        place.env.update(store.env, DATABASE_URL=address, SECRET_KEY=SHARED_KEY)
    yield [here, there]
    server.stop()


@pytest.fixture
def ports(places):
    """The two at work."""
    made = []
    for place in places:
        port = free_port()
        command = (
            "-m",
            "gunicorn",
            "shop.wsgi",
            "--no-control-socket",
            "--bind",
            f"127.0.0.1:{port}",
            "--log-level",
            "warning",
        )
        made.append((port, place.start(*command)))
    try:
        for port, _process in made:
            give_up = time.monotonic() + 120
            while True:
                with suppress(OSError):
                    assert Visitor([port]).get("/health/")[0] in (200, 503)
                    break
                assert time.monotonic() < give_up
                time.sleep(0.05)
        yield [port for port, _process in made]
    finally:
        for _port, process in made:
            process.terminate()
        for _port, process in made:
            process.wait(20)


def test_whichever_process_answers_the_shop_is_the_same(ports):
    make_workshop()
    open_trade()
    person = make_person(username="ada", role=Role.OWNER)
    person.password = Argon2PasswordHasher().encode(PASSWORD, "a salt that is long enough")
    person.save()
    check = make_check(by=person)
    job = f"/jobs/{check.job.tag}/"
    who = Visitor(ports)

    # The form comes from one, the password goes to the other, and both know who is there.
    assert who.get("/sign-in/")[0] == 200
    assert who.post("/sign-in/", username="ada", password=PASSWORD)[0] == 302
    pages = [who.get("/counter/", port=port) for port in ports]
    assert [status for status, _page, _headers in pages] == [200, 200]

    # Style sheets and scripts have one name, and either gives out what the other names.
    named = [set(re.findall(r'"(/static/[^"]+)"', page.decode())) for _status, page, _headers in pages]
    assert named[0] == named[1]
    assert any(re.search(r"\.[0-9a-f]{12}\.css$", name) for name in named[0])
    assert {who.get(name)[0] for name in named[0]} == {200}

    # A photo that one keeps the other shows; what one says the other's page tells.
    assert who.send_photo(f"{job}photos/", jpeg())[0] == 302
    assert "1 photo kept." in who.get(job)[1].decode()
    photo = Photo.objects.get()
    assert [who.get(f"/photos/{photo.op}.jpg", port=port)[1][:3] for port in ports] == [b"\xff\xd8\xff"] * 2

    # A tablet's batch that reaches both at the same moment is kept once.
    batch = json.dumps({"operations": [op(key=key) for key in range(1, 41)]})
    answers = []

    def send(port):
        answers.append(who.ask("POST", f"/bench/checks/{check.pk}/operations/", batch, "application/json", port))

    senders = [threading.Thread(target=send, args=[port]) for port in ports]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join()
    assert [(status, len(json.loads(body)["kept"])) for status, body, _headers in answers] == [(200, 40)] * 2
    assert Entry.objects.count() == 40

    # Guesses at links are counted together.
    guesses = [
        Visitor(ports).get(f"/estimate/{'x' * 42}{number}/", port=ports[number % 2])[0] for number in range(MOST + 2)
    ]
    assert guesses[:MOST] == [404] * MOST
    assert guesses[MOST:] == [429] * 2

    # So are wrong passwords: half of them at each.
    guesser = Visitor(ports)
    guesser.get("/sign-in/")
    said = [guesser.post("/sign-in/", username="ada", password=f"wrong {number}")[1] for number in range(11)]
    assert ["Too many wrong passwords" in page.decode() for page in said] == [False] * 10 + [True]

    # Who signs out at one is out at the other.
    left = dict(who.cookies)
    assert who.post("/sign-out/")[0] == 302
    who.cookies = left
    assert [who.get("/counter/", port=port)[0] for port in ports] == [302, 302]

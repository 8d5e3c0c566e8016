"""What keeping a reading costs: python -m tests.benchmarks.bench_bench

Saving one entry, alone and as a request to the address that tablets send to, and a batch of 50, beside raw durable
commits of the same database file in the same run (one row each, WAL, synchronous FULL). Aim: saving one / one raw
commit at most 15. How long a disk takes to make a commit durable differs a hundredfold (0.1 to 10 ms), so the figure
says as much of the disk as of the program: the milliseconds stand beside it.
How long it takes from Enter to "kept" on the screen is measured in Chromium, without network in it (aim: under 50 ms).
"""

import json
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import uuid
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
for setting in ("DATABASE_URL", "DEBUG"):  # as in a shop
    os.environ.pop(setting, None)

import django

django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Check
from keyboards.workflow.entries import entries_apply
from keyboards.workflow.opening import open_trade
from shop.models import Person
from tests.benchmarks.figures import tell
from tests.factories import make_check, make_job, make_person

RUNS = 120


def operation(key: int) -> dict[str, object]:
    """A reading of a key, new each time."""
    return {
        "op": str(uuid.uuid4()),
        "kind": "reading",
        "key": key,
        "quantity": "balance_mortise_width",
        "value": "5.62",
        "unit": "mm",
        "taken_at": timezone.now().isoformat(),
    }


def raw_commit_ms() -> float:
    """One row and its commit, in the file that the program writes to."""
    disk = sqlite3.connect(settings.DATABASES["default"]["NAME"], isolation_level=None)
    disk.execute("PRAGMA journal_mode=WAL")
    disk.execute("PRAGMA synchronous=FULL")
    disk.execute("CREATE TABLE raw (op TEXT PRIMARY KEY, value INTEGER)")
    times = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        disk.execute("BEGIN IMMEDIATE")
        disk.execute("INSERT INTO raw VALUES (?, 5620)", [str(uuid.uuid4())])
        disk.execute("COMMIT")
        times.append((time.perf_counter() - begun) * 1000)
    disk.execute("DROP TABLE raw")
    disk.close()
    return statistics.median(times)


def endpoint_ms(client: Client, address: str, size: int) -> float:
    """One batch of so many entries, answer included."""
    times = []
    for place in range(RUNS if size == 1 else 20):
        body = json.dumps({"operations": [operation((place + step) % 88 + 1) for step in range(size)]})
        begun = time.perf_counter()
        answer = client.post(address, body, content_type="application/json")
        times.append((time.perf_counter() - begun) * 1000)
        assert len(answer.json()["kept"]) == size
    return statistics.median(times)


def writing_ms(check: Check, person: Person) -> float:
    """One entry from the dictionary to its durable commit, without the request."""
    times = []
    for place in range(RUNS):
        sent = [operation(place % 88 + 1)]
        begun = time.perf_counter()
        assert entries_apply(check, sent, by=person).kept
        times.append((time.perf_counter() - begun) * 1000)
    return statistics.median(times)


def screen_ms(check: int) -> list[float]:
    """From the key press of Enter to the corner that counts one more, in Chromium, for 60 readings."""
    from playwright.sync_api import sync_playwright

    from tests.browser.conftest import find_chromium

    root = Path(__file__).parents[2]
    command = [sys.executable, "manage.py", "runserver", "127.0.0.1:8765", "--noreload", "--skip-checks"]
    settings_of_it = {**os.environ, "DEBUG": "1"}  # which serves the scripts too
    server = subprocess.Popen(
        command, cwd=root, env=settings_of_it, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=find_chromium(), args=["--no-sandbox"])
            page = browser.new_page(base_url="http://127.0.0.1:8765")
            for _ in range(100):
                try:
                    page.goto("/sign-in/")
                    break
                except Exception:
                    time.sleep(0.2)
            page.fill("[name=username]", "rosa")
            page.fill("[name=password]", "long enough for a test")
            page.locator("main button").click()
            page.wait_for_url(lambda address: "sign-in" not in address)
            page.goto(reverse("check_run", args=[check]))
            page.wait_for_selector("html[data-ready]")
            times = page.evaluate(
                """async () => {
                    const corner = document.getElementById("saving");
                    const pressed = { bubbles: true, cancelable: true };
                    const type = (key) =>
                        document.body.dispatchEvent(new KeyboardEvent("keydown", { key, ...pressed }));
                    const times = [];
                    for (let i = 0; i < 60; i += 1) {
                        [..."5.62"].forEach(type);
                        const before = corner.textContent.match(/\\d+/)[0];
                        const begun = performance.now();
                        const seen = new Promise((resolve) => {
                            const watch = new MutationObserver(() => {
                                if (corner.textContent.match(/\\d+/)[0] === before) return;
                                watch.disconnect();
                                requestAnimationFrame(() => resolve(performance.now() - begun));
                            });
                            watch.observe(corner, { childList: true, characterData: true, subtree: true });
                        });
                        type("Enter");
                        times.push(await seen);
                        await new Promise((resolve) => setTimeout(resolve, 60));
                    }
                    return times;
                }"""
            )
            browser.close()
            return times
    finally:
        server.terminate()
        server.wait()


def main() -> None:
    call_command("migrate", verbosity=0, skip_checks=True)
    open_trade()
    rosa = make_person(username="rosa")
    check = make_check(job=make_job(), quantities=["balance_mortise_width"])
    client = Client(headers={"host": "127.0.0.1"})
    client.force_login(rosa)
    address = reverse("operations", args=[check.pk])
    endpoint_ms(client, address, 1)
    # Three times in turns, the middle one: a disk is not equally quick all the time.
    turns = [(writing_ms(check, rosa), endpoint_ms(client, address, 1), raw_commit_ms()) for _ in range(3)]
    alone, one, raw = sorted(turns, key=lambda turn: turn[0] / turn[2])[1]
    fifty = endpoint_ms(client, address, 50)
    print(f"{'':28}{'ms':>9}{'a second':>11}{'/ raw commit':>15}")
    for title, ms, entries in (
        ("raw durable commit", raw, 1),
        ("one entry, the saving alone", alone, 1),
        ("the same with its request", one, 1),
        ("a batch of 50", fifty, 50),
    ):
        print(f"{title:28}{ms:>9.2f}{1000 * entries / ms:>11.0f}{ms / raw:>15.1f}")
    tell("saving one reading / a raw durable commit of the same file", alone / raw, 15)
    tell("the same, sign-in and request and answer with it", one / raw, 15)
    connection.close()
    times = sorted(screen_ms(make_check(job=make_job(), quantities=["balance_mortise_width"]).pk))
    middle, slow = times[len(times) // 2], times[int(len(times) * 0.95)]
    print(f"Enter to kept on the screen: median {middle:.1f} ms, 95 % under {slow:.1f} ms")
    tell("Enter to kept on the screen, median", middle, 50, " ms")


if __name__ == "__main__":
    main()

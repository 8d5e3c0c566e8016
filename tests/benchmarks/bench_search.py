"""What a search costs in 10,000 sets, beside rows asked for in written SQL: python -m tests.benchmarks.bench_search

Both look in the same database, a file of its own, in one run. Aim: under 100 ms each, the ratio at most 3.
"""

import os
import statistics
import tempfile
import time
from collections.abc import Callable

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.core.management import call_command
from django.db import connection

from shop import searching
from shop.models import Instrument
from tests.benchmarks.figures import tell
from tests.benchmarks.large import fill

JOBS, RUNS = 10_000, 15
RAW = """
SELECT count(*) OVER (), job.number FROM shop_job job
JOIN shop_client client ON client.id = job.client_id JOIN shop_instrument piano ON piano.id = job.instrument_id
WHERE {words} ORDER BY job.number DESC LIMIT 25
"""


def median_ms(work: Callable[[], object]) -> float:
    """The median of some runs, in milliseconds of the processor."""
    times = []
    for _ in range(RUNS):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return statistics.median(times) * 1000


def raw(text: str) -> None:
    """The numbers of a page of sets and how many there are, by the client's or the piano's text alone."""
    keys = text.split() or [""]
    words = " AND ".join(["(client.find LIKE %s OR piano.find LIKE %s)"] * len(keys))
    with connection.cursor() as cursor:
        cursor.execute(RAW.format(words=words), [f"%{key}%" for key in keys for _ in range(2)])
        cursor.fetchall()


def ours(text: str) -> None:
    """The same through the search: all it looks at, the first page and the count."""
    searching.find(text)


def main() -> None:
    call_command("migrate", verbosity=0, skip_checks=True)
    fill(JOBS)
    piano = Instrument.objects.order_by("pk")[100]
    name, missed = piano.client.name.split()[0].lower(), piano.maker[:2].lower() + piano.maker[3:].lower()
    asked = [
        ("a name", name, name),
        ("part of a maker", piano.maker[:5].lower(), piano.maker[:5].lower()),
        ("a serial number", piano.serial, piano.serial),
        ("two words", f"{name} {piano.maker.lower()}", f"{name} {piano.maker.lower()}"),
        ("a finding", "moth", "moth"),
        ("a month", "since May 2024", ""),
        ("a letter missed", missed, piano.maker.lower()),  # the SQL is told what was meant
    ]
    print(f"{JOBS:,} sets\n{'':18}{'search':>10}{'written SQL':>14}{'ratio':>8}")
    worst = 0.0
    for title, text, key in asked:
        here, there = median_ms(lambda t=text: ours(t)), median_ms(lambda k=key: raw(k))
        print(f"{title:18}{here:>7.1f} ms{there:>11.1f} ms{here / there:>8.1f}")
        worst = max(worst, here / there)
    tell(f"search in {JOBS:,} sets / rows asked for in written SQL, the worst", worst, 3)


if __name__ == "__main__":
    main()

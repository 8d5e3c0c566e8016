"""Ten tablets at two readings a second each, five desks at a page a second: python -m tests.benchmarks.bench_load

For a minute, or the seconds named, on a web server as `make serve` starts it, a thousand sets, a database of its own.
Aim: no error, no lost row, 95 % of all answers under 150 ms. Then eight tablets as fast as they go, whose slowest
answer in a hundred may take five times the median; and on SQLite the control without IMMEDIATE, which must meet
"database is locked". On PostgreSQL: DURABLE=1 .ci/with-postgres .venv/bin/python -m tests.benchmarks.bench_load
"""

import os
import statistics
import sys
import tempfile

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()

import django

django.setup()

from django.core.management import call_command
from django.db import connection

from keyboards.workflow.opening import open_trade
from tests.benchmarks.figures import tell
from tests.benchmarks.large import fill
from tests.factories import make_workshop
from tests.load import TABLETS, Told, lost, open_for_work, serving, work

A_SECOND, SETS, AIM = 2, 1000, 150


def row(title: str, times: list[float]) -> str:
    """How many answers, their median, 95 and 99 % in milliseconds."""
    cuts = statistics.quantiles(times, n=100)
    return f"{title:28}{len(times):>8}{cuts[49] * 1000:>9.1f}{cuts[94] * 1000:>9.1f}{cuts[98] * 1000:>9.1f}"


def measure(seconds: int) -> tuple[Told, list[str]]:
    """What was told, and what is lost or was said that should not be."""
    shop = open_for_work()
    with serving() as (port, said):
        told = work(port, shop, readings=A_SECOND * seconds, every=1 / A_SECOND, desk_every=1)
    return told, [*lost(shop, told), *(line.strip() for line in said)]


def main() -> None:
    seconds = int(sys.argv[1]) if sys.argv[1:] else 60
    call_command("migrate", verbosity=0, skip_checks=True)
    call_command("collectstatic", verbosity=0, interactive=False, skip_checks=True)
    make_workshop()
    open_trade()
    fill(SETS)
    told, found = measure(seconds)
    print(f"{connection.vendor}, {seconds} s, {TABLETS * A_SECOND} readings a second, 5 pages a second, {SETS} sets")
    print(f"{'ms':28}{'answers':>8}{'median':>9}{'95 %':>9}{'99 %':>9}")
    print(row("a reading kept", told.tablet))
    print(row("a page", told.desk))
    print(row("together", [*told.tablet, *told.desk]))
    together = statistics.quantiles([*told.tablet, *told.desk], n=20)[18] * 1000
    tell(f"{connection.vendor}: ten tablets, five desks: 95 % of answers", together, AIM, " ms")
    tell(f"{connection.vendor}: errors and lost rows under that load", told.wrong.total() + len(found), 0)
    print(f"errors {told.wrong.total()}, lost {len(found)}", *told.wrong.most_common(3), *found[:5], sep="\n")
    shop = open_for_work()
    with serving() as (port, _said):
        eight = statistics.quantiles(work(port, shop, readings=150, tablets=8, desks=0).tablet, n=100)
    print(f"eight at once, as fast as they go: median {eight[49] * 1000:.1f} ms, 99 % {eight[98] * 1000:.1f} ms")
    tell(f"{connection.vendor}: 99 % / median of a reading, eight at once", eight[98] / eight[49], 5)
    if connection.vendor == "sqlite":
        shop = open_for_work()
        with serving(rules="tests.deferred") as (port, said):
            control = work(port, shop, readings=200, until_wrong=True)
        locked = sum("locked" in line for line in said)
        print(f"without IMMEDIATE: {control.wrong.total()} refused, {locked} times 'database is locked', after")
        print(f"{len(control.tablet)} readings", *control.wrong.most_common(2), sep="\n")


if __name__ == "__main__":
    main()

"""What each main page costs in a shop with 100 sets and with 10,000: python -m tests.benchmarks.bench_pages [SETS]

88 keys with ten quantities a set, ten photos' rows a set, an estimate, a bill and a letter for each that went home;
forty sets stand on the rack in both. Two SQLite files, asked in turns in one process. Aims: the time grows less than
1.3 times; the exponent of growth, log(time / time) / log(sets / sets), is at most 0.35.
"""

import os
import statistics
import sys
import tempfile
import time
from math import log
from pathlib import Path

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
os.environ["DEBUG"] = "1"
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import connection
from django.db.models import Count
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from keyboards.models import Check
from keyboards.workflow.opening import open_trade
from shop.models import Job, Lot
from shop.workflow.opening import open_shop
from tests.benchmarks.figures import tell
from tests.benchmarks.large import fill

OWNERS_HISTORY = ("hours", "learning")  # what all sets teach: the owner's, once in a while
FEW, MANY, RUNS = 100, int(sys.argv[1]) if sys.argv[1:] else 10_000, 15


def turn_to(sets: int) -> None:
    """The database with so many sets."""
    connection.close()
    connection.settings_dict["NAME"] = str(Path(settings.DATA_DIR) / f"{sets}.sqlite3")


def prepare(sets: int) -> tuple[Client, dict[str, str]]:
    """A database with so many sets, the owner's browser, and the main pages of a set in the middle and of the lists."""
    turn_to(sets)
    call_command("migrate", verbosity=0, skip_checks=True)
    open_shop(name="Measuring")
    open_trade()
    owner = fill(sets, keys=88, photos=10 * sets, papers=True)
    times = {"pianos": Count("client__instruments", distinct=True)}
    times |= {"sets": Count("client__jobs", distinct=True), "again": Count("instrument__jobs", distinct=True)}
    alike = Job.objects.annotate(**times).filter(sets__range=(3, 4), again=2, left_at__isnull=False)
    job = alike.order_by("sets", "pianos", "-number")[0]
    here = Job.objects.get(number=sets - 3)
    Check.objects.filter(job__number=sets - 1).update(closed_at=None, closed_by=None)
    browser = Client(headers={"host": "127.0.0.1"})
    browser.force_login(owner)
    name = job.client.name.split()[0]
    return browser, {
        **{place: reverse(place) for place in ("counter", "bench", "queue", "office", "records", "bill_list")},
        "counter, gone": f"{reverse('counter')}?show=gone",
        "bill_list, all": f"{reverse('bill_list')}?show=all",
        "letter_list": reverse("letter_list"),
        "material_list": reverse("material_list"),
        "lot": reverse("lot_detail", args=[Lot.objects.earliest("pk").pk]),
        "hours": reverse("hours_learn"),
        "learning": reverse("learning"),
        "log in": reverse("job_log_in"),
        "log in, a name": f"{reverse('job_log_in')}?who={name}",
        "search, a name": f"{reverse('records')}?q={name}",  # which is on more pages the more sets there are
        "search, a serial no.": f"{reverse('records')}?q={job.instrument.serial}",
        "search, last page": f"{reverse('records')}?page=9999",
        "set": reverse("job_detail", args=[here.number]),
        "set, gone": reverse("job_detail", args=[job.number]),
        "estimate": reverse("estimate_detail", args=[job.number]),
        "bill": reverse("bill_detail", args=[job.bills.get().pk]),
        "sheet of 88 keys": reverse("check_detail", args=[here.number, here.checks.get().pk]),
        "bench run": reverse("check_run", args=[Check.objects.get(closed_at__isnull=True).pk]),
        "advice": reverse("advice", args=[here.number]),
        "final": reverse("final_verdicts", args=[here.number]),
        "instrument": reverse("instrument_detail", args=[job.instrument_id]),
        "client": reverse("client_detail", args=[job.client_id]),
    }


def ask(browser: Client, page: str) -> float:
    """Milliseconds until the page is there."""
    begun = time.perf_counter()
    answer = browser.get(page)
    took = time.perf_counter() - begun
    assert answer.status_code == 200, (page, answer.status_code)
    return took * 1000


def main() -> None:
    begun = time.perf_counter()
    asked = {sets: prepare(sets) for sets in (FEW, MANY)}
    print(f"filled in {time.perf_counter() - begun:.0f} s")
    print(f"{'ms':20}{FEW:>9,}{MANY:>9,}{'grows':>8}{'exponent':>10}{'queries':>12}{'kB':>6}")
    growth: dict[str, tuple[float, float]] = {}
    for title in asked[FEW][1]:
        times, queries, size = {FEW: [], MANY: []}, {}, 0
        for run in range(RUNS + 1):
            for sets, (browser, pages) in asked.items():
                turn_to(sets)
                if run == 0:
                    with CaptureQueriesContext(connection) as seen:
                        size = len(browser.get(pages[title]).content)
                    queries[sets] = len(seen)
                else:
                    ask(browser, pages[title])
                    times[sets].append(ask(browser, pages[title]))  # the second: the first opens the file
        few, many = statistics.median(times[FEW]), statistics.median(times[MANY])
        grows, exponent = many / few, log(many / few) / log(MANY / FEW)
        growth[title] = (grows, exponent)
        told = f"{queries[FEW]} / {queries[MANY]}"
        good = "" if grows < 1.3 else "  MISSED" if exponent > 0.35 else "  over 1.3"
        figures = f"{few:>9.1f}{many:>9.1f}{grows:>8.2f}{exponent:>10.2f}{told:>12}{size / 1000:>6.0f}"
        print(f"{title:20}{figures}{good}", flush=True)
    for name in OWNERS_HISTORY:
        tell(f"{name}: exponent of growth, {FEW} to {MANY:,} sets", growth.pop(name)[1], 0.35)
    slowest, steepest = max(growth, key=growth.__getitem__), max(growth, key=lambda title: growth[title][1])
    over = sum(grows >= 1.3 for grows, _exponent in growth.values())
    tell(f"exponent of growth of a main page, the steepest ({steepest})", growth[steepest][1], 0.35)
    tell(f"time of a main page, {MANY:,} / {FEW} sets, the worst ({slowest})", growth[slowest][0], 1.3)
    print(f"{len(growth) - over} of {len(growth)} main pages grow less than 1.3 times")


if __name__ == "__main__":
    main()

"""What each main page costs in a shop with 100 sets and with 10,000: python -m tests.benchmarks.bench_pages [SETS]

88 keys with ten quantities a check, an arrival check a set and a final one for each that went home, ten photos' rows a
set, an estimate, a bill and a letter for each that went home; forty sets stand on the rack in both. SQLite files, asked
in turns in one process. Aims: the time grows less than 1.3 times; the exponent of growth, log(time / time) /
log(sets / sets), is at most 0.35.

Each page shows as many rows in both, since more rows cost more in any shop: a text that fills the page of a search, a
client and a piano with as many sets, a fortnight of bills. What is told of the last 200 sets (WINDOWED) is asked in a
shop of 300 instead of 100, where not so many have gone home. Times are those of the processor: a search is written down
for the next time, and waiting for the disk would make every ratio look better.
"""

import datetime
import os
import statistics
import sys
import tempfile
import time
from math import log
from pathlib import Path
from urllib.parse import urlencode

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
os.environ["DEBUG"] = "1"
os.environ.pop("DATABASE_URL", None)

import django

django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import connection, reset_queries
from django.db.models import Count
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from post_office.models import Email

from keyboards.models import Check
from keyboards.workflow.opening import open_trade
from shop import searching
from shop.models import Job, Lot
from shop.workflow.feeds import feed_make
from shop.workflow.opening import open_shop
from tests.benchmarks.figures import tell
from tests.benchmarks.large import fill

OWNERS_HISTORY = ("learning",)  # what all sets teach: counted over all of them, by the owner, once in a while
WINDOWED = ("hours",)
FEW, FULL, MANY, RUNS = 100, 300, int(sys.argv[1]) if sys.argv[1:] else 10_000, 15
MANY_HOLD, NOBODY_HOLDS = "mar", "xylophone"  # a part of a name on more than a page of sets, and one of no name at all


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
    ordered = alike.select_related("client", "instrument").order_by("sets", "pianos", "-number")
    job, missed = next((job, text) for job in ordered if (text := misspelt(job)))
    here = Job.objects.get(number=sets - 3)
    Check.objects.filter(job__number=sets - 1).update(closed_at=None, closed_by=None)
    browser = Client(headers={"host": "127.0.0.1"})
    browser.force_login(owner)
    name = job.client.name.split()[0]
    assert searching.find(MANY_HOLD).count > 25, "too few sets for a page"
    _feed, token = feed_make(title="Bench", by=owner)
    reset_queries()  # only so many are remembered
    today = timezone.localdate()
    fortnight = f"start={today - datetime.timedelta(days=15)}&end={today}"
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
        "search, a part": f"{reverse('records')}?q={MANY_HOLD}",
        "search, a client": f"{reverse('records')}?{urlencode({'q': job.client.name})}",
        "search, a serial no.": f"{reverse('records')}?q={job.instrument.serial}",
        "search, misspelt": f"{reverse('records')}?q={missed}",
        "search, nothing": f"{reverse('records')}?q={NOBODY_HOLDS}",
        "search, a finding": f"{reverse('records')}?q=moth",
        "search, last page": f"{reverse('records')}?page=9999",
        "set": reverse("job_detail", args=[here.number]),
        "set, gone": reverse("job_detail", args=[job.number]),
        "estimate": reverse("estimate_detail", args=[job.number]),
        "bill": reverse("bill_detail", args=[job.bills.get().pk]),
        "sheet of 88 keys": reverse("check_detail", args=[here.number, here.checks.get().pk]),
        "bench run": reverse("check_run", args=[Check.objects.get(closed_at__isnull=True).pk]),
        "advice": reverse("advice", args=[here.number]),
        "final": reverse("final_verdicts", args=[job.number]),
        "instrument": reverse("instrument_detail", args=[job.instrument_id]),
        "client": reverse("client_detail", args=[job.client_id]),
        "client's data": reverse("client_data", args=[job.client_id]),
        "events of a set": reverse("job_events", args=[job.number]),
        "stage": reverse("stage_detail", args=[here.number, here.stages.get(kind="cloth").pk]),
        "check begun": reverse("check_begin", args=[here.number]),
        "material": reverse("material_edit", args=[Lot.objects.earliest("pk").material_id]),
        "people": reverse("person_list"),
        "prices": reverse("price_list"),
        "letter": reverse("letter_detail", args=[Email.objects.latest("pk").pk]),
        "payment": reverse("payment_new", args=[job.number]),
        "books": f"{reverse('book_export')}?{fortnight}",
        "bills as csv": f"{reverse('bills_csv')}?{fortnight}",
        "payments as csv": f"{reverse('payments_csv')}?{fortnight}",
        "calendar": reverse("feed", args=[token]),
        "came back": reverse("comeback_add", args=[job.number]),
    }


def misspelt(job: Job) -> str:
    """The piano's maker without its third letter, where that leads to this piano's two sets and to no other."""
    text = job.instrument.maker[:2] + job.instrument.maker[3:]
    found = searching.find(text)
    return text if found.near and found.count == 2 else ""


def ask(browser: Client, page: str) -> float:
    """Milliseconds of the processor until the page is there."""
    begun = time.process_time()
    answer = browser.get(page)
    took = time.process_time() - begun
    assert answer.status_code == 200, (page, answer.status_code)
    return took * 1000


def main() -> None:
    begun = time.perf_counter()
    asked = {sets: prepare(sets) for sets in (FEW, FULL, MANY)}
    print(f"filled in {time.perf_counter() - begun:.0f} s")
    print(f"{'ms':20}{FEW:>9,}{MANY:>9,}{'grows':>8}{'exponent':>10}{'queries':>12}{'kB':>6}")
    growth: dict[str, tuple[float, float]] = {}
    for title in asked[FEW][1]:
        few = FULL if title in WINDOWED else FEW
        times, queries, size = {few: [], MANY: []}, {}, 0
        for run in range(RUNS + 1):
            for sets in (few, MANY):
                browser, pages = asked[sets]
                turn_to(sets)
                if run == 0:
                    with CaptureQueriesContext(connection) as seen:
                        size = len(browser.get(pages[title]).content)
                    queries[sets] = len(seen)
                else:
                    ask(browser, pages[title])
                    times[sets].append(ask(browser, pages[title]))  # the second: the first opens the file
        here, there = statistics.median(times[few]), statistics.median(times[MANY])
        grows, exponent = there / here, log(there / here) / log(MANY / few)
        growth[title] = (grows, exponent)
        told = f"{queries[few]} / {queries[MANY]}"
        good = "" if grows < 1.3 else "  MISSED" if exponent > 0.35 else "  over 1.3"
        good = f"  from {few}{good}" if few != FEW else good
        figures = f"{here:>9.1f}{there:>9.1f}{grows:>8.2f}{exponent:>10.2f}{told:>12}{size / 1000:>6.0f}"
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

"""What a full advice on 88 keys costs, and each of its parts: python -m tests.benchmarks.bench_advice

Runs on an empty database of its own in memory. Aim: under 100 ms on one core.
"""

import os
import statistics
import tempfile
import time
from collections.abc import Callable

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.settings")
os.environ["DATA_DIR"] = tempfile.mkdtemp()
os.environ["DATABASE_URL"] = "sqlite://:memory:"

import django

django.setup()

from django.core.management import call_command

from keyboards import advising
from keyboards.core import choice, fit, skew, spread
from keyboards.core.keys import Compass
from keyboards.management.demo import readings
from keyboards.management.demo.shop import HALL
from keyboards.models import Finding, KeyReading
from shop.workflow.opening import open_shop
from tests.benchmarks.figures import tell

RUNS = 15


def median_ms(work: Callable[[], object]) -> float:
    """The median of some runs, in milliseconds."""
    times = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return statistics.median(times) * 1000


def main() -> None:
    call_command("migrate", verbosity=0)
    open_shop(name="Benchmark")
    from tests.factories import make_check, make_job

    grades = dict(Finding.objects.values_list("code", "grade"))
    job = make_job()
    check = make_check(job=job, closed=True)
    rows = readings.arrival(HALL, Compass(), list(Compass().keys))
    for row in rows:
        columns = {quantity: round(float(value) * 1000) for quantity, value in row.values.items()}
        grade = max([0, *(grades[code] for code in row.findings)])
        KeyReading.objects.create(check_done=check, key=row.key, findings=row.findings, grade=grade, **columns)

    held = advising.assumptions_for(job)
    widths = [float(row.values["balance_mortise_width"]) for row in rows]
    pins = [float(row.values["balance_pin"]) for row in rows]
    keys = [row.key for row in rows]
    angles = [float(row.values["skew"]) for row in rows]
    fits = (held.compression, held.clearance, held.stock, held.lower, held.upper)
    misfits = [fit.misfit(width, 3.7, 1.2, held.compression, held.clearance) for width in widths]
    condition = choice.SectionCondition(keys=30, failing=8, specs_failing=1, specs_all=1)
    prices = choice.Prices(60, 1.5, 4, 0.25, 8, 0.4, 20, 14, 8, 1.5, 40, 120, 20)

    total = median_ms(lambda: advising.advise(job))
    parts = {
        "each key's cloth (88)": lambda: [fit.classify_key(w, p, *fits) for w, p in zip(widths, pins, strict=True)],
        "one cloth and two for the set": lambda: [fit.choose_cloths(widths, 3.7, *fits, count=n) for n in (1, 2)],
        "chances of the failing count": lambda: fit.failing_count_distribution(misfits, 0.03, 0.05, -1e6, 0.1),
        "sections of the angles": lambda: skew.find_sections(keys, angles),
        "spread and odd readings": lambda: (spread.robust_spread(widths), spread.outliers(keys, widths)),
        "costs and what turns them": lambda: choice.sensitivity(condition, prices),
    }
    print(f"full advice on 88 keys, rows included: {total:6.1f} ms   (aim: under 100)")
    tell("full advice on 88 keys", total, 100, " ms")
    for name, work in parts.items():
        cost = median_ms(work)
        print(f"  {name:<32} {cost:6.1f} ms   {cost / total:5.2f} of the whole")


if __name__ == "__main__":
    main()

"""One figure beside its aim, in a form that `make benchmarks` gathers into a table."""

import statistics
import time
from collections.abc import Callable

MARK = "figure|"


def tell(what: str, reached: float, aim: float, unit: str = "") -> None:
    """Says what was reached and the most it should be."""
    print(f"{MARK}{what}|{reached:.2f}{unit}|{aim:g}{unit}|{'yes' if reached <= aim else 'NO'}", flush=True)


def in_turns(*works: Callable[[], object], runs: int) -> list[float]:
    """The median of each in milliseconds, taken in turns, so that a busy machine is busy for all of them."""
    times: list[list[float]] = [[] for _ in works]
    for work in works:
        work()  # the first time of anything is another matter
    for _ in range(runs):
        for work, row in zip(works, times, strict=True):
            begun = time.perf_counter()
            work()
            row.append((time.perf_counter() - begun) * 1000)
    return [statistics.median(row) for row in times]

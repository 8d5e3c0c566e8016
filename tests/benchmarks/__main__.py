"""All figures, each beside its aim: make benchmarks (or python -m tests.benchmarks). Takes some minutes.

Each part runs in a process and on a database of its own; what belongs together in a ratio is taken in turns in one run.
"""

import subprocess
import sys

from tests.benchmarks.figures import MARK

PARTS = ("bench_bench", "bench_load", "bench_papers", "bench_weight", "bench_search", "bench_pages", "bench_advice")


def main() -> int:
    rows = [("figure", "reached", "at most", "reached?")]
    failed = []
    for part in sys.argv[1:] or PARTS:
        print(f"\n--- {part}", flush=True)
        run = subprocess.Popen([sys.executable, "-m", f"tests.benchmarks.{part}"], stdout=subprocess.PIPE, text=True)
        with run:
            for line in run.stdout or ():
                if line.startswith(MARK):
                    rows.append(tuple(line.strip().removeprefix(MARK).split("|")))
                else:
                    print(line, end="", flush=True)
        if run.returncode:
            failed.append(part)
    print()
    for what, reached, aim, good in rows:
        print(f"{what:66}{reached:>12}{aim:>12}  {good}")
    if failed:
        print(f"\nDid not finish: {', '.join(failed)}")
    return len(failed)


if __name__ == "__main__":
    sys.exit(main())

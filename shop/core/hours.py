"""Quoted against actual: what one unit of an operation really took, over the jobs that are finished.

Hours are booked on a stage, and a stage may hold several operations. What was booked is split among them in
proportion to what was quoted, so within one job and stage every operation has the same ratio.
"""

import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from shop.core.checked import whole

# Fewer jobs than this say nothing about the next one.
ENOUGH_JOBS = 5
_STEP = Decimal("0.05")  # minutes: finer than anybody books


@dataclass(frozen=True)
class Worked:
    """An operation as it was quoted in one finished job: minutes for one unit and so many units, and the minutes
    that were booked on the whole stage against those quoted for it."""

    job: int
    code: str
    unit_minutes: Decimal
    units: Decimal
    stage_quoted: Decimal
    stage_booked: Decimal

    @property
    def ratio(self) -> Decimal:
        """Booked to quoted: 1.2 is a fifth longer than quoted."""
        return self.stage_booked / self.stage_quoted

    @property
    def actual(self) -> Decimal:
        """Minutes that one unit took, by its share of the stage."""
        return self.unit_minutes * self.ratio


@dataclass(frozen=True)
class Learned:
    """What finished jobs say about the minutes of one operation.

    ratios: each job's actual minutes for one unit against the minutes in the price list now, in ascending order.
    low, high: the quartiles, None under two jobs. proposal: median minutes for one unit in steps of 0.05, None where
    fewer than enough jobs speak, or where the list says the same already.
    """

    code: str
    minutes: Decimal
    ratios: tuple[float, ...]
    median: float
    low: float | None
    high: float | None
    quoted: Decimal
    booked: Decimal
    proposal: Decimal | None

    @property
    def jobs(self) -> int:
        return len(self.ratios)


def learned(rows: Iterable[Worked], now: dict[str, Decimal], *, enough: int = ENOUGH_JOBS) -> list[Learned]:
    """One entry an operation that has minutes in the price list now (code -> minutes for one unit), by code.

    Quartiles by linear interpolation between the ordered values (type 7 of Hyndman and Fan, 1996). A job that has an
    operation in several lines counts once, weighted by units.
    """
    whole("enough", enough, 1, 1000)
    by_code: dict[str, dict[int, list[Worked]]] = {}
    for row in rows:
        if row.stage_quoted > 0 and row.stage_booked > 0 and row.unit_minutes > 0 and row.units > 0:
            by_code.setdefault(row.code, {}).setdefault(row.job, []).append(row)
    out = []
    for code in sorted(by_code):
        minutes = now.get(code)
        if not minutes or minutes <= 0:
            continue
        jobs = by_code[code].values()
        actual = sorted(_per_unit(job) for job in jobs)
        ratios = tuple(float(value / minutes) for value in actual)
        low, high = _quartiles(ratios)
        rounded = (statistics.median(actual) / _STEP).quantize(Decimal(1), rounding=ROUND_HALF_UP) * _STEP
        proposal = max(rounded, _STEP)
        out.append(
            Learned(
                code=code,
                minutes=minutes,
                ratios=ratios,
                median=statistics.median(ratios),
                low=low,
                high=high,
                quoted=sum((row.units * row.unit_minutes for job in jobs for row in job), Decimal(0)),
                booked=sum((row.units * row.actual for job in jobs for row in job), Decimal(0)),
                proposal=proposal if len(ratios) >= enough and proposal != minutes else None,
            )
        )
    return out


def _per_unit(rows: list[Worked]) -> Decimal:
    units = sum((row.units for row in rows), Decimal(0))
    return sum((row.units * row.actual for row in rows), Decimal(0)) / units


def _quartiles(values: tuple[float, ...]) -> tuple[float | None, float | None]:
    if len(values) < 2:
        return None, None
    low, _middle, high = statistics.quantiles(values, n=4, method="inclusive")
    return low, high

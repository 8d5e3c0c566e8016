"""An advice as values: what keyboards/advising.py reckons and pages, estimates and reports read.

Lengths in mm, angles in degrees, money in the shop's currency before tax.
"""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from keyboards.core.assumptions import Assumed
from keyboards.core.choice import OPTIONS
from keyboards.core.skew import SkewPattern

__all__ = [
    "OPTIONS",
    "Advice",
    "Basis",
    "ClothAdvice",
    "CostLine",
    "Flip",
    "KeyAdvice",
    "OptionAdvice",
    "Plan",
    "Reason",
    "SectionAdvice",
    "SectionSpread",
]


@dataclass(frozen=True)
class Basis:
    """The check an advice rests on."""

    check: int
    kind: str
    at: datetime.datetime
    by: str
    closed: bool


@dataclass(frozen=True)
class Reason:
    """Why: an id, the section it is about (None: the set), its numbers, the keys."""

    id: str
    section: int | None = None
    numbers: Mapping[str, Any] = field(default_factory=dict)
    keys: tuple[int, ...] = ()


@dataclass(frozen=True)
class KeyAdvice:
    """One key. status as in core/fit, or "impossible" (pin does not enter) or "not measured".

    chance is that the best stocked cloth serves it; failing: cloth alone will not do; renew: only a new button will;
    marginal: one reading cannot tell, read it again; after: the clearance expected with the section's cloth.
    """

    key: int
    width: float | None
    pin: float
    pin_from: str
    status: str
    cloth: float | None
    clearance: float | None
    chance: float | None
    read: bool
    failing: bool
    renew: bool
    marginal: bool
    why: tuple[str, ...]
    skew: float | None
    cut_skew: float | None
    cover: float | None
    after: float | None = None


@dataclass(frozen=True)
class SectionSpread:
    """Mortise widths of a section: median, robust standard deviation, lowest, highest."""

    median: float
    sd: float
    low: float
    high: float


@dataclass(frozen=True)
class ClothAdvice:
    """The one cloth that serves most keys of a section, the best two, and how many of how many each serves."""

    one: float
    one_fits: int
    two: tuple[float, ...]
    two_fits: int
    of: int

    @property
    def chosen(self) -> tuple[float, ...]:
        """One cloth for the section; two where two serve more."""
        return self.two if self.two_fits > self.one_fits else (self.one,)


@dataclass(frozen=True)
class CostLine:
    """One operation of an option: quantity in its unit, minutes and money each, in all."""

    code: str
    quantity: float
    minutes: float
    each: float
    total: float


@dataclass(frozen=True)
class OptionAdvice:
    """One option of a section. cost = work + allowance + comeback: work as reckoned, what the doubt about the count of
    failing keys adds or takes off on average, comebacks expected. against: reasons that bar it from the advice; never:
    one of them forbids it; stays_loose: keys expected out of tolerance when it is done."""

    option: str
    cost: float
    work: float
    comeback: float
    lines: tuple[CostLine, ...]
    against: tuple[str, ...]
    never: bool
    stays_loose: float
    allowance: float = 0.0


@dataclass(frozen=True)
class Flip:
    """An input that turns the choice when it is larger (up) or smaller (down) by the change; "" where it does not."""

    name: str
    up: str
    down: str


@dataclass(frozen=True)
class SectionAdvice:
    """One section: its keys, what was read, what fails, what each option costs, what is advised and how firmly."""

    title: str
    first: int
    last: int
    keys: tuple[int, ...]
    read: tuple[int, ...]
    measured: tuple[int, ...]
    failing: tuple[int, ...]
    expected: float
    distribution: tuple[float, ...]
    bound: int | None
    flip: float
    spread: SectionSpread | None
    cloth: ClothAdvice | None
    skew_kind: str
    skew_level: float | None
    skew_level_end: float | None
    specs_all: int
    specs_failing: int
    skew_cost: float
    options: tuple[OptionAdvice, ...]
    advised: str
    runner_up: str
    margin: float | None
    close: bool
    breakeven: int | None
    flips: tuple[Flip, ...]
    reasons: tuple[Reason, ...]
    reckoned: int = 0  # failing keys that the work is priced with: those found, and of keys not read those expected

    def option(self, name: str) -> OptionAdvice | None:
        """One of the options, or None while nothing is read."""
        return next((option for option in self.options if option.option == name), None)


@dataclass(frozen=True)
class Plan:
    """One option a section for the whole set; the visit is counted once."""

    id: str
    options: tuple[str, ...]
    work: float
    comeback: float
    total: float
    stays_loose: float
    visit_chance: float
    comeback_keys: float
    allowance: float = 0.0


@dataclass(frozen=True)
class Advice:
    """The advice on a set. bound: at most so many keys fail, where only a sample was read; random: it was drawn so."""

    basis: Basis | None
    keys: tuple[KeyAdvice, ...]
    sections: tuple[SectionAdvice, ...]
    sections_from: str
    plans: tuple[Plan, ...]
    reasons: tuple[Reason, ...]
    skew: SkewPattern | None
    outliers: tuple[int, ...]
    impossible: tuple[int, ...]
    total: int
    read: int
    measured: int
    bound: int | None
    random: bool
    provisional: bool
    missing_prices: tuple[str, ...]
    assumed: Assumed

    def section_of(self, key: int) -> SectionAdvice:
        """The section a key belongs to."""
        return next(section for section in self.sections if section.first <= key <= section.last)

    def plan(self, plan_id: str) -> Plan | None:
        """A plan by its id, or None."""
        return next((plan for plan in self.plans if plan.id == plan_id), None)

"""Cloth or buttons: what each way of treating a section is expected to cost, and how firm the choice is.

Options, the least invasive first: new cloth on every key (`reclothe`); the same with the failing mortises lined
(`reclothe_with_repairs`); new buttons for the failing keys and cloth for all (`renew_failing`); new buttons and
cloth throughout (`renew_section`). Money is in the shop's currency as plain numbers, times in minutes. Prices,
minutes and chances of a comeback are the shop's own; none has a published source.

Costs alone never decide: the reasons found in the readings come first.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import prod
from types import MappingProxyType

from keyboards.core.checked import items, number, numbers, whole
from keyboards.core.errors import MeasurementError

RECLOTHE = "reclothe"
RECLOTHE_WITH_REPAIRS = "reclothe_with_repairs"
RENEW_FAILING = "renew_failing"
RENEW_SECTION = "renew_section"
OPTIONS = (RECLOTHE, RECLOTHE_WITH_REPAIRS, RENEW_FAILING, RENEW_SECTION)

CLOSE_MARGIN = 0.05  # below it the costs are too close to call: an estimate
MOST_SECTIONS = 128
MOST_KEYS = 1000
_SAME = 1e-9  # costs nearer than this are equal; their sums were only added in another order


@dataclass(frozen=True)
class SectionCondition:
    """A run of keys treated alike.

    keys            how many
    failing         how many of them no stocked cloth will make good
    specs_failing   different buttons (size and angle) among the failing ones: set-ups when only those are renewed
    specs_all       the same for all keys of the section
    p_ok, p_failing, p_repaired, p_new
                    the chance that a key comes back: sound with new cloth, failing with new cloth alone, repaired,
                    with a new button
    """

    keys: int
    failing: int
    specs_failing: int
    specs_all: int
    p_ok: float = 0.01
    p_failing: float = 0.6
    p_repaired: float = 0.1
    p_new: float = 0.01

    def __post_init__(self) -> None:
        whole("keys", self.keys, minimum=1, maximum=MOST_KEYS)
        whole("failing", self.failing, minimum=0)
        if self.failing > self.keys:
            raise MeasurementError(
                "failing must be at most keys ({keys}), not {failing}", keys=self.keys, failing=self.failing
            )
        whole("specs_failing", self.specs_failing, minimum=0, maximum=MOST_KEYS)
        whole("specs_all", self.specs_all, minimum=1, maximum=MOST_KEYS)
        for name in CHANCES:
            number(name, getattr(self, name), minimum=0, maximum=1)


@dataclass(frozen=True)
class Prices:
    """The shop's prices: money in its currency, minutes a key; both set-ups are minutes too.

    setup_repair is once a section with repairs, setup_spec once for each different button. visit_fixed is what a
    comeback visit costs before any key is touched, visit_key each key treated on it.
    """

    hourly_rate: float
    minutes_strip: float
    minutes_cloth: float
    cloth_material: float
    minutes_repair: float
    repair_material: float
    setup_repair: float
    minutes_new_single: float
    minutes_new_batch: float
    button_material: float
    setup_spec: float
    visit_fixed: float
    visit_key: float

    def __post_init__(self) -> None:
        for field in fields(self):
            number(field.name, getattr(self, field.name), minimum=0)


CHANCES = ("p_ok", "p_failing", "p_repaired", "p_new")
PRICES = tuple(field.name for field in fields(Prices))


@dataclass(frozen=True)
class CostParts:
    """What one option's cost is made of; `setup` is for repairs and for buttons, `comeback` an expectation."""

    strip: float = 0.0
    cloth: float = 0.0
    repair: float = 0.0
    new_buttons: float = 0.0
    setup: float = 0.0
    comeback: float = 0.0

    @property
    def work(self) -> float:
        """All but the comeback: what the client would be charged."""
        return self.strip + self.cloth + self.repair + self.new_buttons + self.setup

    @property
    def total(self) -> float:
        return self.work + self.comeback


@dataclass(frozen=True)
class _Treated:
    """An option's work, and whom it leaves at risk: (keys, chance that one of them comes back)."""

    parts: CostParts
    risks: tuple[tuple[int, float], ...]

    @property
    def no_visit(self) -> float:
        """The chance that no key comes back."""
        return prod((1 - chance) ** keys for keys, chance in self.risks)

    @property
    def returning(self) -> float:
        """Keys expected back."""
        return sum(keys * chance for keys, chance in self.risks)


def _treated(section: SectionCondition, prices: Prices) -> dict[str, _Treated]:
    rate = prices.hourly_rate / 60
    n, f = section.keys, section.failing
    strip = prices.minutes_strip * rate
    cloth = n * (prices.minutes_cloth * rate + prices.cloth_material)
    repair = f * (prices.minutes_repair * rate + prices.repair_material)
    repair_setup = prices.setup_repair * rate if f else 0.0
    single = f * (prices.minutes_new_single * rate + prices.button_material)
    batch = n * (prices.minutes_new_batch * rate + prices.button_material)
    spec_setup = prices.setup_spec * rate
    # A key that gets a new button is not stripped: its old cloth goes with the old button.
    only_cloth = CostParts(strip=n * strip, cloth=cloth)
    ok = (n - f, section.p_ok)
    return {
        RECLOTHE: _Treated(only_cloth, (ok, (f, section.p_failing))),
        RECLOTHE_WITH_REPAIRS: _Treated(
            replace(only_cloth, repair=repair, setup=repair_setup), (ok, (f, section.p_repaired))
        ),
        RENEW_FAILING: _Treated(
            CostParts((n - f) * strip, cloth, new_buttons=single, setup=section.specs_failing * spec_setup),
            (ok, (f, section.p_new)),
        ),
        RENEW_SECTION: _Treated(
            CostParts(cloth=cloth, new_buttons=batch, setup=section.specs_all * spec_setup),
            ((n, section.p_new),),
        ),
    }


def cost_breakdown(section: SectionCondition, prices: Prices) -> dict[str, CostParts]:
    """What each option's cost is made of, in the order of OPTIONS; each `.total` is its cost in option_costs."""
    section, prices = _condition(section), _prices(prices)
    return {
        option: replace(
            treated.parts,
            comeback=prices.visit_fixed * (1 - treated.no_visit) + prices.visit_key * treated.returning,
        )
        for option, treated in _treated(section, prices).items()
    }


def option_costs(section: SectionCondition, prices: Prices) -> dict[str, float]:
    """The expected cost of each option, work and comebacks together, in the order of OPTIONS."""
    return {option: parts.total for option, parts in cost_breakdown(section, prices).items()}


def cheapest(costs: Mapping[str, float]) -> str:
    """The option that costs least; among equals the least invasive."""
    least = min(costs.values())
    return next(option for option in OPTIONS if option in costs and costs[option] <= least + _SAME)


def with_failing(section: SectionCondition, failing: int) -> SectionCondition:
    """The same section with another count of failing keys, and no more different buttons than failing keys."""
    return replace(section, failing=failing, specs_failing=min(section.specs_failing or 1, failing))


def breakeven_failing(section: SectionCondition, prices: Prices, option: str, against: str) -> int | None:
    """The first count of failing keys at which `option` costs more than `against`; None if it never does."""
    section, prices = _condition(section), _prices(prices)
    option, against = _option("option", option), _option("against", against)
    for failing in range(section.keys + 1):
        costs = option_costs(with_failing(section, failing), prices)
        if costs[option] > costs[against] + _SAME:
            return failing
    return None


def expected_costs(section: SectionCondition, prices: Prices, chances: Sequence[float]) -> dict[str, float]:
    """The cost of each option when the failing count is only known by its chances (of 0, 1 .. all keys failing)."""
    section, prices = _condition(section), _prices(prices)
    weights = numbers("chances", chances, minimum=0, maximum=1)
    if len(weights) != section.keys + 1:
        raise MeasurementError(
            "chances must hold {wanted} values, for 0 to all keys, not {count}",
            wanted=section.keys + 1,
            count=len(weights),
        )
    if abs(sum(weights) - 1) > 1e-6:
        raise MeasurementError("chances must add up to 1, not {total:.6g}", total=sum(weights))
    costs = dict.fromkeys(OPTIONS, 0.0)
    for failing, weight in enumerate(weights):
        if weight:
            for option, cost in option_costs(with_failing(section, failing), prices).items():
                costs[option] += weight * cost
    return costs


@dataclass(frozen=True)
class Plan:
    """One option for each section, and what they cost together with one visit for all comebacks."""

    options: tuple[str, ...]
    total: float


def best_plan(sections: Sequence[SectionCondition], prices: Prices) -> Plan:
    """The cheapest of all combinations of options; whatever comes back comes back in one visit.

    Among equals the least invasive: the lowest sum of ranks, then the least invasive from the bass up. Sharing
    the visit is why a section may be treated otherwise here than alone. Partial plans that another one beats in
    work, in the chance of a visit and in invasiveness are dropped; what is left is searched in full.
    """
    prices = _prices(prices)
    conditions = [_condition(section) for section in items("sections", sections)]
    if not conditions:
        raise MeasurementError("sections must not be empty")
    if len(conditions) > MOST_SECTIONS:
        raise MeasurementError(
            "sections must be at most {most}, not {count}", most=MOST_SECTIONS, count=len(conditions)
        )
    # (cost without the fixed part of the visit, chance of no visit, ranks of the options taken so far)
    plans: list[tuple[float, float, tuple[int, ...]]] = [(0.0, 1.0, ())]
    for condition in conditions:
        treated = _treated(condition, prices)
        steps = [
            (way.parts.work + prices.visit_key * way.returning, way.no_visit, rank)
            for rank, way in enumerate(treated[option] for option in OPTIONS)
        ]
        plans = _undominated(
            [
                (cost + more, quiet * no_visit, (*ranks, rank))
                for cost, quiet, ranks in plans
                for more, no_visit, rank in steps
            ]
        )

    totals = [(cost + prices.visit_fixed * (1 - quiet), ranks) for cost, quiet, ranks in plans]
    least = min(total for total, _ in totals)
    total, ranks = min(
        ((total, ranks) for total, ranks in totals if total <= least + _SAME),
        key=lambda plan: (sum(plan[1]), plan[1]),
    )
    return Plan(tuple(OPTIONS[rank] for rank in ranks), total)


def _undominated(
    plans: list[tuple[float, float, tuple[int, ...]]],
) -> list[tuple[float, float, tuple[int, ...]]]:
    """Without those that cost no less, and are no less likely to need a visit, than a plan before them."""
    plans.sort(key=lambda plan: (round(plan[0], 9), sum(plan[2]), plan[2]))
    kept: list[tuple[float, float, tuple[int, ...]]] = []
    quietest = -1.0
    for plan in plans:
        if plan[1] > quietest + 1e-15:
            kept.append(plan)
            quietest = plan[1]
    return kept


@dataclass(frozen=True)
class Sensitivity:
    """How firm a choice on cost is.

    choice   the cheapest option
    margin   how much more the next different option costs, as a part of the cheapest
    low      for each input (a price or a chance): the choice when it is lower by `change`
    high     the same when it is higher; a chance stops at 1
    """

    choice: str
    margin: float
    change: float
    low: Mapping[str, str]
    high: Mapping[str, str]

    @property
    def flips(self) -> Mapping[str, bool]:
        """For each input whether either change alone turns the choice."""
        return {name: not self.low[name] == self.choice == self.high[name] for name in self.low}

    @property
    def too_close(self) -> bool:
        """Too close to call on cost: the reasons decide."""
        return self.margin < CLOSE_MARGIN or any(self.flips.values())


def sensitivity(section: SectionCondition, prices: Prices, change: float = 0.30) -> Sensitivity:
    """Whether a change of +- `change` (a fraction) in any one price or chance turns the choice, and the margin.

    The failing count is not among the inputs: its doubt is measured, and enters by `expected_costs`.
    """
    section, prices = _condition(section), _prices(prices)
    change = number("change", change, above=0, below=1)

    def choice(name: str, factor: float) -> str:
        if name in PRICES:
            return _choice(section, replace(prices, **{name: getattr(prices, name) * factor}))
        return _choice(replace(section, **{name: min(1.0, getattr(section, name) * factor)}), prices)

    costs = _different(section, option_costs(section, prices))
    least, second = sorted(costs.values())[:2]
    return Sensitivity(
        choice=cheapest(costs),
        margin=_margin(least, second),
        change=change,
        low=MappingProxyType({name: choice(name, 1 - change) for name in (*PRICES, *CHANCES)}),
        high=MappingProxyType({name: choice(name, 1 + change) for name in (*PRICES, *CHANCES)}),
    )


def _choice(section: SectionCondition, prices: Prices) -> str:
    return cheapest(_different(section, option_costs(section, prices)))


def _different(section: SectionCondition, costs: Mapping[str, float]) -> dict[str, float]:
    """Without the options that are the same work: with no key failing there is nothing to repair or renew singly."""
    same = () if section.failing else (RECLOTHE_WITH_REPAIRS, RENEW_FAILING)
    return {option: cost for option, cost in costs.items() if option not in same}


def _margin(least: float, second: float) -> float:
    if least > 0:
        return (second - least) / least
    return 0.0 if second <= _SAME else 1.0  # against something that costs nothing, anything is all the difference


def _condition(section: object) -> SectionCondition:
    if not isinstance(section, SectionCondition):
        raise MeasurementError("section must be a SectionCondition")
    return section


def _prices(prices: object) -> Prices:
    if not isinstance(prices, Prices):
        raise MeasurementError("prices must be a Prices")
    return prices


def _option(name: str, option: object) -> str:
    if option not in OPTIONS:
        raise MeasurementError("{name} must be one of {known}", name=name, known=", ".join(OPTIONS))
    return str(option)

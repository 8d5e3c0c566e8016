"""Rows of the database -> core -> advice: cloth or buttons, section by section, and why.

advise() reads a check, its keys and the price list, and answers with keyboards/core/advice.py values. Nothing is kept
here; a decision taken on an advice is kept by keyboards/workflow/decisions.py.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise, product
from math import comb, exp, lgamma, log, prod, sqrt
from statistics import linear_regression, variance
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards.core import choice, fit, skew, spread
from keyboards.core.advice import (
    Advice,
    Basis,
    ClothAdvice,
    CostLine,
    Flip,
    KeyAdvice,
    OptionAdvice,
    Plan,
    Reason,
    SectionAdvice,
    SectionSpread,
)
from keyboards.core.assumptions import Assumed, Effective, effective
from keyboards.core.errors import MeasurementError
from keyboards.core.grading import finding_grade
from keyboards.core.keys import KeyRange, format_keys
from keyboards.core.quantities import show
from keyboards.models import Assumptions, Check, CheckKind, Compass, Entry, EntryKind, Finding, FindingGroup, KeyReading
from shop.core import money
from shop.models import Job, Operation, Workshop

# The operations of the price list that the calculation needs (shop/workflow/opening.py makes them).
CODES = ("strip", "cloth", "repair", "repair_setup", "button_single", "button_batch", "button_setup")
# Findings of the starting list that carry a rule of their own; the shop may retire them, not rename them.
_LOOSE = ("button_loose",)
_REPAIRED = ("mortise_shim",)
_FEWEST_FOR_SPREAD = 5


def assumptions_of(job: Job | None) -> Effective:
    """Starting values, the shop's, the job's, with what is wrong in them."""
    shop_row = Assumptions.objects.filter(job__isnull=True).first()
    own = Assumptions.objects.filter(job=job).first() if job else None
    return effective(shop_row.values if shop_row else {}, own.values if own else {})


def assumptions_for(job: Job | None) -> Assumed:
    """The values that hold for a job (None: for the shop), the limits of the final check among them."""
    return assumptions_of(job).assumed


def basis_for(job: Job) -> Check | None:
    """The check an advice rests on: the newest stripped check that has readings, else the newest arrival check."""
    checks = Check.objects.filter(job=job, keys__isnull=False).distinct().select_related("begun_by", "gauge")
    for kind in (CheckKind.STRIPPED, CheckKind.ARRIVAL):
        found = checks.of_kind(kind).first()
        if found is not None:
            return found
    return None


def option_title(option: str) -> str:
    """An option in words."""
    return {
        choice.RECLOTHE: _("New cloth"),
        choice.RECLOTHE_WITH_REPAIRS: _("New cloth, torn mortises lined"),
        choice.RENEW_FAILING: _("New buttons where they fail"),
        choice.RENEW_SECTION: _("New buttons throughout"),
    }[option]


def section_title(name: str) -> str:
    """The three customary sections in words; a name given by hand as it is."""
    return {"bass": _("Bass"), "middle": _("Middle"), "treble": _("Treble")}.get(name, name)


# --- prices --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _PriceList:
    prices: choice.Prices | None
    operations: Mapping[str, Operation]
    missing: tuple[str, ...]
    rate: float
    currency: str

    def each(self, code: str) -> tuple[float, float]:
        """Minutes and money of one unit, as the estimate will price it."""
        operation = self.operations[code]
        price = money.unit_price(operation.minutes, Decimal(str(self.rate)), operation.material_price, self.currency)
        return float(operation.minutes), float(price)


def _price_list(assumed: Assumed) -> _PriceList:
    workshop = Workshop.ours()
    today = timezone.localdate()
    rows = {row.code: row for row in Operation.objects.in_use().filter(code__in=CODES).as_of(today)}
    missing = tuple(code for code in CODES if code not in rows)
    rate = float(workshop.hourly_rate)
    if missing:
        return _PriceList(None, rows, missing, rate, workshop.currency)

    def minutes(code: str) -> float:
        return float(rows[code].minutes)

    def material(code: str) -> float:
        return float(rows[code].material_price)

    prices = choice.Prices(
        hourly_rate=rate,
        minutes_strip=minutes("strip"),
        minutes_cloth=minutes("cloth"),
        cloth_material=material("cloth"),
        minutes_repair=minutes("repair"),
        repair_material=material("repair"),
        setup_repair=minutes("repair_setup"),
        minutes_new_single=minutes("button_single"),
        minutes_new_batch=minutes("button_batch"),
        button_material=material("button_batch"),
        setup_spec=minutes("button_setup"),
        visit_fixed=assumed.visit_fixed,
        visit_key=assumed.visit_key,
    )
    return _PriceList(prices, rows, (), rate, workshop.currency)


# --- keys ----------------------------------------------------------------------------------------


def _mm(canonical: int | None) -> float | None:
    return None if canonical is None else canonical / 1000


def _median_pin(rows: Sequence[KeyReading]) -> float | None:
    pins = [row.balance_pin / 1000 for row in rows if row.balance_pin is not None]
    return spread.robust_spread(pins).median if pins else None


_NO_LIMIT = 1e6


def _misfit(width: float, pin: float, cloth: float, held: Assumed) -> tuple[float, float]:
    """The misfit of one mortise with one cloth, and its standard uncertainty, mm."""
    return (
        fit.misfit(width, pin, cloth, held.compression, held.clearance),
        fit.misfit_uncertainty(cloth, held.compression, held.u_mortise, held.u_pin, held.u_cloth, held.u_compression),
    )


def _served(width: float, pin: float, held: Assumed) -> tuple[float, bool]:
    """The chance that some stocked cloth serves a mortise, and whether one reading leaves it open.

    A mortise is served unless it is loose with the thickest cloth or tight with the thinnest.
    """
    loose, u_loose = _misfit(width, pin, max(held.stock), held)
    tight, u_tight = _misfit(width, pin, min(held.stock), held)
    fills = fit.conformance_probability(loose, u_loose, -_NO_LIMIT, held.upper)
    enters = fit.conformance_probability(tight, u_tight, held.lower, _NO_LIMIT)
    states = (
        fit.conformance_status(loose, u_loose, -_NO_LIMIT, held.upper),
        fit.conformance_status(tight, u_tight, held.lower, _NO_LIMIT),
    )
    return max(fills + enters - 1, 0.0), any(state.startswith("marginal") for state in states)


def _uncertainties(check: Check, rows: Sequence[KeyReading], held: Assumed) -> dict[int, float]:
    """Standard uncertainties of widths in mm where they are not the shop's usual one: a plug gauge's interval is a
    rectangle (JCGM 100, 4.3.7), and an instrument worse than the usual one is reckoned with as it is."""
    usual = check.gauge.uncertainty if check.gauge else 0.0
    found = {row.key: usual for row in rows if usual > held.u_mortise}
    widths = {row.key: row.balance_mortise_width for row in rows}
    intervals = Entry.objects.filter(
        check_done=check, kind=EntryKind.READING, quantity="balance_mortise_width", high__isnull=False
    )
    for entry in intervals:
        low, high = entry.value or 0, entry.high or 0
        if widths.get(entry.key) == (low + high) // 2:
            found[entry.key] = (high - low) / 2 / sqrt(3) / 1000
    return found


def _found(row: KeyReading | None, codes: Sequence[str]) -> bool:
    return row is not None and any(row.findings.get(code, 0) > 0 for code in codes)


def _key(
    key: int, row: KeyReading | None, catalogue: Mapping[str, Finding], pins: tuple[float | None, float], held: Assumed
) -> KeyAdvice:
    """One key by itself: which stocked cloth serves its mortise, and what was found on it."""
    median_pin, nominal = pins
    width = _mm(row.balance_mortise_width) if row else None
    measured_pin = _mm(row.balance_pin) if row else None
    pin, pin_from = (
        (measured_pin, "measured")
        if measured_pin is not None
        else (median_pin, "median")
        if median_pin is not None
        else (nominal, "nominal")
    )
    status, cloth, clearance, chance, marginal = "not measured", None, None, None, False
    if width is not None and width <= pin:
        status = "impossible"
    elif width is not None:
        found = fit.classify_key(width, pin, held.compression, held.clearance, held.stock, held.lower, held.upper)
        status, cloth = found.status, found.cloth
        clearance = found.misfit + held.clearance
        chance, marginal = _served(width, pin, held)
    grades = {FindingGroup.MORTISE: 0, FindingGroup.BUTTON: 0}
    for code, severity in (row.findings if row else {}).items():
        known = catalogue.get(code)
        if known is not None and known.group in grades and code not in (*_LOOSE, *_REPAIRED):
            group = FindingGroup(known.group)
            grades[group] = max(grades[group], finding_grade(known.grade, severity))
    wood = grades[FindingGroup.MORTISE] >= 2
    cracked = grades[FindingGroup.BUTTON] >= 2  # a crack that is only noticed is still a crack
    loose = _found(row, _LOOSE)
    cover = None
    if row and row.button_length is not None and row.slot_length is not None:
        # mortise_offset lies across the key and takes nothing from the cover along it.
        cover = (row.button_length - row.slot_length) / 2000
    by_hand = row.grade if row and row.grade_reason else None
    if by_hand is not None and by_hand < 2:  # a person looked and overruled what was found
        wood = cracked = loose = False
    marks = {
        "cracked": cracked or by_hand == 3,
        "cover": cover is not None and cover < held.cover_least - 1e-9,
        "repaired_before": _found(row, _REPAIRED) and (status == "oversize" or wood),
        "loose": loose,
        "oversize": status == "oversize",
        "wood": wood or (by_hand == 2 and not loose and status != "oversize"),
    }
    why = [word for word, there in marks.items() if there]
    return KeyAdvice(
        key=key,
        width=width,
        pin=pin,
        pin_from=pin_from,
        status=status,
        cloth=cloth,
        clearance=clearance,
        chance=chance,
        read=row is not None and (row.grade is not None or width is not None),
        failing=bool(why),
        renew=any(word in why for word in ("cracked", "repaired_before", "cover")),
        marginal=marginal and not why,
        why=tuple(why),
        skew=_mm(row.skew) if row else None,
        cut_skew=None,
        cover=cover,
    )


# --- sections ------------------------------------------------------------------------------------


def _pattern(keys: Sequence[KeyAdvice]) -> skew.SkewPattern | None:
    angles = [(key.key, key.skew) for key in keys if key.skew is not None]
    if len(angles) < skew.FEWEST_KEYS:
        return None
    try:
        return skew.find_sections([key for key, _angle in angles], [angle for _key, angle in angles])
    except MeasurementError:  # they contradict each other: no pattern rather than a wrong one
        return None


def _ranges(
    compass: Compass, by_hand: Sequence[Sequence[Any]], keys: Sequence[KeyAdvice]
) -> tuple[list[KeyRange], str]:
    """By hand where the shop moved them; else the customary three, parted where the angle steps inside one."""
    if by_hand:
        return [KeyRange(str(title), int(first), int(last)) for title, first, last in by_hand], "hand"
    customary, pattern = compass.keys.sections(), _pattern(keys)
    if pattern is None or pattern.kind != "steps" or pattern.certainty == "undecided":
        return list(customary), "range"
    if _score_of(customary, keys, pattern) <= pattern.scores["steps"]:
        return list(customary), "range"
    ends = [(here.last + there.first) // 2 for here, there in pairwise(pattern.sections)]
    names = {2: ("bass", "treble"), 3: ("bass", "middle", "treble")}.get(len(pattern.sections))
    titles = names or tuple(_("Section %(number)d") % {"number": n + 1} for n in range(len(pattern.sections)))
    firsts, lasts = [1, *(end + 1 for end in ends)], [*ends, compass.count]
    return [KeyRange(*part) for part in zip(titles, firsts, lasts, strict=True)], "skew"


def _score_of(parts: Sequence[KeyRange], keys: Sequence[KeyAdvice], pattern: skew.SkewPattern) -> float:
    """One level or slope for each of these sections, scored as core/skew scores steps: each further level or slope
    at a known place costs 2 ln n (as its straight line does)."""
    used = [(key.key, key.skew) for key in keys if key.skew is not None and key.key not in pattern.outliers]
    price = 2 * log(len(used))
    score = price * (len(parts) - 1)
    for part in parts:
        inside = [(key, angle) for key, angle in used if part.first <= key <= part.last]
        if len(inside) > 1:
            level = variance(angle for _key, angle in inside) * (len(inside) - 1)
            slope, start = linear_regression(*zip(*inside, strict=True))
            line = sum((angle - start - slope * key) ** 2 for key, angle in inside)
            score += min(level / pattern.noise**2, line / pattern.noise**2 + price)
    return score


@dataclass(frozen=True)
class _Angles:
    """How the mortises of one section stand: kind, the angle at its first and last key."""

    kind: str
    first: float | None
    last: float | None
    steps: tuple[skew.Section, ...] = ()

    def at(self, key: int, part: KeyRange) -> float | None:
        if self.steps:
            return min(self.steps, key=lambda step: max(step.first - key, key - step.last, 0)).angle
        if self.first is None or self.last is None:
            return None
        if part.last == part.first:
            return self.first
        return self.first + (self.last - self.first) * (key - part.first) / (part.last - part.first)


def _angles(keys: Sequence[KeyAdvice], part: KeyRange) -> _Angles:
    pattern = _pattern(keys)
    if pattern is None:
        angles = [key.skew for key in keys if key.skew is not None]
        if not angles:
            return _Angles("", None, None)
        level = spread.robust_spread(angles).median
        return _Angles("uniform", level, level)
    if pattern.kind == "fan":
        ends = (pattern.intercept + pattern.slope * part.first, pattern.intercept + pattern.slope * part.last)
        return _Angles("fan", *ends)
    if pattern.kind == "steps":
        return _Angles("steps", pattern.sections[0].angle, pattern.sections[-1].angle, pattern.sections)
    return _Angles(pattern.kind, pattern.sections[0].angle, pattern.sections[0].angle)


def _cloth(keys: Sequence[KeyAdvice], held: Assumed) -> ClothAdvice | None:
    able = [(key.width, key.pin) for key in keys if key.width is not None and key.status != "impossible"]
    if not able:
        return None
    one, two = cloths_for(able, held)
    return ClothAdvice(one.cloths[0], one.fitted, two.cloths, two.fitted, len(able))


def fits(clearance: float, held: Assumed) -> bool:
    """Whether a fitted clearance, mm, lies as near to the wanted one as the shop allows."""
    return held.lower - 1e-9 <= clearance - held.clearance <= held.upper + 1e-9


def own_cloths(keys: Sequence[KeyAdvice], cloths: Sequence[float], held: Assumed) -> dict[int, float]:
    """key -> the stocked cloth that serves it, where none of these of its section does."""
    return {
        key.key: key.cloth
        for key in keys
        if key.status == "fit" and key.width is not None and key.cloth is not None
        if not any(fits(fit.fitted_clearance(key.width, key.pin, one, held.compression), held) for one in cloths)
    }


def cloths_for(mortises: Sequence[tuple[float, float]], held: Assumed) -> tuple[fit.ClothChoice, fit.ClothChoice]:
    """The one cloth, and the two, that serve most of these mortises: (width, pin), every pin entering, mm."""
    pin = spread.robust_spread([pin for _width, pin in mortises]).median
    # Each mortise is judged on the section's pin, so the pin's own deviation is taken off its width.
    widths = [width - (own - pin) for width, own in mortises]
    common = (pin, held.compression, held.clearance, held.stock, held.lower, held.upper)
    one = fit.choose_cloths(widths, *common, count=1)
    return one, fit.choose_cloths(widths, *common, count=2) if len(held.stock) > 1 else one


def _unknown(keys: Sequence[KeyAdvice], any_width: bool) -> list[KeyAdvice]:
    """Keys of which nobody can say whether cloth will do: not seen to fail, and without a width that can be right
    (where no width was read at all: without a look)."""
    if any_width:
        return [key for key in keys if key.clearance is None and not key.failing]
    return [key for key in keys if not key.read and not key.failing]


def _further(count: int, failing: int, of: int) -> list[float]:
    """The chances that 0..count further keys fail, after `failing` of `of` did (Jeffreys' prior, beta-binomial)."""
    a, b = failing + 0.5, of - failing + 0.5

    def log_beta(x: float, y: float) -> float:
        return lgamma(x) + lgamma(y) - lgamma(x + y)

    return [comb(count, hits) * exp(log_beta(hits + a, count - hits + b) - log_beta(a, b)) for hits in range(count + 1)]


def _distribution(
    keys: Sequence[KeyAdvice], everywhere: Sequence[KeyAdvice], u_width: Mapping[int, float], held: Assumed
) -> tuple[float, ...]:
    """The chances that 0..n keys of the section fail: those found failing by sight for certain, those measured by
    their mortise with the section as its own prior (the scatter already holds the error of reading), those nobody
    read as often as those that were read (in the set, where the section has few)."""
    any_width = any(key.clearance is not None for key in everywhere)
    seen = [key for key in keys if key.failing and key.why != ("oversize",)]
    open_ones = [key for key in keys if key.clearance is not None and key not in seen]
    chances: Sequence[float] = (1.0,)
    if open_ones:
        thickest = max(held.stock)
        misfits = [_misfit(key.width, key.pin, thickest, held)[0] for key in open_ones if key.width is not None]
        u_mortise = sqrt(sum(u_width.get(key.key, held.u_mortise) ** 2 for key in open_ones) / len(open_ones))
        alone, common = fit.uncertainty_parts(
            thickest, held.compression, u_mortise, held.u_pin, held.u_cloth, held.u_compression
        )
        posterior = fit.set_posterior(misfits, alone)
        # Only a mortise too wide for every cloth is the wood's fault; too tight is a matter of pin or cloth.
        chances = fit.failing_count_distribution(posterior.misfits, posterior.u, common, -_NO_LIMIT, held.upper)
    unknown = _unknown(keys, any_width)
    missing = {key.key for key in _unknown(everywhere, any_width)}
    known = [key for key in keys if key.key not in missing]
    if len(known) < _FEWEST_FOR_SPREAD:
        known = [key for key in everywhere if key.key not in missing]
    out = [0.0] * (len(keys) + 1)
    for more, further in enumerate(_further(len(unknown), sum(key.failing for key in known), len(known))):
        for count, chance in enumerate(chances):
            out[len(seen) + count + more] += chance * further
    return tuple(chance / sum(out) for chance in out)


def _condition(keys: int, failing: int, specs_failing: int, specs_all: int, held: Assumed) -> choice.SectionCondition:
    return choice.SectionCondition(
        keys=keys,
        failing=failing,
        specs_failing=specs_failing,
        specs_all=specs_all,
        p_ok=held.p_ok,
        p_failing=held.p_failing,
        p_repaired=held.p_repaired,
        p_new=held.p_new,
    )


def work_of(option: str, keys: int, failing: int, specs_failing: int, specs_all: int) -> dict[str, int]:
    """What an option does, in operations of the price list: code -> quantity. Nothing is done no times."""
    quantities = {"cloth": keys}
    if option == choice.RENEW_SECTION:
        quantities |= {"button_batch": keys, "button_setup": specs_all}
    elif option == choice.RENEW_FAILING:
        quantities |= {"strip": keys - failing, "button_single": failing, "button_setup": specs_failing}
    else:
        quantities["strip"] = keys
        if option == choice.RECLOTHE_WITH_REPAIRS and failing:
            quantities |= {"repair": failing, "repair_setup": 1}
    return {code: quantity for code, quantity in quantities.items() if quantity}


def _risk(option: str, keys: int, failing: int, held: Assumed) -> tuple[float, float]:
    """The chance that no key of the section comes back, and how many are expected to."""
    groups = {
        choice.RECLOTHE: ((keys - failing, held.p_ok), (failing, held.p_failing)),
        choice.RECLOTHE_WITH_REPAIRS: ((keys - failing, held.p_ok), (failing, held.p_repaired)),
        choice.RENEW_FAILING: ((keys - failing, held.p_ok), (failing, held.p_new)),
        choice.RENEW_SECTION: ((keys, held.p_new),),
    }[option]
    return prod((1 - chance) ** count for count, chance in groups), sum(count * chance for count, chance in groups)


def _different(options: Sequence[OptionAdvice]) -> dict[str, float]:
    """The costs of what may be advised; of options that are the same work, the least invasive alone."""
    out: dict[str, float] = {}
    seen: list[tuple[CostLine, ...]] = []
    for row in options:
        if not row.against and row.lines not in seen:
            out[row.option] = row.cost
            seen.append(row.lines)
    return out


_FORBIDS = {
    "cracked": (choice.RECLOTHE, choice.RECLOTHE_WITH_REPAIRS),
    "cover": (choice.RECLOTHE, choice.RECLOTHE_WITH_REPAIRS),
    "repaired_before": (choice.RECLOTHE, choice.RECLOTHE_WITH_REPAIRS),
    "loose": (choice.RECLOTHE,),
    "wood": (choice.RECLOTHE,),
    "oversize": (choice.RECLOTHE,),
}


# Of these it is said that they must not be; the others leave keys loose, which a client may choose knowingly.
_NEVER = ("cracked", "cover", "repaired_before", "loose")


def _mixed_risk(option: str, keys: int, distribution: Sequence[float], held: Assumed) -> tuple[float, float]:
    """The same over how many keys may fail."""
    rows = [(chance, *_risk(option, keys, count, held)) for count, chance in enumerate(distribution) if chance > 1e-12]
    return sum(chance * quiet for chance, quiet, _ in rows), sum(chance * back for chance, _, back in rows)


def _flips(
    condition: choice.SectionCondition, prices: choice.Prices, among: Sequence[str], change: float
) -> tuple[Flip, ...]:
    """Each price or chance that, changed by the share, makes another of these options the cheapest."""

    def cheapest(section: choice.SectionCondition, list_: choice.Prices) -> str:
        costs = choice.option_costs(section, list_)
        return choice.cheapest({option: costs[option] for option in among})

    def moved(name: str, factor: float) -> str:
        if name in choice.PRICES:
            return cheapest(condition, replace(prices, **{name: getattr(prices, name) * factor}))
        return cheapest(replace(condition, **{name: min(1.0, getattr(condition, name) * factor)}), prices)

    now, out = cheapest(condition, prices), []
    for name in (*choice.PRICES, *choice.CHANCES):
        up, down = moved(name, 1 + change), moved(name, 1 - change)
        if up != now or down != now:
            out.append(Flip(name, up if up != now else "", down if down != now else ""))
    return tuple(out)


def _reasons(part: KeyRange, index: int, keys: Sequence[KeyAdvice], cloth: ClothAdvice | None, angles: _Angles,
             widths: SectionSpread | None, cost: float, specs: int, held: Assumed) -> tuple[Reason, ...]:  # fmt: skip
    """Why, before what it costs: each with its numbers and its keys."""
    out: list[Reason] = []

    def add(reason: str, names: Sequence[int] = (), **numbers: Any) -> None:
        out.append(Reason(reason, index, numbers, tuple(names)))

    def those(word: str) -> list[int]:
        return [key.key for key in keys if word in key.why]

    of = len(keys)
    if found := those("cracked"):
        add("cracked", found)
    if found := those("loose"):
        add("loose", found)
    if found := those("cover"):
        add("cover", found, least=held.cover_least, cover=min(key.cover for key in keys if key.cover is not None))
    if found := those("oversize"):
        pin = spread.robust_spread([key.pin for key in keys]).median
        widest = pin + held.clearance + held.upper + 2 * (1 - held.compression) * max(held.stock)
        add(
            "oversize",
            found,
            of=len([key for key in keys if key.clearance is not None]),
            widest=widest,
            u=held.u_mortise,
        )
    if found := those("wood"):
        add("wood", found, of=of)
    if found := those("repaired_before"):
        add("repaired_before", found)
    if cloth is not None:
        add("one_cloth", cloth=cloth.one, fits=cloth.one_fits, of=cloth.of)
        if cloth.two_fits > cloth.one_fits:
            add("two_cloths", cloths=cloth.two, fits=cloth.two_fits, of=cloth.of)
        if own := own_cloths(keys, cloth.chosen, held):
            add("own_cloth", tuple(own), cloths=tuple(sorted(set(own.values()))))
    if widths is not None and len([key for key in keys if key.width is not None]) >= _FEWEST_FOR_SPREAD:
        add("spread", sd=widths.sd, low=widths.low, high=widths.high)
    if found := [key.key for key in keys if key.status == "undersize"]:
        add("undersize", found)
    if found := [key.key for key in keys if key.status == "stock gap"]:
        add("stock_gap", found)
    if angles.kind == "fan" and angles.first is not None:
        add("fan", first=angles.first, last=angles.last, groups=specs)
    if cost > held.clearance / 2:
        add("skew_copy", angle=max(abs(angles.first or 0), abs(angles.last or 0)), cost=cost, clearance=held.clearance)
    if found := [key.key for key in keys if key.marginal]:
        add("marginal", found)
    return tuple(out)


def _section(
    part: KeyRange, index: int, keys: Sequence[KeyAdvice], everywhere: Sequence[KeyAdvice],
    u_width: Mapping[int, float], list_: _PriceList, held: Assumed, for_the_set: str = "",
) -> tuple[SectionAdvice, list[KeyAdvice]]:  # fmt: skip
    """The advice on one section, and its keys with what they will be cut to and have after the work.

    for_the_set: the option that the set as a whole is best served by, where that is not the cheapest here alone.
    """
    angles = _angles(keys, part)
    step = held.fan_step if angles.kind == "fan" else held.angle_step
    turned = {}
    for key in keys:
        angle = angles.at(key.key, part)
        turned[key.key] = None if angle is None else 0.0 if angles.kind == "straight" else skew.round_angle(angle, step)
    failing = [key for key in keys if key.failing]
    specs_all = max(len(set(turned.values())), 1)
    read = [key for key in keys if key.read]
    distribution = _distribution(keys, everywhere, u_width, held) if any(key.read for key in everywhere) else ()
    expected = sum(count * chance for count, chance in enumerate(distribution))
    unknown = _unknown(keys, any(key.clearance is not None for key in everywhere))
    # Keys nobody read are priced as they are expected, so that a sample does not price a set as if the rest were sound.
    reckoned = max(round(expected), len(failing)) if unknown else len(failing)
    specs_failing = min(max(len({turned[key.key] for key in failing}), 1), reckoned)
    measured = [key for key in keys if key.width is not None]
    cloth = _cloth(keys, held)
    widths = None
    if measured:
        values = [key.width for key in measured if key.width is not None]
        robust = spread.robust_spread(values)
        widths = SectionSpread(robust.median, robust.mad_sd, min(values), max(values))
    steepest = max(abs(angles.at(key.key, part) or 0) for key in keys)
    cost = 0.0
    if steepest:
        pin = spread.robust_spread([key.pin for key in keys]).median
        cost = held.clearance - fit.effective_clearance(
            pin + held.clearance, pin, min(steepest, fit.MOST_SKEW), held.pin_travel
        )
    reasons = _reasons(part, index, keys, cloth, angles, widths, cost, specs_all, held)
    options: list[OptionAdvice] = []
    advised = runner_up = ""
    margin: float | None = None
    close, breakeven, flip = False, None, 0.0
    flips: tuple[Flip, ...] = ()
    if distribution and list_.prices is not None:
        condition = _condition(len(keys), reckoned, specs_failing, specs_all, held)
        costs = choice.expected_costs(condition, list_.prices, distribution)
        present = {word for key in keys for word in key.why}
        for option in choice.OPTIONS:
            lines = []
            for code, quantity in work_of(option, len(keys), reckoned, specs_failing, specs_all).items():
                minutes, each = list_.each(code)
                lines.append(CostLine(code, quantity, minutes, each, quantity * each))
            work = sum(line.total for line in lines)
            against = tuple(word for word, barred in _FORBIDS.items() if word in present and option in barred)
            quiet, back = _mixed_risk(option, len(keys), distribution, held)
            comeback = held.visit_fixed * (1 - quiet) + held.visit_key * back
            options.append(
                OptionAdvice(
                    option=option,
                    cost=costs[option],
                    work=work,
                    comeback=comeback,
                    lines=tuple(lines),
                    against=against,
                    never=any(word in _NEVER for word in against),
                    stays_loose=expected if option == choice.RECLOTHE else 0.0,
                    allowance=costs[option] - work - comeback,
                )
            )
        allowed = _different(options)
        advised = for_the_set or choice.cheapest(allowed)
        others = {name: value for name, value in allowed.items() if name != advised}
        if others:
            runner_up = min(others, key=lambda name: others[name])
            margin = (others[runner_up] - allowed[advised]) / allowed[advised] if allowed[advised] else None
            rank = choice.OPTIONS.index
            gentle, other = sorted((advised, runner_up), key=rank)
            # The gentler way is right while fewer keys fail than this.
            breakeven = choice.breakeven_failing(condition, list_.prices, gentle, other)
            if breakeven:
                flip = fit.flip_from_distribution(distribution, reckoned, breakeven - 1)
        flips = _flips(condition, list_.prices, tuple(allowed), held.sensitivity_change)
        close = bool(flips) or (margin is not None and margin < held.close_margin)
    bound = None
    if unknown:
        gone = {key.key for key in unknown}
        known = [key for key in keys if key.key not in gone]
        bound = spread.upper_failing(len(keys), len(known), sum(key.failing for key in known), held.confidence)
    section = SectionAdvice(
        title=section_title(part.name),
        first=part.first,
        last=part.last,
        keys=tuple(key.key for key in keys),
        read=tuple(key.key for key in read),
        measured=tuple(key.key for key in measured),
        failing=tuple(key.key for key in failing),
        expected=expected,
        distribution=distribution,
        bound=bound,
        flip=flip,
        spread=widths,
        cloth=cloth,
        skew_kind=angles.kind,
        skew_level=angles.first,
        skew_level_end=angles.last,
        specs_all=specs_all,
        specs_failing=specs_failing,
        skew_cost=cost,
        options=tuple(options),
        advised=advised,
        runner_up=runner_up,
        margin=margin,
        close=close,
        breakeven=breakeven,
        flips=flips,
        reasons=reasons,
        reckoned=reckoned,
    )
    return section, [_after(key, section, turned[key.key], held) for key in keys]


def _after(key: KeyAdvice, section: SectionAdvice, turned: float | None, held: Assumed) -> KeyAdvice:
    """The key with the angle it would be cut to and the clearance expected after the advised work."""
    after = None
    made_new = section.advised == choice.RENEW_SECTION or (key.failing and section.advised != choice.RECLOTHE)
    if made_new:
        after = held.clearance
    elif key.width is not None and key.status != "impossible" and section.cloth is not None:
        options = [fit.fitted_clearance(key.width, key.pin, cloth, held.compression) for cloth in section.cloth.chosen]
        after = min(options, key=lambda clearance: abs(clearance - held.clearance))
        if key.status == "fit" and not fits(after, held):
            after = key.clearance  # another cloth of the stock serves it
    return replace(key, cut_skew=turned, after=after)


# --- the set -------------------------------------------------------------------------------------


def _plan(plan_id: str, sections: Sequence[SectionAdvice], options: Sequence[str], held: Assumed) -> Plan:
    """One option a section; whatever comes back comes back in one visit."""
    pairs = list(zip(sections, options, strict=True))
    rows = [row for section, option in pairs if (row := section.option(option))]
    risks = [_mixed_risk(option, len(section.keys), section.distribution, held) for section, option in pairs]
    visit = 1 - prod(quiet for quiet, _back in risks)
    back = sum(returning for _quiet, returning in risks)
    work, allowance = sum(row.work for row in rows), sum(row.allowance for row in rows)
    comeback = held.visit_fixed * visit + held.visit_key * back
    loose = sum(row.stays_loose for row in rows)
    total = work + allowance + comeback
    return Plan(plan_id, tuple(options), work, comeback, total, loose, visit, back, allowance)


def _best(sections: Sequence[SectionAdvice], held: Assumed) -> tuple[str, ...]:
    """Of what the reasons leave, the combination that costs the set least; among equals the least invasive.

    As choice.best_plan, over the distributions and without what is barred."""
    ways = [
        [
            (option, row.work + row.allowance, *_mixed_risk(option, len(section.keys), section.distribution, held))
            for option in _different(section.options)
            if (row := section.option(option))
        ]
        for section in sections
    ]
    found = []
    for rows in product(*ways):
        visit = held.visit_fixed * (1 - prod(quiet for _option, _cost, quiet, _back in rows))
        total = visit + sum(cost + held.visit_key * back for _option, cost, _quiet, back in rows)
        found.append((total, tuple(option for option, *_rest in rows)))
    least = min(total for total, _options in found)
    near = [options for total, options in found if total <= least + 1e-9]
    return min(near, key=lambda options: [choice.OPTIONS.index(option) for option in options])


def _plans(sections: Sequence[SectionAdvice], held: Assumed) -> tuple[Plan, ...]:
    """Two or three ways for the whole set, the least work first; one that is the same work as another is left out.

    The cheapest is honest: the least work that nothing forbids; what it leaves loose is said beside it."""
    frugal = [min((row for row in part.options if not row.never), key=lambda row: row.work).option for part in sections]
    ways = {
        "advised": [section.advised for section in sections],
        "all_new": [choice.RENEW_SECTION] * len(sections),
        "cheapest": frugal,
    }
    plans: dict[Any, Plan] = {}
    for name, options in ways.items():
        lines = tuple(row.lines for part, option in zip(sections, options, strict=True) if (row := part.option(option)))
        plans.setdefault(lines, _plan(name, sections, options, held))
    return tuple(sorted(plans.values(), key=lambda plan: plan.work))


# What stripping does not change, so that nobody has to read it twice.
_LASTING = ("balance_pin", "button_length", "button_width", "button_height", "slot_length", "mortise_offset", "skew")


def _rows_of(check: Check, catalogue: Mapping[str, Finding]) -> list[KeyReading]:
    """The keys of a check. A stripped check stands on the arrival check before it: angles, pins and sizes that were not
    read again hold, and so does what was seen on button and stick, unless the later check says otherwise."""
    rows = {row.key: row for row in KeyReading.objects.filter(check_done=check)}
    if check.kind != CheckKind.STRIPPED:
        return list(rows.values())
    arrival = Check.objects.of_kind(CheckKind.ARRIVAL).filter(job=check.job_id, begun_at__lte=check.begun_at).first()
    for before in KeyReading.objects.filter(check_done=arrival) if arrival else ():
        row = rows.setdefault(before.key, KeyReading(key=before.key, grade=before.grade))
        for quantity in _LASTING:
            if getattr(row, quantity) is None:
                setattr(row, quantity, getattr(before, quantity))
        lasting = {
            code: severity
            for code, severity in before.findings.items()
            if code not in catalogue or catalogue[code].group != FindingGroup.CLOTH
        }
        row.findings = {**lasting, **row.findings}
    return list(rows.values())


def failing_keys(job: Job, held: Assumed) -> set[int]:
    """The keys that cloth alone will not serve, as the advice counts them: by their wood, button or mortise."""
    check = basis_for(job)
    if check is None:
        return set()
    catalogue = {row.code: row for row in Finding.objects.all()}
    rows = _rows_of(check, catalogue)
    pins = (_median_pin(rows), held.pin)
    return {row.key for row in rows if _key(row.key, row, catalogue, pins, held).failing}


def advise(job: Job, check: Check | None = None, assumptions: Assumed | None = None) -> Advice:
    """The advice on a set as one check read it (None: the one that advice rests on), with these assumptions.

    A handful of queries, the same for every set.
    """
    held = assumptions or assumptions_for(job)
    check = check or basis_for(job)
    compass = Compass.objects.get(job=job)
    own = Assumptions.objects.filter(job=job).first()
    catalogue = {row.code: row for row in Finding.objects.all()}
    rows = _rows_of(check, catalogue) if check else []
    by_key = {row.key: row for row in rows}
    prices = _price_list(held)
    pins = (_median_pin(rows), held.pin)
    present = compass.present
    keys = [_key(number, by_key.get(number), catalogue, pins, held) for number in present]
    parts, origin = _ranges(compass, own.sections if own else (), keys)
    u_width = _uncertainties(check, rows, held) if check else {}
    inside = [(part, [key for key in keys if part.first <= key.key <= part.last]) for part in parts]
    inside = [(part, here) for part, here in inside if here]
    reckoned = [_section(part, at, here, keys, u_width, prices, held) for at, (part, here) in enumerate(inside)]
    if all(section.options for section, _done in reckoned):
        for at, option in enumerate(_best([section for section, _done in reckoned], held)):
            if option != reckoned[at][0].advised:
                reckoned[at] = _section(inside[at][0], at, inside[at][1], keys, u_width, prices, held, option)
    sections = [section for section, _done in reckoned]
    finished = [key for _section_, done in reckoned for key in done]
    widths = [(key.key, key.width) for key in keys if key.width is not None]
    odd: tuple[int, ...] = ()
    if len(widths) >= _FEWEST_FOR_SPREAD:
        odd = spread.outliers([one for one, _w in widths], [w for _k, w in widths], held.outlier_k, held.outlier_floor)
    impossible = tuple(key.key for key in keys if key.status == "impossible")
    read = sum(1 for key in keys if key.read)
    bound = None
    unknown = {key.key for key in _unknown(keys, any(key.clearance is not None for key in keys))}
    if read and unknown:
        failing = sum(key.failing for key in keys if key.key not in unknown)
        bound = spread.upper_failing(len(keys), len(keys) - len(unknown), failing, held.confidence)
    provisional = check is None or check.kind != CheckKind.STRIPPED or not check.is_closed or bool(unknown)
    reasons = [reason for section in sections for reason in section.reasons]
    pattern = _pattern(keys)
    sticks = sticks_found(rows, catalogue, compass.broken)
    reasons += _of_the_set(check, keys, len(widths), bound, odd, impossible, pins, pattern, held, compass, sticks)
    basis = None
    if check is not None:
        by = check.begun_by.short_name
        basis = Basis(check.pk, check.kind, check.closed_at or check.begun_at, by, check.is_closed)
    return Advice(
        basis=basis,
        keys=tuple(finished),
        sections=tuple(sections),
        sections_from=origin,
        plans=_plans(sections, held) if all(section.options for section in sections) else (),
        reasons=tuple(reasons),
        skew=pattern,
        outliers=odd,
        impossible=impossible,
        total=len(keys),
        read=read,
        measured=len(widths),
        bound=bound,
        random=bool(check and check.sample_random),
        provisional=provisional,
        missing_prices=prices.missing,
        assumed=held,
    )


def _of_the_set(
    check: Check | None,
    keys: Sequence[KeyAdvice],
    measured: int,
    bound: int | None,
    odd: Sequence[int],
    impossible: Sequence[int],
    pins: tuple[float | None, float],
    pattern: skew.SkewPattern | None,
    held: Assumed,
    compass: Compass,
    sticks: Mapping[str, Sequence[int]],
) -> list[Reason]:
    out: list[Reason] = []
    if check is None:
        return out
    if compass.missing:
        out.append(Reason("not_here", None, {}, tuple(compass.missing)))
    if sticks:
        out.append(Reason("sticks", None, {"what": sticks}))
    if impossible:
        out.append(Reason("impossible", None, {}, tuple(impossible)))
    explained = {key.key for key in keys if key.why}
    if unexplained := tuple(key for key in odd if key not in explained):
        out.append(Reason("look_again", None, {}, unexplained))
    if pattern is not None and pattern.outliers:
        out.append(Reason("angle_again", None, {}, pattern.outliers))
    if measured < len(keys):
        out.append(
            Reason(
                "unmeasured",
                None,
                {"measured": measured, "of": len(keys), "bound": bound, "random": check.sample_random,
                 "confidence": held.confidence},
            )
        )  # fmt: skip
    if check.kind != CheckKind.STRIPPED:
        out.append(Reason("before_stripping"))
    if pins[0] is None:
        out.append(Reason("nominal_pin", None, {"pin": held.pin}))
    if held.gaps:
        out.append(Reason("gaps", None, {"gaps": held.gaps, "step": held.largest_step}))
    return out


def sticks_found(
    rows: Sequence[KeyReading], catalogue: Mapping[str, Finding], broken: Sequence[int]
) -> dict[str, list[int]]:
    """What was found clear or bad on sticks -> its keys; those that came in broken and bear no such finding too."""
    found: dict[str, list[int]] = {}
    told = set()
    for row in sorted(rows, key=lambda row: row.key):
        for code, severity in row.findings.items():
            known = catalogue.get(code)  # an earlier splice has no grade: it tells, and asks for nothing
            if known is not None and known.group == FindingGroup.STICK and known.grade and severity >= 2:
                found.setdefault(known.title, []).append(row.key)
                told.add(row.key)
    if rest := sorted(set(broken) - told):
        found[_("Came in broken")] = rest
    return found


def named_findings(found: Mapping[str, Sequence[int]]) -> str:
    """ "stick broken (44), lead loose (3, 9–11)"."""
    return ", ".join(f"{title[:1].lower()}{title[1:]} ({format_keys(keys)})" for title, keys in found.items())


# --- in words ------------------------------------------------------------------------------------


def _length(value: float, unit: str) -> str:
    return f"{show(round(value * 1000), unit, 3 if unit == 'in' else 2)} {unit}"


def sentence(reason: Reason, unit: str = "mm") -> str:
    """A reason as a sentence with its numbers, lengths in the person's unit."""
    numbers = reason.numbers
    names = format_keys(reason.keys)
    count = len(reason.keys)

    def mm(name: str) -> str:
        return _length(numbers[name], unit)

    match reason.id:
        case "cracked":
            text = ngettext(
                "The button of key %(keys)s is cracked, split or wrong: it must be renewed.",
                "The buttons of keys %(keys)s are cracked, split or wrong: they must be renewed.",
                count,
            )
            return text % {"keys": names}
        case "loose":
            text = ngettext(
                "The button of key %(keys)s is loose: glue it again or renew it, never cloth alone.",
                "The buttons of keys %(keys)s are loose: glue them again or renew them, never cloth alone.",
                count,
            )
            return text % {"keys": names}
        case "cover":
            return _(
                "Keys %(keys)s: the button covers the slot's end by only %(cover)s, under %(least)s: renew longer."
            ) % {
                "keys": names,
                "cover": mm("cover"),
                "least": mm("least"),
            }
        case "oversize":
            text = ngettext(
                "%(count)d of %(of)d mortises is wider than the thickest stocked cloth can fill"
                " (limit %(widest)s ± %(u)s): key %(keys)s. Repair or renew.",
                "%(count)d of %(of)d mortises are wider than the thickest stocked cloth can fill"
                " (limit %(widest)s ± %(u)s): keys %(keys)s. Repair or renew.",
                count,
            )
            return text % {"count": count, "of": numbers["of"], "widest": mm("widest"), "u": mm("u"), "keys": names}
        case "wood":
            text = ngettext(
                "The wood of %(count)d of %(of)d keys is damaged: %(keys)s.",
                "The wood of %(count)d of %(of)d keys is damaged: %(keys)s.",
                count,
            )
            return text % {"count": count, "of": numbers["of"], "keys": names}
        case "repaired_before":
            return _("Keys %(keys)s were repaired before and fail again: renew.") % {"keys": names}
        case "one_cloth":
            return _("One cloth of %(cloth)s fits %(fits)d of %(of)d mortises.") % {
                "cloth": mm("cloth"),
                "fits": numbers["fits"],
                "of": numbers["of"],
            }
        case "two_cloths":
            return _("Two cloths, %(cloths)s, fit %(fits)d of %(of)d.") % {
                "cloths": _(" and ").join(_length(cloth, unit) for cloth in numbers["cloths"]),
                "fits": numbers["fits"],
                "of": numbers["of"],
            }
        case "own_cloth":
            text = ngettext(
                "Key %(keys)s wants another cloth of the stock: %(cloths)s.",
                "Keys %(keys)s want another cloth of the stock: %(cloths)s.",
                count,
            )
            return text % {"keys": names, "cloths": _(" and ").join(_length(one, unit) for one in numbers["cloths"])}
        case "spread":
            return _("Mortise widths scatter by %(sd)s (robust standard deviation), from %(low)s to %(high)s.") % {
                "sd": _length(numbers["sd"], unit),
                "low": mm("low"),
                "high": mm("high"),
            }
        case "undersize":
            return _("Keys %(keys)s are tight even with the thinnest cloth: check the pin first.") % {"keys": names}
        case "stock_gap":
            return _("Keys %(keys)s fall between two stocked cloths.") % {"keys": names}
        case "fan":
            return _(
                "The mortises fan out from %(first).1f° to %(last).1f°. New buttons would be cut in %(groups)d groups."
            ) % {
                "first": round(numbers["first"], 1) + 0.0,
                "last": round(numbers["last"], 1) + 0.0,
                "groups": numbers["groups"],
            }
        case "skew_copy":
            return _(
                "A new button must copy the angle: %(angle).1f° left out would cost %(cost)s of %(clearance)s of play."
            ) % {
                "angle": numbers["angle"],
                "cost": _length(numbers["cost"], unit),
                "clearance": mm("clearance"),
            }
        case "marginal":
            text = ngettext(
                "One reading cannot tell whether key %(keys)s will fit: read it again.",
                "One reading each cannot tell whether %(count)d keys will fit (%(keys)s): read them again.",
                count,
            )
            return text % {"keys": names, "count": count}
        case "not_here":
            text = ngettext(
                "Key %(keys)s did not come: it is in none of these costs.",
                "Keys %(keys)s did not come: they are in none of these costs.",
                count,
            )
            return text % {"keys": names}
        case "sticks":
            return _("In none of these costs, a line of its own in the estimate: %(what)s.") % {
                "what": named_findings(numbers["what"])
            }
        case "impossible":
            text = ngettext(
                "Key %(keys)s: the pin does not enter the mortise as read. Read it again.",
                "Keys %(keys)s: the pin does not enter the mortise as read. Read them again.",
                count,
            )
            return text % {"keys": names}
        case "angle_again":
            text = ngettext(
                "The angle of key %(keys)s departs from its neighbours and is left out: measure it again.",
                "The angles of keys %(keys)s depart from their neighbours and are left out: measure them again.",
                count,
            )
            return text % {"keys": names}
        case "look_again":
            text = ngettext(
                "Key %(keys)s departs from its neighbours: look again.",
                "Keys %(keys)s depart from their neighbours: look again.",
                count,
            )
            return text % {"keys": names}
        case "unmeasured":
            text = _("%(measured)d of %(of)d mortises are measured, so the advice is provisional.")
            if numbers["bound"] is not None:
                text += " " + _("With %(percent)d %% confidence at most %(bound)d keys of the set fail.")
                if not numbers["random"]:
                    text += " " + _("This bound assumes a random pick.")
            return text % {
                "measured": numbers["measured"],
                "of": numbers["of"],
                "bound": numbers["bound"],
                "percent": round(numbers["confidence"] * 100),
            }
        case "before_stripping":
            return _("The readings were taken before stripping: damage of the wood shows only when the cloth is out.")
        case "nominal_pin":
            return _("No pin was measured; %(pin)s is assumed.") % {"pin": mm("pin")}
        case "gaps":
            return _("Steps between stocked cloths leave gaps: a step of at most %(step)s leaves none.") % {
                "step": _length(numbers["step"], unit)
            }
    raise ValueError(reason.id)

"""Fit of cloth and pin: which cloth a mortise needs, how well it then fits, and how sure that is.

Lengths in mm, angles in degrees, compression as a fraction of the cloth's thickness. A bushed mortise
of bare width m holds two layers of cloth of thickness t, each pressed down by the fraction c, and the
pin p between them:

    fitted clearance  g = m - p - 2(1-c) t
    misfit            e = g - s        s the wanted total side clearance; e > 0 loose, e < 0 tight
    required cloth    t = (m - p - s) / (2(1-c))

Uncertainties are standard uncertainties, propagated to first order (JCGM 100:2008, 5.1.2). Both layers
are cut from one strip, so their errors are the same error and count twice (factor 2, not the root of
2). Chances that a key conforms follow JCGM 106:2012, clause 7.

The starting values below are estimates for a workshop to edit, not published figures. With them the
uncertainty of a misfit is about half of the window from LOWER to UPPER: one caliper reading cannot
prove one key good.

MeasurementError is raised for a pin that does not enter (m <= p), c outside 0 to 0.6, cloth that is not
thicker than 0, limits in the wrong order and a negative clearance or uncertainty.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from statistics import fmean, variance
from typing import Literal

from keyboards.core.checked import number, numbers, whole
from keyboards.core.errors import Length, MeasurementError

# Starting values, every one an estimate until a workshop calibrates it.
COMPRESSION = 0.15
CLEARANCE = 0.05
LOWER = -0.05
UPPER = 0.10
U_MORTISE = 0.03  # a caliper in torn wood
U_PIN = 0.012
U_CLOTH = 0.01  # from a folded stack of eight or more layers
U_CLOTH_ONE_LAYER = 0.03
U_COMPRESSION = 0.01  # once calibrated on trial keys
U_COMPRESSION_UNCALIBRATED = 0.03

GUARD = 1.645  # one-sided 95 %
MOST_COMPRESSION = 0.6
MOST_SKEW = 15.0

_SLACK = 1e-9  # mm: a misfit that is on the limit on paper is in tolerance, whatever the last bit says
_SETS_AT_MOST = 20_000
_ROOT_2 = math.sqrt(2)
_NODES = 81
_REACH = 6.0
_LEAST_PRIOR_VARIANCE = 1e-6
_NEGLIGIBLE = 1e-25

FitStatus = Literal["fit", "oversize", "undersize", "stock gap"]
ConformanceStatus = Literal["pass", "marginal pass", "marginal fail", "fail"]


@dataclass(frozen=True, slots=True)
class KeyFit:
    """The best cloth in stock for one mortise: its thickness and the misfit it leaves, both in mm.

    `status` is fit, or why none is in tolerance: oversize (the thickest is still loose), undersize (the
    thinnest is still tight), stock gap (the mortise falls between two cloths).
    """

    status: FitStatus
    cloth: float
    misfit: float


@dataclass(frozen=True, slots=True)
class ClothChoice:
    """The best set of cloths for a set of mortises.

    `cloths` thinnest first; `fitted` the count of mortises in tolerance with them; `assignments` the
    cloth for each mortise in the order given; `unfit` the statuses that occur among mortises which no
    cloth in the whole stock fits, each with the positions (1-based) of those mortises.
    """

    cloths: tuple[float, ...]
    fitted: int
    assignments: tuple[float, ...]
    unfit: Mapping[FitStatus, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class SetPosterior:
    """Misfits of a set with the set itself as prior: the misfits drawn to its mean and their u, in mm."""

    misfits: tuple[float, ...]
    u: float
    prior_mean: float
    prior_sd: float


def required_cloth(mortise: float, pin: float, clearance: float, compression: float) -> float:
    """The thickness of cloth in mm that leaves exactly the wanted clearance.

    Zero or less when the gap is no wider than the clearance: then no cloth is thin enough.
    """
    mortise, pin = _mortise_and_pin(mortise, pin)
    return (mortise - pin - _clearance(clearance)) / (2 * (1 - _compression(compression)))


def required_cloth_uncertainty(
    mortise: float,
    pin: float,
    clearance: float,
    compression: float,
    u_mortise: float,
    u_pin: float,
    u_clearance: float,
    u_compression: float,
) -> float:
    """The standard uncertainty of the required thickness, in mm (u_compression is a fraction)."""
    cloth = required_cloth(mortise, pin, clearance, compression)
    layers = 2 * (1 - compression)
    u_gap = math.hypot(_u("u_mortise", u_mortise), _u("u_pin", u_pin), _u("u_clearance", u_clearance))
    return math.hypot(u_gap / layers, cloth / (1 - compression) * _u("u_compression", u_compression))


def fitted_clearance(mortise: float, pin: float, cloth: float, compression: float) -> float:
    """The total side clearance in mm once two layers are in; negative when the key binds."""
    mortise, pin = _mortise_and_pin(mortise, pin)
    return mortise - pin - 2 * (1 - _compression(compression)) * _cloth("cloth", cloth)


def misfit(mortise: float, pin: float, cloth: float, compression: float, clearance: float) -> float:
    """The fitted clearance less the wanted one, in mm: positive is loose, negative is tight."""
    return fitted_clearance(mortise, pin, cloth, compression) - _clearance(clearance)


def misfit_uncertainty(
    cloth: float,
    compression: float,
    u_mortise: float,
    u_pin: float,
    u_cloth: float,
    u_compression: float,
) -> float:
    """The standard uncertainty of a misfit, in mm (u_compression is a fraction)."""
    return math.hypot(*uncertainty_parts(cloth, compression, u_mortise, u_pin, u_cloth, u_compression))


def uncertainty_parts(
    cloth: float,
    compression: float,
    u_mortise: float,
    u_pin: float,
    u_cloth: float,
    u_compression: float,
) -> tuple[float, float]:
    """The uncertainty of a misfit in two parts, mm: (independent from key to key, common to the whole set).

    Mortise and pin are read at every key. The cloth's thickness and its compression are one value for
    the set, so their errors move every key the same way.
    """
    cloth = _cloth("cloth", cloth)
    compression = _compression(compression)
    independent = math.hypot(_u("u_mortise", u_mortise), _u("u_pin", u_pin))
    common = math.hypot(2 * (1 - compression) * _u("u_cloth", u_cloth), 2 * cloth * _u("u_compression", u_compression))
    return independent, common


def conformance_probability(misfit: float, u: float, lower: float, upper: float) -> float:
    """The chance that the true misfit lies within the limits (JCGM 106:2012, clause 7, no prior).

    With u = 0 it is 1 or 0, and the limits themselves conform.
    """
    lower, upper = _limits(lower, upper)
    return _inside(number("misfit", misfit), _u("u", u), lower, upper)


def conformance_with_prior(
    misfit: float, u: float, prior_mean: float, prior_sd: float, lower: float, upper: float
) -> float:
    """The chance of conforming when misfits are known to be spread as N(prior_mean, prior_sd) beforehand.

    JCGM 106:2012, clause 7 and annex A: the reading y is drawn to the prior mean y0, y' = w y + (1-w) y0 with
    w = u0^2/(u0^2 + u^2), and its uncertainty narrows to sqrt(w) u.
    MeasurementError when u and prior_sd are both 0.
    """
    lower, upper = _limits(lower, upper)
    drawn, narrowed = _posterior(
        number("misfit", misfit),
        _u("u", u),
        number("prior_mean", prior_mean),
        _u("prior_sd", prior_sd),
    )
    return _inside(drawn, narrowed, lower, upper)


def set_posterior(misfits: Sequence[float], u: float) -> SetPosterior:
    """The misfits of a set with the set as its own prior: mean(e) and variance max(var(e) - u^2, 1e-6).

    For every sum over a set (how many keys fail): the scatter of the readings already contains the
    reading error u, and counting it a second time would find too many failing keys. Hand `.misfits` and
    `.u` to failing_count_distribution and flip_probability. u in mm, the part that is independent from
    key to key; var is the sample variance, 0 for a single key.
    """
    values = numbers("misfits", misfits)
    u = _u("u", u)
    mean = fmean(values)
    scatter = variance(values) if len(values) > 1 else 0.0
    prior_sd = math.sqrt(max(scatter - u * u, _LEAST_PRIOR_VARIANCE))
    drawn = tuple(_posterior(value, u, mean, prior_sd)[0] for value in values)
    return SetPosterior(drawn, _posterior(mean, u, mean, prior_sd)[1], mean, prior_sd)


def conformance_status(misfit: float, u: float, lower: float, upper: float, guard: float = GUARD) -> ConformanceStatus:
    """Where a misfit stands against limits with a guard band of guard * u (JCGM 106:2012, clause 8).

    pass and fail are proved, marginal pass is within the limits and marginal fail outside them, either
    by less than the guard band. Where the band is wider than half the window, no reading can be a pass.
    """
    lower, upper = _limits(lower, upper)
    value = number("misfit", misfit)
    band = number("guard", guard, minimum=0) * _u("u", u)
    if _within(value, lower, upper):
        return "pass" if _within(value, lower + band, upper - band) else "marginal pass"
    return "marginal fail" if _within(value, lower - band, upper + band) else "fail"


def classify_key(
    mortise: float,
    pin: float,
    compression: float,
    clearance: float,
    stock: Sequence[float],
    lower: float,
    upper: float,
) -> KeyFit:
    """The cloth in stock that suits a mortise best: in tolerance before not, then the least |misfit|.

    Of two that miss by the same, the thicker.
    """
    mortise, pin = _mortise_and_pin(mortise, pin)
    compression, clearance = _compression(compression), _clearance(clearance)
    lower, upper = _limits(lower, upper)
    cloths = _stock(stock)
    misfits = [_misfit(mortise, pin, cloth, compression, clearance) for cloth in cloths]
    return _best(cloths, misfits, lower, upper)


def choose_cloths(
    mortises: Sequence[float],
    pin: float,
    compression: float,
    clearance: float,
    stock: Sequence[float],
    lower: float,
    upper: float,
    count: int = 1,
) -> ClothChoice:
    """The set of `count` cloths out of the stock that serves a set of mortises best.

    All sets are tried: most mortises in tolerance, then the least sum of squared misfits, then the
    thicker set (its thickest cloth first). Each mortise takes the cloth of the set that classify_key
    would take. MeasurementError when the stock holds fewer than `count` thicknesses, or so many that
    the sets exceed 20 000.
    """
    pin = number("pin", pin, above=0)
    widths = [
        _mortise_and_pin(width, pin, f"mortises[{position}]")[0]
        for position, width in enumerate(numbers("mortises", mortises))
    ]
    compression, clearance = _compression(compression), _clearance(clearance)
    lower, upper = _limits(lower, upper)
    cloths = _stock(stock)
    count = whole("count", count, 1, len(cloths))
    if math.comb(len(cloths), count) > _SETS_AT_MOST:
        raise MeasurementError(
            "count: {count} of {cloths} cloths make too many sets to try", count=count, cloths=len(cloths)
        )

    # Every mortise ranks the cloths once; in any set it takes the one it ranks first. A column is one cloth.
    misfits = [[_misfit(width, pin, cloth, compression, clearance) for cloth in cloths] for width in widths]
    order = [sorted(range(len(cloths)), key=lambda j: _rank(cloths[j], row[j], lower, upper)) for row in misfits]
    ranks = [[0] * len(cloths) for _ in widths]
    for row, preferred in zip(ranks, order, strict=True):
        for rank, j in enumerate(preferred):
            row[j] = rank
    columns = list(zip(*ranks, strict=True))
    inside = [[_within(row[j], lower, upper) for j in preferred] for row, preferred in zip(misfits, order, strict=True)]
    squares = [[row[j] ** 2 for j in preferred] for row, preferred in zip(misfits, order, strict=True)]

    def worth(members: tuple[int, ...]) -> tuple[int, float, tuple[float, ...]]:
        taken: Sequence[int] = (
            columns[members[0]] if count == 1 else [min(r) for r in zip(*(columns[j] for j in members), strict=True)]
        )
        fitted = sum(row[rank] for row, rank in zip(inside, taken, strict=True))
        total = math.fsum(row[rank] for row, rank in zip(squares, taken, strict=True))
        return fitted, -round(total, 9), tuple(cloths[j] for j in reversed(members))

    members = max(combinations(range(len(cloths)), count), key=worth)
    chosen = set(members)
    unfit: dict[FitStatus, list[int]] = {}
    for position, misses in enumerate(misfits, start=1):
        status = _best(cloths, misses, lower, upper).status
        if status != "fit":
            unfit.setdefault(status, []).append(position)
    return ClothChoice(
        cloths=tuple(cloths[j] for j in members),
        fitted=worth(members)[0],
        assignments=tuple(cloths[next(j for j in preferred if j in chosen)] for preferred in order),
        unfit={status: tuple(positions) for status, positions in unfit.items()},
    )


def largest_stock_step(lower: float, upper: float, compression: float) -> float:
    """The largest step in mm between neighbouring cloths that leaves no mortise between two of them."""
    lower, upper = _limits(lower, upper)
    return (upper - lower) / (2 * (1 - _compression(compression)))


def stock_gaps(
    stock: Sequence[float], lower: float, upper: float, compression: float
) -> tuple[tuple[float, float], ...]:
    """The neighbouring thicknesses in stock between which a mortise can fall that neither fits."""
    largest = largest_stock_step(lower, upper, compression)
    cloths = _stock(stock)
    return tuple((thin, thick) for thin, thick in pairwise(cloths) if thick - thin > largest + _SLACK)


def calibrate_compression(mortise: float, pin: float, cloth: float, play: float) -> float:
    """The compression that one trial key shows: its mortise, pin and cloth, and the side clearance measured.

    MeasurementError when the four readings cannot be right together (compression outside 0 to 0.6).
    """
    mortise, pin = _mortise_and_pin(mortise, pin)
    cloth = _cloth("cloth", cloth)
    found = 1 - (mortise - pin - number("play", play, minimum=0)) / (2 * cloth)
    if not -_SLACK <= found <= MOST_COMPRESSION + _SLACK:
        raise MeasurementError(
            "play and cloth do not belong together: the compression would be {found:.3g}, outside 0 to 0.6", found=found
        )
    return found


def pin_travel(height: float, dip: float, front_arm: float) -> float:
    """How far in mm a point `height` above the balance point moves along the key in one stroke."""
    return number("height", height, minimum=0) * number("dip", dip, minimum=0) / number("front_arm", front_arm, above=0)


def effective_clearance(gap: float, pin: float, skew: float, travel: float) -> float:
    """The clearance left to a pin when the mortise stands at an angle to the key's movement; negative binds.

    `gap` is the width between the cloths, m - 2(1-c)t; `skew` the angle in degrees by which the mortise
    departs from the movement, up to 15; `travel` the movement in mm.
    """
    angle = math.radians(abs(number("skew", skew, minimum=-MOST_SKEW, maximum=MOST_SKEW)))
    free = number("gap", gap) - number("pin", pin, above=0)
    return (free - number("travel", travel, minimum=0) * math.sin(angle)) / math.cos(angle)


def oval_pin_width(minor: float, major: float, turn: float, shape: Literal["stadium", "ellipse"] = "stadium") -> float:
    """The width in mm that an oval pin fills, turned by `turn` degrees (-90 to 90) from where it is narrow.

    A stadium is a rectangle with round ends; both shapes are as wide as `minor` at 0 and as `major` at 90.
    """
    minor = number("minor", minor, above=0)
    major = number("major", major, above=0)
    if major < minor:
        raise MeasurementError("major must not be smaller than minor")
    angle = math.radians(abs(number("turn", turn, minimum=-90, maximum=90)))
    if shape == "stadium":
        return minor + (major - minor) * math.sin(angle)
    if shape == "ellipse":
        return math.hypot(minor * math.cos(angle), major * math.sin(angle))
    raise MeasurementError("shape must be stadium or ellipse")


def failing_count_distribution(
    misfits: Sequence[float], u_independent: float, u_common: float, lower: float, upper: float
) -> tuple[float, ...]:
    """The chances that exactly 0, 1, ... n of n keys are out of tolerance.

    Each key errs by its own N(0, u_independent), and all by the same N(0, u_common): a Poisson-binomial
    distribution for each size of the common error, averaged over it by the trapezoid rule (81 nodes
    from -6 to 6 standard uncertainties). The misfits are taken as they stand; for a set of readings
    hand over those of set_posterior. A u_independent far below a tenth of u_common makes steps that 81
    nodes resolve only roughly.
    """
    values = numbers("misfits", misfits)
    u_independent, u_common = _u("u_independent", u_independent), _u("u_common", u_common)
    lower, upper = _limits(lower, upper)
    if u_common == 0:
        return tuple(_count_distribution([_outside(value, u_independent, lower, upper) for value in values]))
    total = [0.0] * (len(values) + 1)
    weight_sum = 0.0
    for node in range(_NODES):
        z = _REACH * (2 * node / (_NODES - 1) - 1)
        weight = math.exp(-z * z / 2) * (0.5 if node in (0, _NODES - 1) else 1.0)
        shift = z * u_common
        chances = [_outside(value + shift, u_independent, lower, upper) for value in values]
        total = [sofar + weight * chance for sofar, chance in zip(total, _count_distribution(chances), strict=True)]
        weight_sum += weight
    return tuple(chance / weight_sum for chance in total)


def flip_probability(
    misfits: Sequence[float],
    u_independent: float,
    u_common: float,
    lower: float,
    upper: float,
    most_failing: int,
) -> float:
    """The chance that the decision "at most `most_failing` keys fail", taken on the misfits, is wrong."""
    chances = failing_count_distribution(misfits, u_independent, u_common, lower, upper)
    failing = sum(not _within(value, lower, upper) for value in misfits)
    return flip_from_distribution(chances, failing, most_failing)


def flip_from_distribution(distribution: Sequence[float], failing: int, most_failing: int) -> float:
    """flip_probability from a distribution at hand; `failing` is the count the decision was taken on."""
    chances = numbers("distribution", distribution, minimum=0)
    failing = whole("failing", failing, 0, len(chances) - 1)
    kept = whole("most_failing", most_failing, 0) + 1
    return math.fsum(chances[kept:] if failing < kept else chances[:kept])


def _mortise_and_pin(mortise: float, pin: float, name: str = "mortise") -> tuple[float, float]:
    mortise = number(name, mortise, above=0)
    pin = number("pin", pin, above=0)
    if mortise <= pin:
        raise MeasurementError(
            "{name}: the pin does not enter ({mortise} for a pin of {pin})",
            name=name,
            mortise=Length(mortise),
            pin=Length(pin),
        )
    return mortise, pin


def _compression(compression: float) -> float:
    return number("compression", compression, minimum=0, maximum=MOST_COMPRESSION)


def _clearance(clearance: float) -> float:
    return number("clearance", clearance, minimum=0)


def _cloth(name: str, cloth: float) -> float:
    return number(name, cloth, above=0)


def _u(name: str, u: float) -> float:
    return number(name, u, minimum=0)


def _limits(lower: float, upper: float) -> tuple[float, float]:
    lower = number("lower", lower)
    upper = number("upper", upper)
    if lower >= upper:
        raise MeasurementError(
            "lower must be below upper, not {lower} to {upper}", lower=Length(lower), upper=Length(upper)
        )
    return lower, upper


def _stock(stock: Iterable[float]) -> list[float]:
    """The thicknesses in stock, thinnest first, each once."""
    return sorted(set(numbers("stock", stock, above=0)))


def _misfit(mortise: float, pin: float, cloth: float, compression: float, clearance: float) -> float:
    return mortise - pin - 2 * (1 - compression) * cloth - clearance


def _within(value: float, lower: float, upper: float) -> bool:
    return lower - _SLACK <= value <= upper + _SLACK


def _rank(cloth: float, miss: float, lower: float, upper: float) -> tuple[bool, float, float]:
    """Sorts the better cloth first; misfits alike to a millionth of a millimetre are a tie."""
    return not _within(miss, lower, upper), round(abs(miss), 9), -cloth


def _best(cloths: Sequence[float], misfits: Sequence[float], lower: float, upper: float) -> KeyFit:
    """`cloths` thinnest first, with the misfit each one leaves."""
    _, miss, cloth = min(
        (_rank(cloth, miss, lower, upper), miss, cloth) for cloth, miss in zip(cloths, misfits, strict=True)
    )
    status: FitStatus = "stock gap"
    if _within(miss, lower, upper):
        status = "fit"
    elif misfits[-1] > upper:
        status = "oversize"
    elif misfits[0] < lower:
        status = "undersize"
    return KeyFit(status, cloth, miss)


def _posterior(value: float, u: float, prior_mean: float, prior_sd: float) -> tuple[float, float]:
    spread = prior_sd * prior_sd + u * u
    if spread == 0:
        raise MeasurementError("u and prior_sd must not both be 0")
    weight = prior_sd * prior_sd / spread
    return weight * value + (1 - weight) * prior_mean, math.sqrt(weight) * u


def _inside(value: float, u: float, lower: float, upper: float) -> float:
    """The part of N(value, u) between the limits, from the nearer tail so that small chances stay exact."""
    if u == 0:
        return float(_within(value, lower, upper))
    below, over = (lower - value) / (u * _ROOT_2), (upper - value) / (u * _ROOT_2)
    if below > 0:
        return (math.erfc(below) - math.erfc(over)) / 2
    return (math.erfc(-over) - math.erfc(-below)) / 2


def _outside(value: float, u: float, lower: float, upper: float) -> float:
    if u == 0:
        return float(not _within(value, lower, upper))
    scale = u * _ROOT_2
    return (math.erfc((value - lower) / scale) + math.erfc((upper - value) / scale)) / 2


def _count_distribution(chances: Sequence[float]) -> list[float]:
    """Poisson-binomial: the chances of 0, 1, ... n events that come independently with the given chances.

    Counts less likely than 1e-25 are dropped from the ends on the way, far below the last digit of a result:
    with most keys clearly good or clearly bad that halves the work.
    """
    counts = [1.0]
    first = 0  # the count that counts[0] stands for
    for chance in sorted(chances, key=lambda chance: abs(chance - 0.5), reverse=True):
        rest = 1 - chance
        counts = [stays * rest + comes * chance for stays, comes in zip([*counts, 0.0], [0.0, *counts], strict=True)]
        while counts[-1] < _NEGLIGIBLE:
            counts.pop()
        if counts[0] < _NEGLIGIBLE:
            start = next(index for index, count in enumerate(counts) if count >= _NEGLIGIBLE)
            del counts[:start]
            first += start
    return [0.0] * first + counts + [0.0] * (len(chances) + 1 - first - len(counts))

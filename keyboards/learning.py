"""What all sets together teach: what was found by age and kind, what was overruled, what the work did, what came back.

Counted by the database, most of it by an index alone, so that a thousand sets take as many queries as ten. For the
owner: it names people.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Aggregate, Count, F, Model, QuerySet, Sum
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards import advising
from keyboards.comparing import WORK
from keyboards.core import comebacks
from keyboards.drawing.bars import Bar, bars, histogram
from keyboards.drawing.plots import Band
from keyboards.models import Check, CheckKind, Comeback, Decision
from keyboards.models.checks import GRADED
from shop.models import STAGE_TITLES, InstrumentKind, Job, Line, LineKind, Lot, Person, Stage, Unit, Use

MOST_LOTS = 20  # that a page shows
FEWEST = 5  # sets under which a figure by age and kind says nothing
_AGE = 25  # years in a class
_REASONS = 5  # that are told of what was overruled: the newest
# The assumption -> the stage whose keys it is learned from.
LEARNED = {"p_ok": "cloth", "p_repaired": "repairs", "p_new": "buttons"}


@dataclass(frozen=True)
class Came:
    """How often one kind of work, one lot or one person's work came back: sets, and keys of them."""

    title: str
    rate: comebacks.Rate
    keys: int

    @property
    def percent(self) -> str:
        return f"{100 * self.rate.share:.1f} %"

    @property
    def interval(self) -> str:
        return _("%(low)s to %(high)s %%") % {
            "low": f"{100 * self.rate.low:.1f}",
            "high": f"{100 * self.rate.high:.1f}",
        }


@dataclass(frozen=True)
class Chance:
    """A chance of the advice: what is assumed, what the shop's own keys make of it."""

    name: str
    title: str
    assumed: float
    hits: int
    keys: int

    @property
    def proposed(self) -> float:
        return round(comebacks.learned(self.assumed, self.hits, self.keys), 4)

    @property
    def differs(self) -> bool:
        return self.keys > 0 and abs(self.proposed - self.assumed) >= 0.001


@dataclass(frozen=True)
class FoundIn:
    """What arrival checks found in pianos of one kind and age: sets, and the share of keys of each grade in %."""

    title: str
    sets: int
    keys: int
    shares: tuple[float, float, float, float]


@dataclass(frozen=True)
class Overruled:
    """How often the advice for a section was not followed: what it said and what was done instead, with the reasons."""

    advised: str
    chosen: str
    times: int
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class CameBack:
    """Rates of sets that have gone home. by_lot: those that came back most surely first, so many that a page holds."""

    by_work: list[Came]
    by_lot: list[Came]
    lots_left_out: int
    by_person: list[Came]


def _gone(rows: QuerySet[Any], by: str, count: Aggregate, *, job: str = "job") -> Counter[Any]:
    """How many by a column, of sets that have gone home: of all sets, by an index alone, less the few still here."""
    here = rows.filter(**{f"{job}__in": Job.objects.filter(left_at__isnull=True).order_by().values("pk")})
    whole, rest = (dict(some.order_by().values_list(by).annotate(count=count)) for some in (rows, here))
    return Counter(whole) - Counter(rest)


def came_back() -> CameBack:
    """Rates by work, by lot, by person."""
    # What gave way by a kind of work, with the set's lot and the person who finished that stage.
    hits_work: dict[str, set[int]] = defaultdict(set)
    hits_lot: dict[int, set[int]] = defaultdict(set)
    keys_work: Counter[str] = Counter()
    keys_lot: Counter[int] = Counter()
    blamed: Counter[tuple[str, int]] = Counter()
    for job, stage, lot, keys in Comeback.objects.order_by().values_list("job", "stage", "lot", "keys"):
        if stage:
            hits_work[stage].add(job)
            keys_work[stage] += len(keys)
            blamed[stage, job] += len(keys)
        if lot:
            hits_lot[lot].add(job)
            keys_lot[lot] += len(keys)
    done = Stage.objects.filter(state="done", kind__in=WORK, finished_at__isnull=False)
    sets = Count("job", distinct=True)
    by_work = [
        Came(str(STAGE_TITLES[kind]), comebacks.rate(min(len(hits_work[kind]), n), n), keys_work[kind])
        for kind, n in _gone(done, "kind", sets).most_common()
    ]
    lots = _gone(Use.objects.all(), "lot", sets)
    rates = {lot: comebacks.rate(min(len(hits_lot[lot]), n), n) for lot, n in lots.items() if lot in hits_lot}
    surest = sorted(lots, key=lambda lot: (-rates[lot].low if lot in rates else 0, -lots[lot], lot))[:MOST_LOTS]
    titles = {pk: f"{title}, {code}" for pk, title, code in _named(Lot, surest, "material__title", "code")}
    by_lot = [Came(titles[lot], rates.get(lot) or comebacks.rate(0, lots[lot]), keys_lot[lot]) for lot in surest]
    whose = done.filter(job__left_at__isnull=False, job__in={job for _kind, job in blamed})
    finisher = {(kind, job): person for kind, job, person in whose.values_list("kind", "job", "finished_by")}
    hits_person = Counter(finisher[pair] for pair in blamed if pair in finisher)
    keys_person: Counter[int | None] = Counter()
    for pair, keys in blamed.items():
        keys_person[finisher.get(pair)] += keys
    people = _gone(done, "finished_by", Count("pk"))
    names = {pk: f"{first} {last}".strip() for pk, first, last in _named(Person, people, "first_name", "last_name")}
    by_person = [
        Came(names.get(person) or "–", comebacks.rate(min(hits_person[person], n), n), keys_person[person])
        for person, n in people.most_common()
    ]
    return CameBack(by_work, by_lot, len(lots) - len(by_lot), by_person)


def _named(model: type[Model], keys: Iterable[int | None], *columns: str) -> Iterable[tuple[Any, ...]]:
    return model._default_manager.filter(pk__in=[key for key in keys if key]).values_list("pk", *columns)


def chances() -> list[Chance]:
    """The comeback chances of the advice beside what the shop's own finished keys say. One chance a kind of work:
    keys that were given it, and keys of them that came back because of it."""
    agreed = Line.objects.agreed().filter(unit=Unit.KEY, kind=LineKind.WORK, stage__in=LEARNED.values())
    worked = _gone(agreed, "stage", Sum("quantity"), job="estimate__job")
    back: Counter[str] = Counter()
    for stage, keys in Comeback.objects.filter(stage__in=LEARNED.values()).order_by().values_list("stage", "keys"):
        back[stage] += len(keys)
    assumed = advising.assumptions_of(None).assumed
    titles = {
        "p_ok": _("a sound key with new cloth"),
        "p_repaired": _("a repaired mortise"),
        "p_new": _("a new button"),
    }
    out = []
    for name, stage in LEARNED.items():
        keys = int(worked[stage])
        out.append(Chance(name, titles[name], getattr(assumed, name), min(back[stage], keys), keys))
    return out


def found_in() -> list[FoundIn]:
    """What arrival checks found, by kind of piano and the quarter of a century it was made in."""
    arrived = Check.objects.filter(kind=CheckKind.ARRIVAL, sound__isnull=False, job__instrument__year__isnull=False)
    counted = {f"keys_{name}": Sum(name) for name in GRADED}
    rows = arrived.order_by().values_list("job__instrument__kind", F("job__instrument__year") / _AGE)
    out = []
    for kind, age, sets, *counts in sorted(rows.annotate(sets=Count("job", distinct=True), **counted)):
        if total := sum(counts):
            first, second, third, fourth = (100 * count / total for count in counts)
            title = f"{InstrumentKind(kind).label} {age * _AGE}–{age * _AGE + _AGE - 1}"
            out.append(FoundIn(title, sets, total, (first, second, third, fourth)))
    return out


def overruled() -> tuple[int, list[Overruled]]:
    """How many decisions there are, and what was decided against the advice, the most frequent first."""
    times: Counter[tuple[str, str]] = Counter()
    reasons: dict[tuple[str, str], list[str]] = defaultdict(list)
    for sections, reason in Decision.objects.filter(overruled=True).values_list("sections", "reason"):  # newest first
        for section in sections:
            pair = section["advised"], section["chosen"]
            if pair[0] != pair[1]:
                times[pair] += 1
                if reason and len(reasons[pair]) < _REASONS and reason not in reasons[pair]:
                    reasons[pair].append(reason)
    rows = [
        Overruled(_option(pair[0]), _option(pair[1]), count, tuple(reasons[pair]))
        for pair, count in times.most_common()
    ]
    return Decision.objects.count(), rows


def _option(option: str) -> str:
    return advising.option_title(option) if option else _("too close to call")


def play_before_and_after() -> dict[str, Counter[int]]:
    """The mean side play of each set in um, at its arrival and at its final check: how many sets have each."""
    out: dict[str, Counter[int]] = {CheckKind.ARRIVAL: Counter(), CheckKind.FINAL: Counter()}
    read = Check.objects.filter(kind__in=out, mean_play__isnull=False).order_by()
    for kind, play, sets in read.values_list("kind", "mean_play").annotate(sets=Count("pk")):
        out[kind][play] = sets
    return out


def pictures(found: Sequence[FoundIn], units: str) -> Mapping[str, str]:
    """The drawings of the page, by name; one that has nothing to show is left out."""
    scale = 25.4 if units == "in" else 1.0
    held = advising.assumptions_of(None).assumed
    low, high = held.side_play_low / scale, held.side_play_high / scale
    out = {}
    titles = {
        CheckKind.ARRIVAL: _("Mean side play of a set, as it arrived"),
        CheckKind.FINAL: _("Mean side play of a set, at its final check"),
    }
    plays = play_before_and_after()
    both = [play / 1000 / scale for sets in plays.values() for play in sets]
    for kind, sets in plays.items():
        if sets:
            out[kind] = histogram(
                {play / 1000 / scale: count for play, count in sets.items()},
                uid=f"play-{kind}",
                title=titles[CheckKind(kind)],
                unit=units,
                step=0.05 / (25 if units == "in" else 1),
                band=Band(low, high, _("limits")),
                beside=both,
                decimals=3 if units == "in" else 2,
                description=ngettext("%(count)d set", "%(count)d sets", sets.total()) % {"count": sets.total()},
            )
    rows = [Bar(f"{row.title} ({row.sets})", row.shares[2] + row.shares[3]) for row in found]
    if rows:
        out["found"] = bars(
            rows,
            uid="found-in",
            title=_("Keys with damaged wood or a spent button, by kind and age"),
            unit="%",
            decimals=1,
            description=_("In brackets: how many sets."),
        )
    return out

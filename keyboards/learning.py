"""What all sets together teach: what was found by age and kind, what was overruled, what the work did, what came back.

Counted by the database, so that a thousand sets take as many queries as ten. For the owner: it names people.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Count, Q, Sum
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards import advising
from keyboards.comparing import WORK
from keyboards.core import comebacks
from keyboards.drawing.bars import Bar, bars, histogram
from keyboards.drawing.plots import Band
from keyboards.models import Check, CheckKind, Comeback, Decision, KeyReading
from shop.models import STAGE_TITLES, InstrumentKind, Line, LineKind, Stage, Unit, Use

FEWEST = 5  # sets under which a figure by age and kind says nothing
_AGE = 25  # years in a class
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


def came_back() -> tuple[list[Came], list[Came], list[Came]]:
    """Rates by work, by lot, by person: of sets that have gone home."""
    # What gave way by a kind of work, with the set's lot and the person who finished that stage.
    hits_work: dict[str, set[int]] = defaultdict(set)
    hits_lot: dict[int, set[int]] = defaultdict(set)
    keys_work: Counter[str] = Counter()
    keys_lot: Counter[int] = Counter()
    for job, stage, lot, keys in Comeback.objects.values_list("job", "stage", "lot", "keys"):
        if stage:
            hits_work[stage].add(job)
            keys_work[stage] += len(keys)
        if lot:
            hits_lot[lot].add(job)
            keys_lot[lot] += len(keys)
    done = Stage.objects.filter(state="done", kind__in=WORK, job__left_at__isnull=False)
    by_work = [
        Came(str(STAGE_TITLES[kind]), comebacks.rate(min(len(hits_work[kind]), sets), sets), keys_work[kind])
        for kind, sets in done.values_list("kind").annotate(sets=Count("job", distinct=True)).order_by("-sets")
    ]
    used = Use.objects.filter(job__left_at__isnull=False).values_list("lot", "lot__code", "lot__material__title")
    by_lot = [
        Came(f"{title}, {code}", comebacks.rate(min(len(hits_lot[lot]), sets), sets), keys_lot[lot])
        for lot, code, title, sets in used.annotate(sets=Count("job", distinct=True)).order_by("-sets", "lot")
    ]
    blamed = [(kind, job) for kind, jobs in hits_work.items() for job in jobs]
    whose = done.filter(job__in={job for _kind, job in blamed}).values_list("kind", "job", "finished_by")
    finisher = {(kind, job): person for kind, job, person in whose}
    hits_person = Counter(finisher[pair] for pair in blamed if pair in finisher)
    keys_person: Counter[int | None] = Counter()
    for job, stage, keys in Comeback.objects.exclude(stage="").values_list("job", "stage", "keys"):
        keys_person[finisher.get((stage, job))] += len(keys)
    people = done.values_list("finished_by", "finished_by__first_name", "finished_by__last_name")
    by_person = [
        Came(f"{first} {last}".strip() or "–", comebacks.rate(min(hits_person[person], n), n), keys_person[person])
        for person, first, last, n in people.annotate(n=Count("pk")).order_by("-n")
    ]
    return by_work, by_lot, by_person


def chances() -> list[Chance]:
    """The comeback chances of the advice beside what the shop's own finished keys say. One chance a kind of work:
    keys that were given it, and keys of them that came back because of it."""
    agreed = Line.objects.filter(
        Q(option__isnull=True) | Q(option__answer__kind="yes"),
        estimate__state="accepted",
        estimate__job__left_at__isnull=False,
        unit=Unit.KEY,
        kind=LineKind.WORK,
        stage__in=LEARNED.values(),
    )
    worked = dict(agreed.values_list("stage").annotate(keys=Sum("quantity")).order_by())
    back: Counter[str] = Counter()
    for stage, keys in Comeback.objects.filter(stage__in=LEARNED.values()).values_list("stage", "keys"):
        back[stage] += len(keys)
    assumed = advising.assumptions_of(None).assumed
    titles = {
        "p_ok": _("a sound key with new cloth"),
        "p_repaired": _("a repaired mortise"),
        "p_new": _("a new button"),
    }
    out = []
    for name, stage in LEARNED.items():
        keys = int(worked.get(stage) or 0)
        out.append(Chance(name, titles[name], getattr(assumed, name), min(back[stage], keys), keys))
    return out


@dataclass(frozen=True)
class Told:
    """What the keys of a closed arrival or final check tell: how many have each grade, their mean side play in um."""

    kind: str
    job: int
    piano: str
    year: int | None
    grades: tuple[int, int, int, int]
    side_play: float | None


def told_by_checks() -> list[Told]:
    """Every such check that has readings, in their order. The readings, a million in ten thousand sets, are gone
    through for those alone that were closed before a check kept its tally."""
    closed = Check.objects.closed().filter(kind__in=(CheckKind.ARRIVAL, CheckKind.FINAL))
    reckoned = KeyReading.objects.filter(check_done__in=closed.filter(tally__isnull=True)).tallies()
    about = closed.order_by("pk").values_list(
        "pk", "kind", "job", "job__instrument__kind", "job__instrument__year", "tally"
    )
    return [
        Told(kind, job, piano, year, grades=tuple(held[:4]), side_play=held[4])
        for pk, kind, job, piano, year, tally in about
        if (held := tally or reckoned.get(pk))
    ]


def found_in(checks: Iterable[Told]) -> list[FoundIn]:
    """What arrival checks found, by kind of piano and the quarter of a century it was made in."""
    keys: dict[tuple[str, int], list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    sets: dict[tuple[str, int], set[int]] = defaultdict(set)
    for check in checks:
        if check.kind == CheckKind.ARRIVAL and check.year is not None and any(check.grades):
            place = (check.piano, check.year // _AGE)
            keys[place] = [sum(pair) for pair in zip(keys[place], check.grades, strict=True)]
            sets[place].add(check.job)
    out = []
    for (kind, age), counts in sorted(keys.items()):
        total = sum(counts)
        first, second, third, fourth = (100 * count / total for count in counts)
        title = f"{InstrumentKind(kind).label} {age * _AGE}–{age * _AGE + _AGE - 1}"
        out.append(FoundIn(title, len(sets[kind, age]), total, (first, second, third, fourth)))
    return out


def overruled() -> tuple[int, list[Overruled]]:
    """How many decisions there are, and what was decided against the advice, the most frequent first."""
    times: Counter[tuple[str, str]] = Counter()
    reasons: dict[tuple[str, str], list[str]] = defaultdict(list)
    for sections, reason in Decision.objects.filter(overruled=True).values_list("sections", "reason"):
        for section in sections:
            pair = section["advised"], section["chosen"]
            if pair[0] != pair[1]:
                times[pair] += 1
                if reason and reason not in reasons[pair]:
                    reasons[pair].append(reason)
    rows = [
        Overruled(_option(pair[0]), _option(pair[1]), count, tuple(reasons[pair][:5]))
        for pair, count in times.most_common()
    ]
    return Decision.objects.count(), rows


def _option(option: str) -> str:
    return advising.option_title(option) if option else _("too close to call")


def play_before_and_after(checks: Iterable[Told]) -> dict[str, list[float]]:
    """The mean side play of each set in mm, at its arrival and at its final check."""
    out: dict[str, list[float]] = {CheckKind.ARRIVAL: [], CheckKind.FINAL: []}
    for check in checks:
        if check.side_play is not None:
            out[check.kind].append(float(check.side_play) / 1000)
    return out


def pictures(checks: Iterable[Told], found: Sequence[FoundIn], units: str) -> Mapping[str, str]:
    """The drawings of the page, by name; one that has nothing to show is left out."""
    scale = 25.4 if units == "in" else 1.0
    held = advising.assumptions_of(None).assumed
    low, high = held.side_play_low / scale, held.side_play_high / scale
    out = {}
    titles = {
        CheckKind.ARRIVAL: _("Mean side play of a set, as it arrived"),
        CheckKind.FINAL: _("Mean side play of a set, at its final check"),
    }
    plays = play_before_and_after(checks)
    both = [value / scale for values in plays.values() for value in values]
    for kind, values in plays.items():
        if values:
            out[kind] = histogram(
                [value / scale for value in values],
                uid=f"play-{kind}",
                title=titles[CheckKind(kind)],
                unit=units,
                step=0.05 / (25 if units == "in" else 1),
                band=Band(low, high, _("limits")),
                beside=both,
                decimals=3 if units == "in" else 2,
                description=ngettext("%(count)d set", "%(count)d sets", len(values)) % {"count": len(values)},
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

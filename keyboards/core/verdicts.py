"""The verdict of a final check: each reading against its limits, with a guard band for the uncertainty of reading.

JCGM 106:2012, clause 8: inside the limits by more than the guard band is proved (pass), outside by more than it is
disproved (fail); between the two nothing is proved (undecided). The guard band is `fit.GUARD` standard uncertainties,
which leaves at most 5 % risk against one limit. Lengths in mm, angles in degrees.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from keyboards.core import fit
from keyboards.core.assumptions import FinalLimit

Verdict = Literal["pass", "undecided", "fail", "not read"]
PASS: Verdict = "pass"
UNDECIDED: Verdict = "undecided"
FAIL: Verdict = "fail"
NOT_READ: Verdict = "not read"
VERDICTS: tuple[Verdict, ...] = (PASS, UNDECIDED, NOT_READ, FAIL)  # the worst last
_OF_STATUS: Mapping[str, Verdict] = {
    "pass": PASS,
    "marginal pass": UNDECIDED,
    "marginal fail": UNDECIDED,
    "fail": FAIL,
}


@dataclass(frozen=True, slots=True)
class Judged:
    """One quantity of one key. `value` None where it was not read; `chance` that it truly lies within the limits."""

    limit: FinalLimit
    value: float | None
    verdict: Verdict
    chance: float | None

    @property
    def quantity(self) -> str:
        return self.limit.quantity


@dataclass(frozen=True, slots=True)
class KeyVerdict:
    """One key: every quantity that was judged on it, its grade by sight, and the worst of their verdicts."""

    key: int
    judged: tuple[Judged, ...]
    verdict: Verdict
    grade: int | None = None

    @property
    def seen(self) -> bool:
        """Whether what was seen on the key, and no figure, makes it fail."""
        return bool(self.grade)

    @property
    def why(self) -> tuple[Judged, ...]:
        """What made the verdict what it is: the quantities that did not pass, the worst first."""
        rank = VERDICTS.index
        return tuple(sorted((one for one in self.judged if one.verdict != PASS), key=lambda one: -rank(one.verdict)))

    def of(self, quantity: str) -> Judged | None:
        return next((one for one in self.judged if one.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class FinalVerdicts:
    """A whole check: the keys bass first, and how many there are of each verdict."""

    keys: tuple[KeyVerdict, ...]
    counts: Mapping[Verdict, int]

    def with_verdict(self, verdict: Verdict) -> tuple[int, ...]:
        return tuple(one.key for one in self.keys if one.verdict == verdict)

    @property
    def proved(self) -> bool:
        """Whether no key fails and every key was read."""
        return bool(self.keys) and not self.counts[FAIL] and not self.counts[NOT_READ]


def judge(value: float | None, limit: FinalLimit, *, differ: bool = False) -> Judged:
    """One reading against its limits, in the limit's unit; `limit.u` is the standard uncertainty of such a reading.

    `differ`: the readings of which it is the mean contradict each other, so it proves no key good.
    """
    if value is None:
        return Judged(limit, None, NOT_READ, None)
    verdict = _OF_STATUS[fit.conformance_status(value, limit.u, limit.low, limit.high)]
    chance = fit.conformance_probability(value, limit.u, limit.low, limit.high)
    return Judged(limit, value, UNDECIDED if differ and verdict == PASS else verdict, chance)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of them; of none at all: not read."""
    return max(verdicts, key=VERDICTS.index, default=NOT_READ)


def judge_key(
    key: int,
    values: Mapping[str, float | None],
    limits: Iterable[FinalLimit],
    *,
    left_out: Collection[str] = (),
    differ: Collection[str] = (),
    grade: int | None = None,
) -> KeyVerdict:
    """One key. `values`: quantity -> reading; a quantity that is absent was not read. `left_out`: quantities passed
    over on purpose, which are not held against the key; a key with nothing else is not read. `differ`: quantities whose
    readings contradict each other. `grade`: 0 sound to
    3 spent by sight, None where nobody looked; a key that is not sound after the work fails whatever it measures."""
    judged = tuple(
        judge(values.get(limit.quantity), limit, differ=limit.quantity in differ)
        for limit in limits
        if values.get(limit.quantity) is not None or limit.quantity not in left_out
    )
    return KeyVerdict(key, judged, FAIL if grade else worst(one.verdict for one in judged), grade)


def judge_set(keys: Iterable[KeyVerdict]) -> FinalVerdicts:
    """The verdicts of a set, in the order of the keys."""
    found = tuple(sorted(keys, key=lambda one: one.key))
    count = Counter(one.verdict for one in found)
    return FinalVerdicts(found, {verdict: count[verdict] for verdict in VERDICTS})

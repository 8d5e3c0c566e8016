"""What changed between two versions of an estimate, line by line and option by option."""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from shop.models import Estimate, Line, Option
from shop.models.estimates import PricedOption


@dataclass(frozen=True)
class ChangedLine:
    """One line that is not the same: only before (taken out), only after (added), or both."""

    before: Line | None
    after: Line | None

    @property
    def line(self) -> Line:
        line = self.after or self.before
        assert line is not None
        return line

    @property
    def difference(self) -> Decimal:
        """What it adds to the sum before tax."""
        return (self.after.total if self.after else Decimal(0)) - (self.before.total if self.before else Decimal(0))


@dataclass(frozen=True)
class ChangedOption:
    """An option of the newer version beside the one it comes from, None where it is new."""

    after: PricedOption
    before: PricedOption | None
    lines: tuple[ChangedLine, ...]

    @property
    def difference(self) -> Decimal:
        """What it costs more, with tax; below zero: less."""
        return self.after.totals.gross - (self.before.totals.gross if self.before else Decimal(0))


@dataclass(frozen=True)
class Changes:
    """What a version changed against an older one. gone: options it no longer has; extras: lines a client may add."""

    old: Estimate
    options: tuple[ChangedOption, ...]
    gone: tuple[Option, ...]
    extras: tuple[ChangedLine, ...]
    allowance: bool

    @property
    def any(self) -> bool:
        return bool(
            self.gone or self.extras or self.allowance or any(one.lines or not one.before for one in self.options)
        )


def _said(line: Line) -> tuple:
    return (line.title, line.section, line.quantity, line.unit, line.unit_price, line.tax)


# The same line in two versions: first what reads alike, then the same work at the same place, then the same work.
_SAME: tuple[Callable[[Line], Hashable], ...] = (
    _said,
    lambda line: (line.operation_id or line.title, line.kind, line.section),
    lambda line: (line.operation_id or line.title, line.kind),
)


def changed_lines(before: Sequence[Line], after: Sequence[Line]) -> tuple[ChangedLine, ...]:
    """The lines that differ, in the order of the newer version, what was taken out last.

    Their differences add up to the difference of the two sums: no line is left out and none is counted twice.
    """
    left, pairs = list(before), dict[int, Line]()
    for same in _SAME:
        for place, line in enumerate(after):
            if place not in pairs:
                match = next((old for old in left if same(old) == same(line)), None)
                if match is not None:
                    pairs[place] = match
                    left.remove(match)
    out = []
    for place, line in enumerate(after):
        old = pairs.get(place)
        if old is None or _said(old) != _said(line):
            out.append(ChangedLine(old, line))
    return (*out, *(ChangedLine(old, None) for old in left))


def changes_between(old: Estimate, new: Estimate) -> Changes:
    """Both read with their lines. What the client said yes to in the older version stands for all its options."""
    agreed = old.agreed
    had = [agreed] if agreed else old.offer
    left = list(had)
    options = []
    for priced in new.offer:
        match = next((one for one in left if one.option.title == priced.option.title), None)
        match = match or next((one for one in left if one.option.letter == priced.option.letter), None)
        if match is not None:
            left.remove(match)
        lines = changed_lines(match.lines, priced.lines) if match else ()
        options.append(ChangedOption(priced, match, lines))
    return Changes(
        old=old,
        options=tuple(options),
        gone=tuple(one.option for one in left),
        extras=() if agreed else changed_lines(old.extras, new.extras),
        allowance=(old.allowance_keys, old.allowance_price) != (new.allowance_keys, new.allowance_price),
    )


def changes_since(estimate: Estimate) -> Changes | None:
    """Against the version that went out before, None for the first. estimate is read with its lines."""
    if estimate.version < 2:
        return None
    sent = Estimate.objects.latest_of(estimate.number).filter(version__lt=estimate.version, sent_at__isnull=False)
    old = sent.with_lines().first()
    return changes_between(old, estimate) if old else None

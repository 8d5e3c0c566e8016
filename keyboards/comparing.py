"""Rows -> core -> what changed between two checks of one piano: wear, or work, and what the air did of it."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Count
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards.advising import assumptions_for
from keyboards.core import compare, humidity
from keyboards.core.quantities import ANGLE, LENGTH, QUANTITIES, show
from keyboards.drawing.plots import Plot, Series
from keyboards.models import Check, GaugeKind
from keyboards.pictures import faces, row_svg
from keyboards.words import entry_unit, figure, quantity_title, unit_sign
from shop.models import STAGE_TITLES, Instrument, Stage

# Sizes of wood: the air changes them. A pin and the play of a clothed key it does not change by this law.
WOODEN = frozenset({"balance_mortise_width", "front_mortise_width", "button_width", "button_height"})
# Stages after which a reading tells of the work, not of wear.
WORK = ("repairs", "buttons", "pins", "leads", "cloth", "tops", "frame", "ease")
_MOST_PLOTS = 4
_INCH = 25.4
# Where no assumption names one: an estimate, one step of the weights that are laid on a key.
_U_WEIGHT = 1.0


@dataclass(frozen=True)
class Compared:
    """One quantity in both checks, in canonical integers as the readings are, ready to be shown."""

    quantity: str
    found: compare.Comparison
    days: int
    air: humidity.HumidityCorrection | None
    units: str

    @property
    def title(self) -> str:
        return quantity_title(self.quantity)

    @property
    def unit(self) -> str:
        return unit_sign(entry_unit(self.quantity, self.units))

    def said(self, canonical: float | None, *, signed: bool = True) -> str:
        """A change or a value as text in the person's unit."""
        if canonical is None:
            return ""
        unit = entry_unit(self.quantity, self.units)
        decimals = {"in": 4, ANGLE: 2, "g": 1}.get(unit, 3)
        text = show(round(canonical), unit, decimals)
        return text.replace("-", "−") if not signed or text.startswith("-") else f"+{text}"

    @property
    def before(self) -> str:
        return self._typical("before")

    @property
    def after(self) -> str:
        return self._typical("after")

    def _typical(self, name: str) -> str:
        values = sorted(getattr(change, name) for change in self.found.changes)
        return self.said((values[len(values) // 2] + values[(len(values) - 1) // 2]) / 2, signed=False)

    @property
    def middle(self) -> str:
        return self.said(self.found.middle)

    @property
    def interval(self) -> str:
        if self.found.low is None:
            return ""
        return _("%(low)s to %(high)s") % {"low": self.said(self.found.low), "high": self.said(self.found.high)}

    @property
    def sure(self) -> str:
        """2 u of one key's change."""
        return self.said(compare.COVERAGE * self.found.u, signed=False)

    @property
    def per_year(self) -> str:
        return self.said(compare.per_year(self.found.middle, self.days))

    @property
    def by_air(self) -> str:
        return self.said(self.air.change * 1000) if self.air else ""

    @property
    def without_air(self) -> str:
        return self.said(self.found.middle - self.air.change * 1000) if self.air else ""


@dataclass(frozen=True)
class Between:
    """Everything a page says about two checks of one piano, the earlier one first."""

    before: Check
    after: Check
    days: int
    rows: Sequence[Compared]
    work: Sequence[str]
    air_warning: str
    wide: str
    narrow: str
    names: Mapping[int, str]

    @property
    def apart(self) -> str:
        """The time between them as people say it: 45 days, 8 months, 5 years and 9 months."""
        if self.days < 61:
            return ngettext("%(n)d day", "%(n)d days", self.days) % {"n": self.days}
        years, months = divmod(round(self.days * 12 / 365.2425), 12)
        told = []
        if years:
            told.append(ngettext("%(n)d year", "%(n)d years", years) % {"n": years})
        if months:
            told.append(ngettext("%(n)d month", "%(n)d months", months) % {"n": months})
        return _(" and ").join(told)

    @property
    def wear(self) -> bool:
        """Whether nothing was done to the keys in between, so that what changed is wear (or the air)."""
        return not self.work and self.before.job_id != self.after.job_id

    @property
    def air(self) -> bool:
        """Whether anything read is of a kind that the air changes, in air that was written down."""
        return any(row.air for row in self.rows)


def checks_of(instrument: Instrument) -> list[Check]:
    """The checks of a piano that have readings, the oldest first."""
    rows = Check.objects.filter(job__instrument=instrument).annotate(read=Count("keys")).filter(read__gt=0)
    return list(rows.select_related("job__compass", "gauge", "begun_by").order_by("begun_at", "pk"))


def was_read(check: Check) -> str:
    """What was read in a check, on how many keys: "Side play at the fingertip 88, Key dip 20"."""
    rows = list(check.keys.all())
    counts = {quantity: sum(getattr(row, quantity) is not None for row in rows) for quantity in QUANTITIES}
    return ", ".join(f"{quantity_title(name)} {count}" for name, count in counts.items() if count) or _(
        "findings alone"
    )


def usual_pair(checks: Sequence[Check]) -> tuple[Check, Check] | None:
    """The two checks one mostly wants: the newest, and the last proof of an earlier set; else the two ends."""
    if len(checks) < 2:
        return None
    after = checks[-1]
    earlier = [check for check in checks if check.kind == "final" and check.job_id != after.job_id]
    return (earlier[-1] if earlier else checks[0]), after


def between(first: Check, second: Check, *, units: str, wood: str, tangential: bool) -> Between:
    """Holds two checks of one piano against each other, key by key of the same note."""
    before, after = sorted((first, second), key=lambda check: (check.begun_at, check.pk))
    old, new = before.job.compass, after.job.compass
    shift = old.first_midi - new.first_midi
    rows = {check.pk: list(check.keys.all()) for check in (before, after)}
    days = (after.begun_at - before.begun_at).days
    movement = humidity.WOODS[wood]
    coefficient = movement.tangential if tangential else movement.radial
    compared = []
    for quantity in QUANTITIES:
        then = {row.key + shift: value for row in rows[before.pk] if (value := getattr(row, quantity)) is not None}
        now = {row.key: value for row in rows[after.pk] if (value := getattr(row, quantity)) is not None}
        found = compare.compare(then, now, _u(before, quantity), _u(after, quantity))
        if found is not None:
            air = _air(before, after, found, coefficient) if quantity in WOODEN else None
            compared.append(Compared(quantity, found, days, air, units))
    drawn = faces(new, rows[after.pk])
    plots = [_plot(row, units) for row in compared[:_MOST_PLOTS]]
    title = _("%(before)s and %(after)s") % {"before": before.job.tag, "after": after.job.tag}
    return Between(
        before=before,
        after=after,
        days=days,
        rows=compared,
        work=_work(before, after),
        air_warning=_air_warning(before, after),
        wide=row_svg(drawn, uid="compare-wide", title=title, plots=plots),
        narrow=row_svg(drawn, uid="compare-narrow", title=title, plots=plots, split=3, width=360),
        names={key: new.keys.name(key) for key in new.keys.keys},
    )


def as_csv(found: Between) -> str:
    """A row a key and quantity read in both checks, in mm, degrees and grams, with 2 u of the change."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["key", "name", "quantity", "unit", "before", "after", "change", "2u"])
    for row in found.rows:
        dimension = QUANTITIES[row.quantity].dimension
        for change in row.found.changes:
            numbers = (change.before, change.after, change.change, compare.COVERAGE * row.found.u)
            writer.writerow(
                [change.key, found.names[change.key], row.quantity, dimension]
                + [show(round(value), dimension, 3) for value in numbers]
            )
    return out.getvalue()


def _u(check: Check, quantity: str) -> float:
    """Standard uncertainty of one reading, in canonical integers: the shop's figure, or the instrument's if larger."""
    assumed = assumptions_for(check.job)
    usual = {
        "balance_pin": assumed.u_pin,
        "front_pin": assumed.u_pin,
        "side_play": assumed.u_side_play,
        "dip": assumed.u_dip,
        "level": assumed.u_level,
        "skew": assumed.u_skew,
        "splay": assumed.u_skew,
        "down_weight": _U_WEIGHT,
        "up_weight": _U_WEIGHT,
    }.get(quantity, assumed.u_mortise)
    angle = QUANTITIES[quantity].dimension == ANGLE
    gauge = check.gauge
    fits = gauge is not None and QUANTITIES[quantity].dimension in (LENGTH, ANGLE)
    if gauge is not None and fits and (gauge.kind == GaugeKind.BEVEL) is angle:
        usual = max(usual, gauge.uncertainty)
    return usual * 1000


def _air(
    before: Check, after: Check, found: compare.Comparison, coefficient: float
) -> humidity.HumidityCorrection | None:
    if None in (before.humidity, before.temperature, after.humidity, after.temperature):
        return None
    sizes = sorted(change.before for change in found.changes)
    return humidity.humidity_correction(
        sizes[len(sizes) // 2] / 1000,
        coefficient,
        float(before.temperature or 0),
        float(before.humidity or 0),
        float(after.temperature or 0),
        float(after.humidity or 0),
    )


def _air_warning(before: Check, after: Check) -> str:
    if before.humidity is None or after.humidity is None:
        return _("The humidity was not written down with both checks: nobody can say what of a change the air made.")
    if abs(before.humidity - after.humidity) <= humidity.COMPARABLE:
        return ""
    return _(
        "The air differed by more than 10 %% relative humidity: %(before)s %% and %(after)s %%. Wood moves with it; "
        "sizes of wood carry a correction beside them, never instead."
    ) % {"before": f"{float(before.humidity):g}", "after": f"{float(after.humidity):g}"}


def _work(before: Check, after: Check) -> list[str]:
    """What was done to the keys between the two checks, in words, the earliest first."""
    stages = Stage.objects.filter(
        job__instrument=after.job.instrument_id,
        kind__in=WORK,
        state="done",
        finished_at__gt=before.begun_at,
        finished_at__lt=after.begun_at,
    )
    return [
        _("%(stage)s (%(tag)s, %(day)s)")
        % {
            "stage": STAGE_TITLES[stage.kind],
            "tag": stage.job.tag,
            "day": date_format(timezone.localdate(stage.finished_at), "DATE_FORMAT"),
        }
        for stage in stages.select_related("job").order_by("finished_at")
    ]


def _plot(row: Compared, units: str) -> Plot:
    unit = entry_unit(row.quantity, units)
    scale = 1000 * (_INCH if unit == "in" else 1)
    return Plot(
        row.title,
        unit_sign(unit),
        [
            Series({change.key: change.before / scale for change in row.found.changes}, _("before"), hollow=True),
            Series({change.key: change.after / scale for change in row.found.changes}, _("after")),
        ],
        decimals=3 if unit == "in" else max(QUANTITIES[row.quantity].decimals, 1),
        height=96,
    )


def key_rows(found: Between) -> list[tuple[int, str, list[tuple[str, str, bool] | None]]]:
    """The table behind the plots: key, name, and for each quantity before, after and whether it changed beyond 2 u."""
    by_key = [{change.key: change for change in row.found.changes} for row in found.rows]
    out: list[tuple[int, str, list[tuple[str, str, bool] | None]]] = []
    for key, name in found.names.items():
        cells: list[tuple[str, str, bool] | None] = []
        for row, changes in zip(found.rows, by_key, strict=True):
            change = changes.get(key)
            if change is None:
                cells.append(None)
                continue
            unit = entry_unit(row.quantity, row.units)
            before, after = (figure(row.quantity, int(value), unit) for value in (change.before, change.after))
            cells.append((before, after, change.beyond))
        if any(cells):
            out.append((key, name, cells))
    return out

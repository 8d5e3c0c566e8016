"""A check as its pages show it: rows of cells, odd readings, the picture of the row with its plots."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import median
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards import pictures
from keyboards.core import fit
from keyboards.core.assumptions import Assumed
from keyboards.core.entries import DIFFER, READING, SKIPPED, Repeatability, in_force, reading_value, repeatability
from keyboards.core.keys import format_keys
from keyboards.core.quantities import ANGLE, LENGTH, QUANTITIES, WEIGHT, show
from keyboards.core.spread import outliers
from keyboards.drawing.plots import Band, Plot, Series
from keyboards.models import Check, CheckKind, Compass, Finding, KeyReading
from keyboards.words import entry_unit, figure, quantity_title, unit_sign
from keyboards.workflow.entries import BARE

# A reading nearer to its neighbours' line than three times this is never odd, in canonical integers: the shop's own
# value for fine lengths, estimates for what is read more coarsely.
_COARSE = {LENGTH: 150.0, ANGLE: 500.0, WEIGHT: 2000.0}
_FEWEST_FOR_SPREAD = 5
# What is drawn under the row, the most telling first.
_PLOTTED = ("balance_mortise_width", "front_mortise_width", "side_play", "skew", "dip", "level", "button_length")
_MOST_PLOTS = 2
_FEWEST_PLOTTED = 2


@dataclass(frozen=True)
class Column:
    """A quantity as a column: its words, the unit it is shown in and the one it is typed in."""

    quantity: str
    title: str
    sign: str
    unit: str


@dataclass(frozen=True)
class Cell:
    """One reading in the person's unit; mark is a class (outlier, differs, skipped), why says the same in words."""

    quantity: str
    text: str
    mark: str = ""
    why: str = ""


@dataclass(frozen=True)
class Row:
    """One key of the sheet."""

    key: int
    name: str
    sharp: bool
    missing: bool
    broken: bool
    wanted: bool
    cells: tuple[Cell, ...]
    findings: str
    grade: int | None
    grade_word: str
    grade_reason: str
    note: str


@dataclass(frozen=True)
class Sheet:
    """All of a check: columns, one row a key, odd readings (quantity -> keys), the keys to look at again in words, how
    many keys were read and how many are to be."""

    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    odd: Mapping[str, frozenset[int]]
    look_again: tuple[str, ...]
    read: int
    wanted: int


def columns_of(quantities: Iterable[str], units: str) -> tuple[Column, ...]:
    """The columns for these quantities, in the person's units."""
    return tuple(
        Column(quantity, quantity_title(quantity), unit_sign(unit), unit)
        for quantity in quantities
        if (unit := entry_unit(quantity, units))
    )


def odd_keys(readings: Iterable[KeyReading], quantity: str, held: Assumed) -> frozenset[int]:
    """Keys whose reading lies far off the line of the others; of fewer than five readings none is."""
    values = {row.key: value for row in readings if (value := getattr(row, quantity)) is not None}
    if len(values) < _FEWEST_FOR_SPREAD:
        return frozenset()
    return _far_off(tuple(values), tuple(values.values()), held.outlier_k, floor_of(quantity, held))


@lru_cache(maxsize=512)  # a few thousand slopes a column, and between two looks at a sheet one column changes
def _far_off(keys: tuple[int, ...], values: tuple[float, ...], k: float, floor: float) -> frozenset[int]:
    return frozenset(outliers(keys, values, k=k, floor=floor))


def floor_of(quantity: str, held: Assumed) -> float:
    """The least spread that the others are taken to have, in canonical integers."""
    known = QUANTITIES[quantity]
    fine = known.dimension == LENGTH and known.decimals > 1
    return held.outlier_floor * 1000 if fine else _COARSE[known.dimension]


def sheet_of(
    check: Check,
    compass: Compass,
    readings: Sequence[KeyReading],
    *,
    titles: Mapping[str, str],
    units: str,
    held: Assumed,
) -> Sheet:
    """The sheet from rows at hand. titles: code of a finding -> its words."""
    columns = columns_of(check.quantities, units)
    odd = {column.quantity: odd_keys(readings, column.quantity, held) for column in columns}
    by_key = {row.key: row for row in readings}
    keys = compass.keys
    missing, broken = set(compass.missing), set(compass.broken)
    wanted = set(check.wanted(compass.present))
    words = pictures.grade_words(after=check.kind == CheckKind.FINAL)
    rows = []
    for key in keys.keys:
        row = by_key.get(key) or KeyReading(key=key)
        rows.append(
            Row(
                key=key,
                name=keys.name(key),
                sharp=keys.is_sharp(key),
                missing=key in missing,
                broken=key in broken,
                wanted=key in wanted,
                cells=tuple(_cell(row, column, odd=key in odd[column.quantity]) for column in columns),
                findings=findings_words(row, titles),
                grade=row.grade,
                grade_word=words[row.grade] if row.grade is not None else "",
                grade_reason=row.grade_reason,
                note=row.note,
            )
        )
    return Sheet(
        columns=columns,
        rows=tuple(rows),
        odd=odd,
        look_again=tuple(_look_again(columns, odd, readings)),
        read=sum(row.grade is not None for row in readings),
        wanted=len(wanted),
    )


def _cell(row: KeyReading, column: Column, *, odd: bool) -> Cell:
    value = getattr(row, column.quantity)
    text = "" if value is None else figure(column.quantity, value, column.unit)
    mark, why = mark_of(row, column.quantity, odd=odd)
    return Cell(column.quantity, text, mark, why)


def mark_of(row: KeyReading, quantity: str, *, odd: bool) -> tuple[str, str]:
    """What a cell says about its reading: a class for the eye, the same in words."""
    again = row.again.get(quantity)
    if again == DIFFER:
        return "differs", _("two readings differ: take a third")
    if odd:
        return "outlier", _("far off the others: look again")
    if again == SKIPPED:
        return "skipped", _("skipped")
    return "", ""


def findings_words(row: KeyReading, titles: Mapping[str, str]) -> str:
    """ "Cloth worn 2, Button loose 1": in the order of the shop's list."""
    order = {code: place for place, code in enumerate(titles)}
    found = sorted(row.findings.items(), key=lambda item: order.get(item[0], len(order)))
    return ", ".join(f"{titles.get(code, code)} {severity}" for code, severity in found)


def finding_titles() -> dict[str, str]:
    """Code -> words of every finding, retired ones too, in the order of the shop's list."""
    return dict(Finding.objects.values_list("code", "title"))


def far_off(check: Check, held: Assumed, units: str) -> list[str]:
    """What of a check asks for a second look because it lies far off the others: "Level: far off the others on 61"."""
    readings = list(check.keys.all())
    columns = columns_of(check.quantities, units)
    odd = {column.quantity: odd_keys(readings, column.quantity, held) for column in columns}
    return list(_look_again(columns, odd, ()))


def _look_again(
    columns: Iterable[Column], odd: Mapping[str, frozenset[int]], readings: Sequence[KeyReading]
) -> Iterable[str]:
    for column in columns:
        differ = {row.key for row in readings if row.again.get(column.quantity) == DIFFER}
        if differ:
            yield _("%(quantity)s: two readings differ on %(keys)s") % {
                "quantity": column.title,
                "keys": format_keys(differ),
            }
        if far := odd[column.quantity] - differ:
            yield _("%(quantity)s: far off the others on %(keys)s") % {
                "quantity": column.title,
                "keys": format_keys(far),
            }


# --- the picture ---


@dataclass(frozen=True)
class Picture:
    """The row with its plots, drawn for wide screens and for narrow ones, and the counts for its legend."""

    wide: str
    narrow: str
    counts: Mapping[str, int]


def picture_of(
    check: Check,
    compass: Compass,
    readings: Sequence[KeyReading],
    *,
    units: str,
    held: Assumed,
    odd: Mapping[str, frozenset[int]],
) -> Picture:
    """The button row of a check, a plot under it for what tells most; each key leads to its page."""
    faces = pictures.faces(compass, readings)
    plots = _plots(check, readings, units=units, held=held, odd=odd)
    address = reverse("key_detail", args=[check.job.number, check.pk, 0])
    href = address.removesuffix("0/") + "{number}/"
    title = _("%(check)s of %(tag)s, key by key") % {"check": check.get_kind_display(), "tag": check.job.tag}

    def drawn(uid: str, *, split: int, width: float) -> str:
        return pictures.row_svg(
            faces,
            uid=uid,
            title=title,
            plots=plots if split == 1 else [],
            href=href,
            split=split,
            width=width,
        )

    return Picture(
        wide=drawn("row-wide", split=1, width=1104),
        narrow=drawn("row-narrow", split=3, width=360),
        counts=pictures.grade_counts(compass, readings),
    )


def _plots(
    check: Check,
    readings: Sequence[KeyReading],
    *,
    units: str,
    held: Assumed,
    odd: Mapping[str, frozenset[int]],
) -> list[Plot]:
    plots: list[Plot] = []
    bare = check.kind in BARE  # with its new cloth in, a mortise asks for none
    for quantity in _PLOTTED:
        if quantity not in check.quantities or len(plots) == _MOST_PLOTS:
            continue
        unit = entry_unit(quantity, units)
        values = {row.key: value for row in readings if (value := getattr(row, quantity)) is not None}
        if len(values) < _FEWEST_PLOTTED:
            continue
        decimals = 3 if unit == "in" else QUANTITIES[quantity].decimals
        in_unit = {key: float(show(value, unit, 5)) for key, value in values.items()}
        plots.append(
            Plot(
                title=quantity_title(quantity),
                unit=unit_sign(unit),
                series=[Series(in_unit)],
                band=_one_cloth(readings, unit, held) if quantity == "balance_mortise_width" and bare else None,
                outliers=odd[quantity],
                decimals=decimals,
                height=60,
                quantity=quantity,
            )
        )
    return plots


def _one_cloth(readings: Sequence[KeyReading], unit: str, held: Assumed) -> Band | None:
    """The widths that the best single cloth of the shop's stock would fit, from the pins read, else the usual pin."""
    pins = [row.balance_pin for row in readings if row.balance_pin is not None]
    pin = median(pins) / 1000 if pins else held.pin
    widths = [row.balance_mortise_width / 1000 for row in readings if row.balance_mortise_width is not None]
    widths = [width for width in widths if width > pin]
    if len(widths) < _FEWEST_FOR_SPREAD or not held.stock:
        return None
    fits = (held.compression, held.clearance, tuple(held.stock), held.lower, held.upper)
    cloth = _best_cloth(tuple(widths), pin, *fits)
    middle = pin + held.clearance + 2 * (1 - held.compression) * cloth
    per_unit = 25.4 if unit == "in" else 1.0
    return Band(
        low=(middle + held.lower) / per_unit,
        high=(middle + held.upper) / per_unit,
        label=_("cloth of %(cloth)s %(unit)s fits every key inside this band")
        % {"cloth": show(round(cloth * 1000), unit, 3 if unit == "in" else 2), "unit": unit},
    )


# --- repeats ---


def repeats_of(check: Check, units: str) -> list[str]:
    """How far readings of the same thing lie apart, in words, for each dimension that was read twice somewhere."""
    groups: dict[tuple[int, str], list[int]] = {}
    entries = check.entries.filter(kind__in=(READING, "withdraw")).only(
        "op",
        "check_done",
        "kind",
        "key",
        "quantity",
        "value",
        "high",
        "finding",
        "text",
        "withdraws",
        "gauge_id",
        "taken_at",
    )
    for entry in in_force(entries):
        groups.setdefault((entry.key, entry.quantity), []).append(reading_value(entry))  # type: ignore[attr-defined]
    told = []
    for dimension in (LENGTH, ANGLE, WEIGHT):
        of_kind = [values for (_key, quantity), values in groups.items() if QUANTITIES[quantity].dimension == dimension]
        if found := repeatability(of_kind):
            told.append(_repeats_words(found, units if dimension == LENGTH else dimension))
    return told


def _repeats_words(found: Repeatability, unit: str) -> str:
    decimals = {"mm": 3, "in": 4}.get(unit, 1)
    words = ngettext("%(sd)s %(unit)s from %(count)d repeat", "%(sd)s %(unit)s from %(count)d repeats", found.freedom)
    return words % {"sd": show(round(found.sd), unit, decimals), "unit": unit_sign(unit), "count": found.freedom}


@lru_cache(maxsize=64)
def _best_cloth(widths: tuple[float, ...], pin: float, *fits: Any) -> float:
    return fit.choose_cloths(widths, pin, *fits).cloths[0]

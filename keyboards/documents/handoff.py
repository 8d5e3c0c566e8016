"""The hand-off report: what was agreed and done, and what every key was like before and is like now.

It must stand up to another technician's inspection: every figure comes from the rows, every limit names its place and
its source, whatever is not proved is said.
"""

import csv
import datetime
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from statistics import median, stdev
from typing import Any

from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards import pictures
from keyboards.advising import named_findings
from keyboards.core import fit
from keyboards.core.assumptions import BY_NAME, FinalLimit
from keyboards.core.comebacks import guarantee_ends
from keyboards.core.humidity import COMPARABLE
from keyboards.core.keys import format_keys
from keyboards.core.quantities import ANGLE, QUANTITIES, show
from keyboards.core.verdicts import FAIL, NOT_READ, PASS, UNDECIDED, VERDICTS, Judged, KeyVerdict
from keyboards.drawing.plots import Band, Plot, Series
from keyboards.drawing.row import KeyFace
from keyboards.models import BoughtPart, Check, KeyDone, KeyReading, Photo
from keyboards.pins import pin_sizes
from keyboards.progressing import hands_of
from keyboards.proving import (
    READ_FROM,
    Proof,
    left_as_found,
    limit_title,
    owed_words,
    place_words,
    proof_of,
    renewed_keys,
)
from keyboards.sheets import finding_titles, findings_words
from keyboards.specifying import RAIL, spec_of
from keyboards.words import entry_unit, figure, quantity_title, unit_sign
from shop.cautions import CAUTIONS, Caution
from shop.core import route
from shop.documents.pdf import Attached, render_pdf
from shop.formats import dated
from shop.models import Count, CountKind, Event, Job, Keytops, Line, Material, Proves, Stage, Use, Workshop

MOST_PHOTOS = 24
_FEWEST_PLOTTED = 2
_INCH = 25.4
# Measured before and after at the same place, in the order of the table.
_COMPARED = ("side_play", "dip", "level", "skew")
# Held even along the keyboard; a level or a dip differs between naturals and sharps, so a step is one of a colour.
_EVEN = ("side_play", "dip", "level")
_FEWEST_EVEN = 3
_LARGEST_PHOTOS = 9_000_000  # bytes; beyond it photos are printed from their small size, to keep a report under 10 MB
_SMALL_PHOTO = 40_000
_CLEARANCES = ("balance_clearance", "front_clearance")


def minus(text: str) -> str:
    """A figure with a true minus sign."""
    return text.replace("-", "\N{MINUS SIGN}")


def amount(value: float, unit: str, units: str) -> str:
    """A judged value (mm or degrees) in the reader's unit, without it: 0.05 -> "0.05" mm or "0.0020" in."""
    if unit != "mm":
        return minus(show(round(value * 1000), ANGLE, 1))
    return minus(show(round(value * 1000), units, 4 if units == "in" else 2))


def sign_of(unit: str, units: str) -> str:
    return units if unit == "mm" else unit


def range_of(limit: FinalLimit, units: str) -> str:
    """ "0.20 to 0.75"."""
    return _("%(low)s to %(high)s") % {
        "low": amount(limit.low, limit.unit, units),
        "high": amount(limit.high, limit.unit, units),
    }


def verdict_words(verdict: str) -> str:
    return {PASS: _("pass"), UNDECIDED: _("undecided"), FAIL: _("fails"), NOT_READ: _("not read")}[verdict]  # type: ignore[index]


def short_title(quantity: str) -> str:
    """A limited quantity in a word or two, for a cell."""
    return {
        "side_play": _("side play"),
        "balance_clearance": _("clearance, balance"),
        "front_clearance": _("clearance, front"),
        "dip": _("dip"),
        "level": _("level"),
        "skew_copy": _("skew"),
    }[quantity]


def why_words(found: KeyVerdict, seen: str = "") -> str:
    """Why a key has its verdict: "side play, dip", or what was seen on it. For one that passes: what was seen on it all
    the same, or ""."""
    if found.verdict == PASS:
        return seen
    parts = [seen or _("by sight")] if found.seen else []
    parts += [short_title(one.quantity) for one in found.why if found.seen or one.verdict == found.verdict]
    return ", ".join(dict.fromkeys(parts))


# --- the table of every key -----------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """One column of figures. name "before", "after" or another word; limit "0.20 to 0.75" where it is judged."""

    name: str
    limit: str = ""


@dataclass(frozen=True)
class Group:
    """Columns of one quantity: its title, unit and where it is measured."""

    title: str
    unit: str
    columns: tuple[Column, ...]


@dataclass(frozen=True)
class Cell:
    text: str
    bad: bool = False


@dataclass(frozen=True)
class KeyRow:
    """One key of the table."""

    key: int
    name: str
    found: str
    cells: tuple[Cell, ...]
    verdict: str
    verdict_words: str
    why: str


@dataclass(frozen=True)
class KeyTable:
    """widths: of each column of figures the letters of its longest, 3 to 7: the words share what these leave."""

    groups: tuple[Group, ...]
    rows: tuple[KeyRow, ...]
    widths: tuple[int, ...]


def _fine(degrees: float) -> str:
    """An angle to the hundredth: for what is finer than a reading, a mean, a difference, an uncertainty."""
    return show(round(degrees * 1000), ANGLE, 2)


def key_table(proof: Proof, units: str) -> KeyTable:
    """Every key of the compass: before, after, limit, verdict; only columns that hold a figure."""
    limits = {limit.quantity: limit for limit in proof.limits}
    read = {quantity for row in proof.rows.values() for quantity in QUANTITIES if getattr(row, quantity) is not None}
    present = proof.before.present
    groups: list[Group] = []
    makers: list[Any] = []

    def earlier(quantity: str):
        values = {key: proof.earlier(quantity, key) for key in present}
        write = _writer(quantity, values.values(), units)
        return lambda key: Cell(write(values[key]))

    def later(quantity: str):
        of_limit = "skew_copy" if quantity == "skew" else quantity
        values = {key: getattr(proof.rows.get(key), quantity, None) for key in present}
        # A mean is written as fine as the readings it is of, and no finer.
        once = [value for key, value in values.items() if len(proof.taken.get(key, {}).get(quantity, ())) < 2]
        write = _writer(quantity, once or values.values(), units)
        return lambda key: Cell(write(values[key]), _fails(proof, key, of_limit))

    def judged(quantity: str):
        limit = limits[quantity]

        def cell(key: int) -> Cell:
            value = proof.values.get(key, {}).get(quantity)
            text = "–" if value is None else amount(value, limit.unit, units)
            return Cell(text, _fails(proof, key, quantity))

        return cell

    def to_copy(key: int) -> Cell:
        angle = proof.copied.get(key)
        return Cell("–" if angle is None else minus(_fine(angle)))

    def add(title: str, unit: str, columns: Iterable[tuple[str, str, Any]]) -> None:
        kept = list(columns)
        if kept:
            groups.append(Group(title, unit, tuple(Column(name, limit) for name, limit, _maker in kept)))
            makers.extend(maker for _name, _limit, maker in kept)

    def compared(quantity: str) -> None:
        limit = limits.get("skew_copy" if quantity == "skew" else quantity)
        columns = []
        if any(proof.earlier(quantity, key) is not None for key in present):
            columns.append((_("before"), "", earlier(quantity)))
        if quantity == "skew" and limit:
            columns.append((_("to copy"), "", to_copy))
        if quantity in read:
            said = range_of(limit, units) if limit and quantity != "skew" else ""
            columns.append((_("after"), said, later(quantity)))
        add(quantity_title(quantity), unit_sign(entry_unit(quantity, units)), columns)

    compared("side_play")
    for clearance in _CLEARANCES:
        width = READ_FROM[clearance]
        columns = []
        if any(proof.earlier(width, key) is not None for key in present):
            columns.append((_("mortise, bare"), "", earlier(width)))
        if clearance in limits:
            columns.append((_("clearance after"), range_of(limits[clearance], units), judged(clearance)))
        title = _("Balance bushing") if clearance == "balance_clearance" else _("Front bushing")
        add(title, units, columns)
    for quantity in _COMPARED[1:]:
        compared(quantity)
    rows = tuple(_key_rows(proof, makers))
    # A range, "0.20 to 0.75", stands above its figures in two lines.
    least = [5 if column.limit else 3 for group in groups for column in group.columns]
    longest = [max(len(row.cells[at].text) for row in rows) for at in range(len(makers))]
    return KeyTable(tuple(groups), rows, tuple(min(max(pair), 7) for pair in zip(least, longest, strict=True)))


def _writer(quantity: str, values: Iterable[int | None], units: str):
    """Writes the figures of one column with the same decimals: as many as the finest of them needs."""
    unit = entry_unit(quantity, units)
    texts = [figure(quantity, value, unit) for value in values if value is not None]
    decimals = max((len(text.partition(".")[2]) for text in texts), default=0)
    return lambda value: "–" if value is None else minus(show(value, unit, decimals))


def _fails(proof: Proof, key: int, quantity: str) -> bool:
    one = proof.by_key.get(key)
    judged = one.of(quantity) if one else None
    return judged is not None and judged.verdict == FAIL


def _key_rows(proof: Proof, makers: Sequence[Any]) -> Iterable[KeyRow]:
    assert proof.compass is not None
    titles, words = finding_titles(), pictures.grade_words()
    arithmetic, missing = proof.compass.keys, set(proof.compass.missing)
    for key in arithmetic.keys:
        one = proof.by_key.get(key)
        if key in missing:
            verdict, said, why = "", _("did not come"), ""
        elif one is None:
            verdict, said, why = "", "–", ""
        else:
            seen = findings_words(proof.rows[key], titles) if key in proof.rows else ""
            verdict, said, why = one.verdict, verdict_words(one.verdict), why_words(one, seen)
        yield KeyRow(
            key=key,
            name=arithmetic.name(key),
            found=_found_words(proof, key, titles, words),
            cells=tuple(Cell("–") if key in missing else maker(key) for maker in makers),
            verdict=verdict.replace(" ", "-"),
            verdict_words=said,
            why=why,
        )


def _found_words(proof: Proof, key: int, titles: Mapping[str, str], words: Mapping[int, str]) -> str:
    """What was seen on a key before the work: its findings, else its grade."""
    rows = proof.found(key)
    worst: dict[str, int] = {}
    for row in rows:
        for code, severity in row.findings.items():
            worst[code] = max(severity, worst.get(code, 0))
    grades = [row.grade for row in rows if row.grade is not None]
    if worst:
        return findings_words(KeyReading(findings=worst), titles)
    return words[max(grades)] if grades else "–"


@dataclass(frozen=True)
class EvenRow:
    """How even a quantity is along the keyboard: the standard deviation over the keys before and after, the largest
    step after from one key to the next of its colour, and between which keys."""

    title: str
    unit: str
    before: str
    after: str
    step: str
    where: str


def evenness(proof: Proof, units: str) -> list[EvenRow]:
    """A row for each quantity that the final check read on three keys or more."""
    if proof.compass is None:
        return []
    rows = []
    for quantity in _EVEN:
        after = {key: value / 1000 for key, row in proof.rows.items() if (value := getattr(row, quantity)) is not None}
        before = [value / 1000 for key in proof.before.present if (value := proof.earlier(quantity, key)) is not None]
        if len(after) < _FEWEST_EVEN:
            continue
        unit = entry_unit(quantity, units)
        steps = [
            (abs(after[high] - after[low]), low, high)
            for sharp in (False, True)
            for low, high in pairwise(key for key in sorted(after) if proof.compass.keys.is_sharp(key) is sharp)
        ]
        largest, low, high = max(steps, key=lambda step: (step[0], -step[1]), default=(None, 0, 0))

        def text(value: float | None, unit: str = unit) -> str:
            return "–" if value is None else show(round(value * 1000), unit, 4 if unit == "in" else 2)

        rows.append(
            EvenRow(
                quantity_title(quantity),
                unit_sign(unit),
                text(stdev(before) if len(before) >= _FEWEST_EVEN else None),
                text(stdev(after.values())),
                text(largest),
                _("keys %(low)d and %(high)d") % {"low": low, "high": high} if largest is not None else "–",
            )
        )
    return rows


# --- pictures -------------------------------------------------------------------------------------


def _scaled(value: int, quantity: str, units: str) -> float:
    return value / 1000 / (_INCH if entry_unit(quantity, units) == "in" else 1)


def _before_values(proof: Proof, quantity: str, units: str) -> dict[int, float]:
    return {
        key: _scaled(value, quantity, units)
        for key in proof.before.present
        if (value := proof.earlier(quantity, key)) is not None
    }


def _after_values(proof: Proof, quantity: str, units: str) -> dict[int, float]:
    return {
        key: _scaled(value, quantity, units)
        for key, row in proof.rows.items()
        if (value := getattr(row, quantity)) is not None
    }


def plots(proof: Proof, units: str) -> list[Plot]:
    """Side play and skew before and after on one scale, clearance after, bare widths before; each names its place."""
    limits = {limit.quantity: limit for limit in proof.limits}
    scale = _INCH if units == "in" else 1.0
    decimals = 3 if units == "in" else 2
    out: list[Plot] = []
    before, after = _before_values(proof, "side_play", units), _after_values(proof, "side_play", units)
    limit = limits.get("side_play")
    series = [
        *([Series(before, label=_("before"), hollow=True)] if len(before) >= _FEWEST_PLOTTED else []),
        *([Series(after, label=_("after"))] if len(after) >= _FEWEST_PLOTTED else []),
    ]
    if series:
        out.append(
            Plot(
                _("Side play at the fingertip, key up"),
                units,
                series,
                band=_band(limit, scale, units),
                outside=_outside(proof, "side_play") if after else frozenset(),
                decimals=decimals,
                height=110,
            )
        )
    for clearance in _CLEARANCES:
        limit = limits.get(clearance)
        found = {key: value / scale for key in proof.values if (value := proof.values[key].get(clearance)) is not None}
        if limit is not None and len(found) >= _FEWEST_PLOTTED:
            out.append(
                Plot(
                    f"{limit_title(clearance)}, {_('after')}",
                    units,
                    [Series(found)],
                    band=_band(limit, scale, units),
                    outside=_outside(proof, clearance),
                    decimals=decimals,
                    height=84,
                )
            )
    bare = _before_values(proof, "balance_mortise_width", units)
    if len(bare) >= _FEWEST_PLOTTED:
        out.append(
            Plot(_("Balance mortise width, bare wood, before"), units, [Series(bare)], decimals=decimals, height=84)
        )
    before, after = _before_values(proof, "skew", units), _after_values(proof, "skew", units)
    series = [
        *([Series(before, label=_("before"), hollow=True)] if len(before) >= _FEWEST_PLOTTED else []),
        *([Series(after, label=_("after"))] if len(after) >= _FEWEST_PLOTTED else []),
    ]
    if series:
        failing = _outside(proof, "skew_copy") if after and "skew_copy" in limits else frozenset()
        out.append(Plot(_("Mortise skew, off square to the rail"), "°", series, outside=failing, decimals=1, height=96))
    return out


def _band(limit: FinalLimit | None, scale: float, units: str) -> Band | None:
    if limit is None:
        return None
    label = _("limits %(range)s %(unit)s") % {"range": range_of(limit, units), "unit": units}
    return Band(limit.low / scale, limit.high / scale, label=label)


def _outside(proof: Proof, quantity: str) -> frozenset[int]:
    found = ((one.key, one.of(quantity)) for one in proof.verdicts.keys)
    return frozenset(
        key
        for key, judged in found
        if judged is not None and judged.value is not None and not judged.limit.low <= judged.value <= judged.limit.high
    )


def _faces_before(proof: Proof) -> list[KeyFace]:
    """Each key as the arrival and the stripped check left it: the worse grade, the skew that was read."""
    assert proof.compass is not None
    arithmetic = proof.compass.keys
    missing, broken = set(proof.compass.missing), set(proof.compass.broken)
    faces = []
    for key in arithmetic.keys:
        grades = [row.grade for row in proof.found(key) if row.grade is not None]
        skew = proof.earlier("skew", key) if key not in missing else None
        faces.append(
            KeyFace(
                number=key,
                name=arithmetic.name(key),
                sharp=arithmetic.is_sharp(key),
                grade=max(grades) if grades else None,
                skew_deg=skew / 1000 if skew is not None else None,
                missing=key in missing,
                broken=key in broken,
            )
        )
    return faces


def faces_after(proof: Proof) -> list[KeyFace]:
    assert proof.compass is not None
    failing = set(proof.failing)
    return [
        KeyFace(
            number=face.number,
            name=face.name,
            sharp=face.sharp,
            grade=face.grade,
            skew_deg=face.skew_deg,
            missing=face.missing,
            marks=(_("fails"),) if face.number in failing else (),
        )
        for face in pictures.faces(proof.compass, proof.rows.values())
    ]


@dataclass(frozen=True)
class Pictures:
    """before and after are rows of buttons; charts are the plots under a row of their own."""

    before: str
    after: str
    charts: str
    counts: Mapping[str, int]
    counts_after: Mapping[str, int]


def _pictures(proof: Proof, units: str) -> Pictures:
    before, after = _faces_before(proof), faces_after(proof)
    tag = proof.job.tag
    drawn = plots(proof, units)

    def row(faces: Sequence[KeyFace], uid: str, title: str, shown: Sequence[Plot] = ()) -> str:
        return pictures.row_svg(faces, uid=uid, title=title, plots=shown, font_size=17, after=faces is after)

    has_after = bool(proof.rows)
    return Pictures(
        before=row(before, "before", _("The keys of %(tag)s before the work") % {"tag": tag}),
        after=row(after, "after", _("The keys of %(tag)s after the work") % {"tag": tag}) if has_after else "",
        charts=row(
            after if has_after else before, "charts", _("Readings of %(tag)s before and after") % {"tag": tag}, drawn
        )
        if drawn
        else "",
        counts=_counts(before),
        counts_after=_counts(after),
    )


def _counts(faces: Sequence[KeyFace]) -> dict[str, int]:
    return pictures.counts_of(
        "".join("-" if face.missing else "." if face.grade is None else str(face.grade) for face in faces)
    )


# --- what was done, by whom, with what ------------------------------------------------------------


@dataclass(frozen=True)
class Agreed:
    """A line the client said yes to, and how far it is. lacking: what of its promise the final check does not show."""

    line: Line
    done: str
    lacking: str


def _agreed(proof: Proof, stages: Mapping[str, Stage]) -> list[Agreed]:
    """The client's own list of agreed work, with who finished each line and when."""
    rows = []
    for line in proof.agreed_lines:
        lacking = {slug: keys for slug, keys in proof.owed.items() if slug in line.proves}
        rows.append(Agreed(line, _done_words(stages.get(line.stage)), owed_words(lacking, proof.before.present)))
    return rows


def drop_words(proof: Proof) -> str:
    """What the drop test showed; "" where it was neither agreed nor made."""
    if proof.check is None:
        return ""
    count, words = len(proof.dropped), {"keys": format_keys(proof.dropped)}
    if proof.check.drop_tested and not count:
        return _("each key raised about 50 mm (2 in); all fell by their own weight")
    if proof.check.drop_tested:
        return (
            ngettext(
                "each key raised about 50 mm (2 in); all fell by their own weight except key %(keys)s",
                "each key raised about 50 mm (2 in); all fell by their own weight except keys %(keys)s",
                count,
            )
            % words
        )
    if count:
        return (
            ngettext(
                "not written down as made on every key; key %(keys)s did not fall by its own weight",
                "not written down as made on every key; keys %(keys)s did not fall by their own weight",
                count,
            )
            % words
        )
    return _("agreed, not made") if Proves.DROP in proof.agreed else ""


def left_words(proof: Proof) -> str:
    """What was found before the work and is not known to have been put right: "stick broken (44)"; "" for nothing."""
    return named_findings(left_as_found(proof)) if proof.check else ""


def _done_words(stage: Stage | None) -> str:
    if stage is None:
        return _("no stage of its own")
    if stage.state == route.DONE and stage.finished_at:
        day = dated(stage.finished_at, "DAY_FORMAT")
        return f"{stage.finished_by.short_name}, {day}" if stage.finished_by else day
    if stage.state == route.SKIPPED:
        return _("left out: %(reason)s") % {"reason": stage.reason}
    return _("not finished yet")


@dataclass(frozen=True)
class Logged:
    """A stage in the log of work: who had a hand in it, since when (the first time, where it was done again), and what
    is worth knowing."""

    stage: Stage
    people: str
    begun: datetime.datetime | None
    notes: tuple[str, ...]


def _work_log(job: Job, stages: Sequence[Stage]) -> list[Logged]:
    # The first release wrote counts of keys as events; from the second on each key has its row.
    told: dict[str, list[Event]] = {}
    for event in Event.objects.filter(job=job, what="keys_done").select_related("by").order_by("at", "id"):
        told.setdefault(str(event.details.get("stage", "")), []).append(event)
    by_stage: dict[int, list[KeyDone]] = {}
    for row in KeyDone.objects.filter(stage__job=job).select_related("by"):
        by_stage.setdefault(row.stage_id, []).append(row)
    hands = {
        pk: (*hands_of([row for row in rows if row.undone_at is None]), *_redone(rows)) for pk, rows in by_stage.items()
    }
    packed = Count.objects.filter(job=job, kind=CountKind.OUT).first()
    out = []
    for stage in stages:
        if stage.kind in ("estimate", "answer") or (stage.state == route.WAITING and not stage.begun_at):
            continue
        spells = list(stage.spells.all())
        people = [spell.by for spell in spells]
        people += [person for person in (stage.begun_by, stage.finished_by) if person is not None]
        notes = [spell.note for spell in spells if spell.note]
        notes += [
            _("%(keys)s keys done by %(day)s (%(person)s)")
            % {
                "keys": event.details.get("keys", ""),
                "day": date_format(timezone.localtime(event.at), "MONTH_DAY_FORMAT"),
                "person": event.by.short_name if event.by else "–",
            }
            for event in told.get(stage.kind, ())
        ]
        notes += hands.get(stage.pk, ())
        if stage.kind == "pack" and stage.state == route.DONE and packed is not None:
            notes.append(packed.words)
        if stage.reason:
            words = _("left out: %(reason)s") if stage.state == route.SKIPPED else _("sent back: %(reason)s")
            notes.append(words % {"reason": stage.reason})
        names = ", ".join(dict.fromkeys(person.short_name for person in people))
        begun = min([moment for moment in (stage.begun_at, *(one.begun_at for one in spells)) if moment], default=None)
        out.append(Logged(stage, names, begun, tuple(notes)))
    return out


def _redone(rows: Sequence[KeyDone]) -> tuple[str, ...]:
    """The keys that were done a second time, as a note: "done again: keys 2, 40, before that on 3 Nov"."""
    standing = {row.key for row in rows if row.undone_at is None}
    before = [row for row in rows if row.undone_at is not None and row.key in standing]
    if not before:
        return ()
    day = date_format(timezone.localtime(max(row.at for row in before)), "MONTH_DAY_FORMAT")
    keys = format_keys({row.key for row in before})
    return (_("done again: keys %(keys)s, before that on %(day)s") % {"keys": keys, "day": day},)


@dataclass(frozen=True)
class SizeRow:
    """One size of the buttons as found: median, lowest to highest, count; and as made: the same in words, "" where the
    final check did not read it."""

    title: str
    unit: str
    found: str
    spread: str
    count: int
    made: str


@dataclass(frozen=True)
class ButtonGroup:
    keys: str
    count: int
    size: str
    mortise: str
    skew: str
    made: str


@dataclass(frozen=True)
class Buttons:
    """New buttons: which keys, sizes as found, groups as cut, bought parts."""

    keys: str
    sizes: tuple[SizeRow, ...]
    groups: tuple[ButtonGroup, ...]
    parts: tuple[tuple[BoughtPart, str], ...]


def _buttons(proof: Proof, units: str) -> Buttons | None:
    keys, _why = renewed_keys(proof.job, proof.before)
    if not keys:
        return None
    spec = spec_of(proof.before, keys, mortise_length=14.0, follows=RAIL, assumed=proof.assumed)

    def text(value: float | None, unit: str) -> str:
        return "–" if value is None else amount(value, unit, units)

    def made(quantity: str, of: Iterable[int], unit: str) -> str:
        """As read in the final check: "median (lowest to highest, keys)"."""
        read = [getattr(proof.rows.get(key), quantity, None) for key in of]
        values = [value / 1000 for value in read if value is not None]
        if not values:
            return ""
        return _("%(median)s (%(low)s to %(high)s, %(count)d read)") % {
            "median": text(median(values), unit),
            "low": text(min(values), unit),
            "high": text(max(values), unit),
            "count": len(values),
        }

    sizes = []
    for row in spec.figures:
        if row.median is None or row.quantity == "balance_pin":
            continue
        if row.quantity == "skew" and len({group.spec.skew for group in spec.groups}) > 1:
            continue  # no median of several angles is anybody's: the groups have their own
        unit = "°" if QUANTITIES[row.quantity].dimension == ANGLE else "mm"
        spread = _("%(low)s to %(high)s") % {"low": text(row.low, unit), "high": text(row.high, unit)}
        # A mortise with its cloth in is no size of the button any more.
        as_made = "" if row.quantity.endswith("mortise_width") else made(row.quantity, keys, unit)
        title, sign = quantity_title(row.quantity), sign_of(unit, units)
        sizes.append(SizeRow(title, sign, text(row.median, unit), spread, row.read, as_made))
    groups = tuple(
        ButtonGroup(
            keys=format_keys(group.keys),
            count=len(group.keys),
            size=" × ".join(text(value, "mm") for value in (group.spec.length, group.spec.width, group.spec.height)),
            mortise=text(group.spec.mortise_width, "mm"),
            skew=text(group.spec.skew, "°"),
            made=made("skew", group.keys, "°") or _("not read"),
        )
        for group in spec.groups
    )
    parts = tuple(
        (part, " × ".join(text(value / 1000, "mm") for value in (part.length, part.width, part.height)))
        for part in BoughtPart.objects.filter(job=proof.job)
    )
    return Buttons(format_keys(keys), tuple(sizes), groups, parts)


@dataclass(frozen=True)
class LimitRow:
    title: str
    place: str
    range: str
    unit: str
    u: str
    source: str


def limit_rows(proof: Proof, units: str) -> list[LimitRow]:
    """The limits that were held against the keys, each with its place, its uncertainty and whose figure it is."""
    rows = []
    for limit in proof.limits:
        names = (
            [limit.quantity] if limit.quantity == "skew_copy" else [f"{limit.quantity}_low", f"{limit.quantity}_high"]
        )
        changed = any(getattr(proof.assumed, name) != BY_NAME[name].default for name in names)
        sources = list(dict.fromkeys(BY_NAME[name].source for name in names))
        source = _("the shop's own figure") if changed else "; ".join(sources)
        u = _fine(limit.u) if limit.unit != "mm" else show(round(limit.u * 1000), units, 4 if units == "in" else 3)
        rows.append(
            LimitRow(
                limit_title(limit.quantity),
                place_words(limit),
                range_of(limit, units),
                sign_of(limit.unit, units),
                u,
                source,
            )
        )
    return rows


@dataclass(frozen=True)
class ExceptionRow:
    """A reading that did not pass, in words."""

    key: int
    name: str
    title: str
    value: str
    limit: str
    chance: str
    verdict: str
    by_sight: bool = False


def exceptions(proof: Proof, units: str) -> list[ExceptionRow]:
    """Every reading that did not pass, key by key; a key that fails by sight has a line for that."""
    if proof.compass is None:
        return []
    words, titles = pictures.grade_words(after=True), finding_titles()
    rows = []
    for one in proof.verdicts.keys:
        if one.verdict == PASS:
            continue
        name = proof.compass.keys.name(one.key)
        if one.seen and one.grade is not None:
            seen = findings_words(proof.rows[one.key], titles) or words[one.grade]
            rows.append(ExceptionRow(one.key, name, _("By sight"), seen, "–", "–", verdict_words(FAIL), by_sight=True))
        if not one.judged and not one.seen:
            rows.append(ExceptionRow(one.key, name, _("Every reading"), "–", "–", "–", verdict_words(NOT_READ)))
        rows += [_exception(one.key, name, judged, units, proof.count(judged.quantity, one.key)) for judged in one.why]
    return rows


def _exception(key: int, name: str, judged: Judged, units: str, count: int) -> ExceptionRow:
    limit = judged.limit
    sign = sign_of(limit.unit, units)
    value = "–"
    if judged.value is not None:  # an angle finer than it was read: it is a difference to a mean
        fine = minus(_fine(judged.value)) if limit.unit != "mm" else ""
        value = f"{fine or amount(judged.value, limit.unit, units)} {sign}"
    if count > 1:
        value = _("%(value)s, mean of %(count)d") % {"value": value, "count": count}
    chance = "–"
    if judged.chance is not None:
        chance = _("under 1 %") if judged.chance < 0.01 else f"{min(round(judged.chance * 100), 99)} %"
    title = limit_title(limit.quantity)
    return ExceptionRow(
        key, name, title, value, f"{range_of(limit, units)} {sign}", chance, verdict_words(judged.verdict)
    )


# --- paper ----------------------------------------------------------------------------------------


def _photos(job: Job) -> tuple[list[tuple[Photo, str]], int]:
    """At most 24 photos, of the whole set first, then by key in the order they were taken, each with the name of the
    file to print, "" where it is gone. And how many there are in all."""
    photos = sorted(Photo.objects.filter(job=job), key=lambda photo: (photo.key or 0, photo.taken_at, photo.pk))
    whole = [photo for photo in photos if photo.key is None]
    chosen = [*whole[:3], *(photo for photo in photos if photo.key is not None)][:MOST_PHOTOS]
    out, left = [], _LARGEST_PHOTOS
    for place, photo in enumerate(chosen):
        size = _size(photo.image)
        # Every photo after this one keeps its share of the room.
        fits = size is not None and size <= left - (len(chosen) - place - 1) * _SMALL_PHOTO
        name = "" if size is None else photo.image.name if fits or _size(photo.small) is None else photo.small.name
        left -= (size or 0) if fits else _SMALL_PHOTO
        out.append((photo, name))
    return out, len(photos)


def _size(file: Any) -> int | None:
    """Bytes of a kept file, None where it is gone."""
    try:
        return file.size
    except FileNotFoundError:
        return None


def _cautions(proof: Proof) -> list[Caution]:
    """Those that whoever opens the set next must know."""
    slugs = []
    findings = {code for rows in proof.before.rows.values() for row in rows.values() for code in row.findings}
    findings |= {code for row in proof.rows.values() for code in row.findings}
    if any(code.startswith("lead") for code in findings) or any(
        stage.kind == "leads" and stage.state != route.SKIPPED for stage in proof.job.stages.all()
    ):
        slugs.append("lead")
    if proof.job.instrument.keytops == Keytops.IVORY:
        slugs.append("ivory")
    if proof.job.with_keyframe:
        slugs.append("lifting")
    return [CAUTIONS[slug] for slug in slugs]


def guarantee_words(job: Job, months: int) -> str:
    if not months:
        return ""
    if job.left_at is None:
        return ngettext(
            "%(months)d month from the day the set leaves us",
            "%(months)d months from the day the set leaves us",
            months,
        ) % {"months": months}
    until = guarantee_ends(timezone.localdate(job.left_at), months)
    return _("until %(day)s") % {"day": dated(until, "LONG_DAY_FORMAT")}


def _air(check: Check | None) -> str:
    if check is None or check.humidity is None:
        return ""
    humidity = f"{check.humidity.normalize():f} % RH"
    return humidity if check.temperature is None else f"{humidity}, {check.temperature.normalize():f} °C"


def _humidity_warning(proof: Proof) -> str:
    before, after = proof.before.checks[-1] if proof.before.checks else None, proof.check
    if before is None or after is None or before.humidity is None or after.humidity is None:
        return ""
    apart = abs(after.humidity - before.humidity)
    if float(apart) <= COMPARABLE:
        return ""
    return _(
        "The air of the two checks differs by %(apart)s %% RH. Wood and cloth follow the air: part of any difference"
        " between before and after may be the air and not the work. It changes nothing in the verdicts, which rest on"
        " the final check alone."
    ) % {"apart": f"{apart.normalize():f}"}


def result_words(proof: Proof) -> str:
    counts = proof.verdicts.counts
    said = [
        ngettext("%(count)d key passes", "%(count)d keys pass", counts[PASS]) % {"count": counts[PASS]},
    ]
    if counts[UNDECIDED]:
        said.append(
            ngettext("%(count)d is undecided", "%(count)d are undecided", counts[UNDECIDED])
            % {"count": counts[UNDECIDED]}
        )
    if counts[FAIL]:
        said.append(ngettext("%(count)d fails", "%(count)d fail", counts[FAIL]) % {"count": counts[FAIL]})
    if counts[NOT_READ]:
        said.append(
            ngettext("%(count)d was not read", "%(count)d were not read", counts[NOT_READ])
            % {"count": counts[NOT_READ]}
        )
    return ", ".join(said)


def moment_of(proof: Proof) -> datetime.datetime:
    """The date of the report: it comes from the rows, so that the same rows print the same bytes."""
    job, check = proof.job, proof.check
    if job.left_at:
        return job.left_at
    if check is not None:
        return check.closed_at or check.begun_at
    return max([job.received_at, *(before.closed_at or before.begun_at for before in proof.before.checks)])


def context_of(job: Job, units: str) -> dict[str, Any]:
    """All that the report prints. job comes with client, instrument and stages (Job.objects.for_lists())."""
    proof = proof_of(job)
    stages = list(job.stages.select_related("begun_by", "finished_by").prefetch_related("spells__by"))
    workshop = Workshop.ours().at(job.branch)
    photos, photo_count = _photos(job)
    readable = proof.compass is not None
    release = None
    if proof.check and proof.released:
        release = Event.objects.filter(job=job, what="check_released", details__check=proof.check.pk).last()
    moments = [proof.before.checks[-1]] if proof.before.checks else []
    return {
        "workshop": workshop,
        "job": job,
        "proof": proof,
        "check": proof.check,
        "units": units,
        "made_at": moment_of(proof),
        "result": result_words(proof),
        "keys_here": len(proof.before.present),
        "arrival": moments[0] if moments else None,
        "air_before": _air(moments[0]) if moments else "",
        "air_after": _air(proof.check),
        "humidity_warning": _humidity_warning(proof),
        "release_at": release.at if release else None,
        "guarantee": guarantee_words(job, workshop.guarantee_months),
        "agreed": _agreed(proof, {stage.kind: stage for stage in stages}),
        "log": _work_log(job, stages),
        "pictures": _pictures(proof, units) if readable else None,
        "table": key_table(proof, units) if readable else None,
        "limits": limit_rows(proof, units),
        "unmeasured": "; ".join(lower_first(limit_title(quantity)) for quantity in proof.unmeasured),
        "owed": proof.owed_words,
        "drop": drop_words(proof),
        "evenness": evenness(proof, units),
        "airs": [(check, _air(check)) for check, _rows in _checks(proof)],
        "unsaid": [(check, ", ".join(map(quantity_title, names)).lower()) for check, names in proof.unsaid],
        "from_photos": [(check, len(us), _fine(min(us)), _fine(max(us))) for check, us in proof.photos.items()],
        "put_right": _put_right(proof),
        "worked_after": format_keys(proof.worked_after),
        "repeats": _repeats(proof, units),
        "exceptions": exceptions(proof, units),
        "left": left_words(proof),
        "buttons": _buttons(proof, units) if readable else None,
        "pins": pin_sizes(proof, units),
        "uses": [
            (use, thickness_words(use.lot.material, units))
            for use in Use.objects.filter(job=job).select_related("lot__material", "by")
        ],
        "gauges": [
            (used, _gauge_words(used, units))
            for used in sorted(proof.gauges, key=lambda used: (used.check.begun_at, used.gauge.pk))
        ],
        "guard": f"{fit.GUARD:.3f}".rstrip("0"),
        "photos": photos,
        "photo_count": photo_count,
        "cautions": _cautions(proof),
    }


def _put_right(proof: Proof) -> list[tuple[datetime.datetime, str]]:
    """(when, which keys): the final check was opened again for keys that were put right after it."""
    if proof.check is None:
        return []
    opened = Event.objects.filter(what="check_reopened", job=proof.job, details__check=proof.check.pk)
    told = opened.filter(details__has_key="put_right").order_by("at", "id").values_list("at", "details")
    return [(at, format_keys(details["put_right"])) for at, details in told]


def lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]


def _repeats(proof: Proof, units: str) -> list[tuple[str, str, str]]:
    """What was read more than once in the final check: (quantity, keys, the scatter it shows)."""
    out = []
    for quantity in QUANTITIES:
        keys = [key for key, held in sorted(proof.taken.items()) if len(held.get(quantity, ())) > 1]
        if not keys:
            continue
        unit, shown = entry_unit(quantity, units), proof.scatter.get(quantity)
        said = _("too few repeats to tell their scatter")
        if shown:
            sd = show(round(shown.sd), unit, {"in": 4, "g": 1}.get(unit, 3))
            said = _("scatter %(sd)s %(unit)s, %(count)d degrees of freedom") % {
                "sd": sd,
                "unit": unit_sign(unit),
                "count": shown.freedom,
            }
        out.append((quantity_title(quantity), format_keys(keys), said))
    return out


def thickness_words(material: Material, units: str) -> str:
    """The thickness of a cloth, unless its title names it already."""
    if material.thickness is None:
        return ""
    said = f"{show(material.thickness, units, 3 if units == 'in' else 2)} {units}"
    return "" if said in material.title else said


def _gauge_words(used: Any, units: str) -> dict[str, str]:
    gauge = used.gauge
    unit = ANGLE if gauge.kind == "bevel" else units
    decimals = 2 if unit == ANGLE else 4 if units == "in" else 3
    return {
        "resolution": f"{show(gauge.resolution, unit, decimals)} {unit_sign(unit)}",
        "error": f"{show(gauge.error, unit, decimals)} {unit_sign(unit)}",
        "u": f"{show(round(gauge.uncertainty * 1000), unit, decimals)} {unit_sign(unit)}",
        "checked": _checked_words(used),
        "measured": ", ".join(quantity_title(quantity).lower() for quantity in used.quantities) or _("lengths"),
    }


def _checked_words(used: Any) -> str:
    """When the instrument was last checked, as seen from the check it was used in."""
    day = used.gauge.checked_on
    if day is None:
        return ""
    said = dated(day, "DAY_FORMAT")
    if day > timezone.localdate(used.check.closed_at or used.check.begun_at):
        return _("%(day)s, after this use") % {"day": said}
    return said


def handoff(job: Job, units: str = "mm") -> bytes:
    """The PDF, with the readings inside as CSV and JSON. The same rows make the same bytes."""
    context = context_of(job, units)
    proof: Proof = context["proof"]
    html = render_to_string("documents/handoff.html", context)
    at = context["made_at"]
    return render_pdf(
        html,
        [
            Attached(f"{job.tag}-readings.csv", _("every reading, a line a key"), readings_csv(proof), at),
            Attached(f"{job.tag}-readings.json", _("every reading, limit and verdict"), readings_json(proof), at),
        ],
    )


# --- the readings for a machine -------------------------------------------------------------------


def _checks(proof: Proof) -> list[tuple[Check, Mapping[int, Any]]]:
    """Arrival, stripped, final: each with its rows."""
    rows: list[tuple[Check, Mapping[int, Any]]] = [
        (check, proof.before.rows[check.pk]) for check in reversed(proof.before.checks)
    ]
    if proof.check is not None:
        rows.append((proof.check, proof.rows))
    return rows


def readings_csv(proof: Proof) -> str:
    """A line a key, in mm, degrees and grams whatever the reader's unit; a column a check and quantity."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    checks = _checks(proof)
    columns = [
        (check, quantity)
        for check, rows in checks
        for quantity in QUANTITIES
        if any(getattr(row, quantity) is not None for row in rows.values())
    ]
    judged = [limit.quantity for limit in proof.limits]
    units = {"mm": "mm", "deg": "deg", "g": "g"}
    writer.writerow(
        [
            "key",
            "note",
            *(f"{check.kind}_{quantity}_{units[QUANTITIES[quantity].dimension]}" for check, quantity in columns),
            *(f"{what}_{quantity}" for quantity in judged for what in ("judged", "u", "readings", "verdict")),
            "verdict",
        ]
    )
    rows_of = {check.pk: rows for check, rows in checks}
    if proof.compass is None:
        return out.getvalue()
    by_key = proof.by_key
    for key in proof.compass.keys.keys:
        one = by_key.get(key)
        cells = [getattr(rows_of[check.pk].get(key), quantity, None) for check, quantity in columns]
        writer.writerow(
            [
                key,
                proof.compass.keys.name(key),
                *("" if value is None else show(value, "mm", 3) for value in cells),
                *(text for name in judged for text in _judged_cells(proof, key, one.of(name) if one else None)),
                one.verdict if one else "",
            ]
        )
    return out.getvalue()


def _judged_cells(proof: Proof, key: int, judged: Judged | None) -> tuple[str, str, str, str]:
    """Value, standard uncertainty, readings it is the mean of, verdict."""
    if judged is None:
        return "", "", "", ""
    if judged.value is None:
        return "", "", "0", judged.verdict
    return (
        f"{judged.value:.3f}",
        f"{judged.limit.u:.5f}",
        str(proof.count(judged.quantity, key)),
        judged.verdict,
    )


def readings_json(proof: Proof) -> str:
    """The same as JSON with limits, uncertainties, findings, notes and chances."""
    by_key = proof.by_key
    checks = _checks(proof)
    keys = []
    for key in proof.compass.keys.keys if proof.compass else ():
        one = by_key.get(key)
        keys.append(
            {
                "key": key,
                "note": proof.compass.keys.name(key) if proof.compass else "",
                "missing": key in set(proof.compass.missing) if proof.compass else False,
                "checks": {check.kind: _row_values(rows[key]) for check, rows in checks if key in rows},
                "verdict": one.verdict if one else None,
                "judged": [
                    {
                        "quantity": judged.quantity,
                        "value": judged.value,
                        "u": round(judged.limit.u, 6),
                        "readings": [
                            one.value / 1000 for one in proof.taken.get(key, {}).get(READ_FROM[judged.quantity], ())
                        ],
                        "verdict": judged.verdict,
                        "chance": None if judged.chance is None else round(judged.chance, 6),
                    }
                    for judged in (one.judged if one else ())
                ],
            }
        )
    told = {
        "tag": proof.job.tag,
        "instrument": str(proof.job.instrument),
        "units": {"length": "mm", "angle": "deg", "weight": "g"},
        "guard": fit.GUARD,
        "verdicts": list(VERDICTS),
        "provisional": not proof.closed,
        "released": proof.check.release_reason if proof.check and proof.released else None,
        "limits": [asdict(limit) for limit in proof.limits],
        "agreed": proof.agreed,
        "agreed_not_measured": proof.owed,
        "drop_test": {"made": bool(proof.check and proof.check.drop_tested), "not_by_own_weight": proof.dropped},
        "checks": [
            {
                "kind": check.kind,
                "begun": check.begun_at.isoformat(),
                "closed": check.closed_at.isoformat() if check.closed_at else None,
                "humidity": None if check.humidity is None else float(check.humidity),
                "temperature": None if check.temperature is None else float(check.temperature),
                "instruments": [
                    {"name": used.gauge.name, "u": round(used.gauge.uncertainty, 6), "quantities": used.quantities}
                    for used in proof.gauges
                    if used.check.pk == check.pk
                ],
            }
            for check, _rows in checks
        ],
        "keys": keys,
    }
    return json.dumps(told, ensure_ascii=False, indent=1, sort_keys=True)


def _row_values(row: Any) -> dict[str, Any]:
    values: dict[str, Any] = {
        quantity: value / 1000 for quantity in QUANTITIES if (value := getattr(row, quantity)) is not None
    }
    return {"readings": values, "findings": dict(row.findings), "grade": row.grade, "note": row.note}

"""A spec as its page shows it: groups to cut, blanks, pictures, and the verdict on each bought part in sentences."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext, pgettext

from keyboards.core.assumptions import Assumed
from keyboards.core.cutting import Blanks, button_width_needed
from keyboards.core.errors import MeasurementError
from keyboards.core.flex import (
    CAUTION_UTILISATION,
    WOODS,
    KeyGeometry,
    flexibility_curve,
    key_flexibility,
    slot_cover,
    utilisation,
)
from keyboards.core.keys import format_keys
from keyboards.core.parts import (
    Held,
    PartFigures,
    Tolerances,
    Verdict,
    cover_answer,
    hold_part,
    with_button,
    worst_stress,
)
from keyboards.core.skew import angle_uncertainty
from keyboards.drafting import Sawing, blanks_of, contents_of
from keyboards.drawing.button import blanks_drawn
from keyboards.drawing.curve import Mark, Zone, curve
from keyboards.drawing.key_section import Button, SectionWords, Stick, plan_view, side_view, sign_picture, signed
from keyboards.drawing.plots import written
from keyboards.forms.numbers import said
from keyboards.forms.specs import SpecForm
from keyboards.models import BoughtPart, CheckKind
from keyboards.reckoning import cover_words, ratio
from keyboards.specifying import (
    RAIL,
    STICK,
    Figure,
    Group,
    SetReadings,
    Spec,
    angles_from_photos,
    spec_of,
    tolerances_of,
)
from keyboards.words import quantity_title, wrong_with

_INCH = 25.4
_CURVE_POINTS = 33
_MOST_MARKS = 3


def begin_with(readings: SetReadings, keys: Sequence[int], assumed: Assumed) -> Mapping[str, Any]:
    """What the form starts from: the keys, and what the readings say of the key they sit on."""
    of = readings.typical
    pin = of("balance_pin") or assumed.pin
    return {
        "keys": format_keys(keys),
        "follows": STICK if readings.of("splay") else RAIL,
        "slot_length": of("slot_length"),
        "mortise_length": of("slot_length"),
        "slot_width": of("balance_mortise_width"),
        "stick_width": of("button_width"),
        "pin": pin,
        "hole": pin,
    }


@dataclass(frozen=True)
class GroupRow:
    """A group for its row in the table; `trouble` is what to think of before it is cut."""

    number: int
    group: Group
    keys: str
    length: str
    width: str
    height: str
    mortise: str
    skew: str
    offset: str
    chosen: bool
    trouble: str = ""


@dataclass(frozen=True)
class BlankRow:
    """Blanks of one profile."""

    profile: str
    pieces: int
    blanks: Blanks
    layout: tuple[str, ...]
    svg: str


@dataclass(frozen=True)
class HeldRow:
    """One figure of part and original, in words."""

    title: str
    original: str
    part: str
    allowed: str
    status: str
    words: str


@dataclass(frozen=True)
class PartRow:
    """A bought part: the verdict for the chosen group, why, the groups it serves, and how both look."""

    part: BoughtPart
    answer: str
    words: str
    why: tuple[str, ...] = ()
    rows: tuple[HeldRow, ...] = ()
    serves: str = ""
    side: str = ""
    side_narrow: str = ""
    plan: str = ""
    plan_narrow: str = ""


@dataclass(frozen=True)
class SpecPage:
    """All that the page shows."""

    spec: Spec
    unit: str
    figures: tuple[str, ...]
    warnings: tuple[str, ...]
    groups: tuple[GroupRow, ...] = ()
    blanks: tuple[BlankRow, ...] = ()
    to_cut: int = 0
    parts: tuple[PartRow, ...] = ()
    cover: str = ""
    cover_bad: bool = False
    cover_least: str = ""
    stress: str = ""
    stress_high: bool = False
    findings: tuple[str, ...] = ()
    side: str = ""
    side_narrow: str = ""
    plan: str = ""
    plan_narrow: str = ""
    flex: str = ""
    flex_narrow: str = ""
    sign: str = ""

    @property
    def chosen(self) -> GroupRow | None:
        return next((row for row in self.groups if row.chosen), None)


def spec_page(
    readings: SetReadings, form: SpecForm, assumed: Assumed, parts: Sequence[BoughtPart], *, chosen: str = ""
) -> SpecPage:
    """The spec and everything held against it. `chosen`: the number of the group the pictures show, the first where it
    names none."""
    data, unit = form.cleaned_data, form.unit
    spec = spec_of(
        readings, data["keys"], mortise_length=data["mortise_length"], follows=data["follows"], assumed=assumed
    )
    told = tuple(_figure_words(figure, unit) for figure in spec.figures)
    warnings = _warnings(readings, spec, form) + _photo_words(readings, spec, data["keys"])
    sign = sign_svg(unit)
    if not spec.groups:
        return SpecPage(spec, unit, told, warnings, sign=sign)
    number = int(chosen) if chosen.isascii() and chosen.isdigit() and len(chosen) < 4 else 1
    number = number if 1 <= number <= len(spec.groups) else 1
    rows = tuple(
        _group_row(index, group, unit, assumed, index == number) for index, group in enumerate(spec.groups, start=1)
    )
    contents = contents_of(spec, data, assumed)
    blanks, cannot = _blank_rows(contents, unit)
    warnings += cannot
    common: dict[str, Any] = {
        "spec": spec,
        "unit": unit,
        "figures": told,
        "groups": rows,
        "blanks": blanks,
        "to_cut": sum(group.to_cut for group in spec.groups),
        "sign": sign,
    }
    modulus = WOODS[data["button_wood"]].modulus
    originals = [group.figures(modulus) for group in spec.groups]
    original = originals[number - 1]
    try:
        key = replace(form.key(), slot_length=data["slot_length"])
        own = with_button(key, original)
    except MeasurementError as error:
        trouble = _("The flex of this key cannot be reckoned: these figures do not go together (%(why)s).")
        return SpecPage(**common, warnings=(*warnings, trouble % {"why": wrong_with(error, unit)}))
    held = _Held(key, tolerances_of(assumed), tuple(originals), number - 1, _unread(spec), form)
    part_rows, marks = [], []
    for part in parts:
        row, mark = _part_row(part, held)
        part_rows.append(row)
        marks += [mark] if mark else []
    cover = min(slot_cover(own))
    covered = cover_answer(cover, original.height, held.tolerances)
    stress, at = worst_stress(own, data["force"])
    used = utilisation(stress, WOODS[data["stick_wood"]].rupture)
    return SpecPage(
        **common,
        warnings=warnings,
        parts=tuple(part_rows),
        cover=_("%(cover)s at the smaller end: %(state)s.")
        % {"cover": said(cover, unit, 1), "state": cover_words()[covered]},
        cover_bad=covered in ("stop", "reject"),
        cover_least=said(held.tolerances.cover_least, unit, 1),
        stress=_(
            "A blow of %(force)s N works the stick with %(stress)s MPa, %(at)s from the playing end: %(used)s of the"
            " wood's mean rupture (%(rupture)s MPa). Caution from %(caution)s on, an estimate."
        )
        % {
            "force": written(data["force"], 0),
            "stress": written(stress, 1),
            "at": said(at, unit, 0 if unit == "mm" else 1),
            "used": written(used, 2),
            "rupture": written(WOODS[data["stick_wood"]].rupture, 0),
            "caution": written(CAUTION_UTILISATION, 2),
        },
        stress_high=used >= CAUTION_UTILISATION,
        findings=_findings(own, unit),
        **_views(held, original, None, "original"),
        **_curves(own, held.tolerances, marks[:_MOST_MARKS], unit),
    )


# --- words ---------------------------------------------------------------------------------------


def _shown(quantity: str, value: float, unit: str) -> str:
    return f"{signed(value, 1)}°" if quantity in ("skew", "splay") else said(value, unit, _decimals(quantity))


def _decimals(quantity: str) -> int:
    return 2 if quantity in ("balance_mortise_width", "mortise_offset", "balance_pin") else 1


def _figure_words(figure: Figure, unit: str) -> str:
    title = quantity_title(figure.quantity)
    if figure.cut == "absent" or figure.median is None or figure.low is None or figure.high is None:
        return _("%(title)s: not read on this set.") % {"title": title}
    kinds = {CheckKind.STRIPPED: _("stripped check"), CheckKind.ARRIVAL: _("arrival check")}
    words = ngettext(
        "%(title)s: %(read)d key of the set read (%(kinds)s), %(low)s to %(high)s.",
        "%(title)s: %(read)d keys of the set read (%(kinds)s), %(low)s to %(high)s.",
        figure.read,
    ) % {
        "title": title,
        "read": figure.read,
        "kinds": ", ".join(str(kinds.get(CheckKind(kind), kind)) for kind in figure.kinds),
        "low": _shown(figure.quantity, figure.low, unit),
        "high": _shown(figure.quantity, figure.high, unit),
    }
    middle = _shown(figure.quantity, figure.median, unit)
    if figure.quantity == "balance_mortise_width":
        words += " " + _("Keys whose wood is damaged do not count.")
    if figure.cut == "alike":
        words += " " + _("All are cut to the median, %(median)s.") % {"median": middle}
        if figure.own:
            words += " " + _("By themselves: %(keys)s.") % {"keys": format_keys(figure.own)}
    elif figure.filled and figure.quantity in ("button_length", "button_width", "button_height"):
        words += " " + ngettext(
            "Each as read; %(filled)d key takes the median, %(median)s.",
            "Each as read; %(filled)d keys take the median, %(median)s.",
            figure.filled,
        ) % {"filled": figure.filled, "median": middle}
    return words


def _warnings(readings: SetReadings, spec: Spec, form: SpecForm) -> tuple[str, ...]:
    said_so: list[str] = []
    if spec.missing:
        titles = ", ".join(quantity_title(quantity) for quantity in spec.missing)
        said_so.append(_("Nothing can be cut yet. Read at least one key for: %(titles)s.") % {"titles": titles})
    if spec.problem:
        said_so.append(_("These readings make no button (%(why)s). Look at them again.") % {"why": spec.problem})
    mortise = spec.by_quantity.get("balance_mortise_width")
    if mortise and mortise.kinds and CheckKind.STRIPPED not in mortise.kinds:
        said_so.append(
            _("Provisional: the mortises were read before stripping; wood damage shows when the cloth is out.")
        )
    if spec.angles_unread:
        said_so.append(_("No angle was read: these buttons are cut straight. Read the skew before you cut."))
    elif spec.pattern is None:
        said_so.append(_("Too few angles were read to find sections: each key as read, the median where not."))
    elif spec.pattern.kind == "fan":
        said_so.append(_("The angles run as a fan: cut in steps of %(step)s°.") % {"step": written(spec.angle_step, 1)})
    if spec.doubtful:
        said_so.append(_("Measure these angles again: keys %(keys)s.") % {"keys": format_keys(spec.doubtful)})
    if spec.left_out:
        said_so.append(
            _("Left out, as their splay was not read: keys %(keys)s. Read it, or stand the buttons square to the rail.")
            % {"keys": format_keys(spec.left_out)}
        )
    if not readings.of("mortise_offset"):
        said_so.append(_("The offset of the mortise was not read. It spoils a batch sooner than the width: read it."))
    if form.cleaned_data.get("follows") == RAIL and not readings.of("splay"):
        said_so.append(_("The splay of the sticks was not read: the angles are to the rail, not to the stick."))
    return tuple(said_so)


def _photo_words(readings: SetReadings, spec: Spec, keys: Sequence[int]) -> tuple[str, ...]:
    """How many angles are from photos, how sure those are, and how sure that makes the angles to cut."""
    photos = angles_from_photos(readings) if readings.of("skew") else {}
    if not photos:
        return ()
    words = ngettext(
        "The angle of %(count)d of %(all)d keys was read from a photo (standard uncertainty %(median)s°).",
        "The angles of %(count)d of %(all)d keys were read from photos (standard uncertainty %(low)s° to %(high)s°,"
        " median %(median)s°).",
        len(photos),
    ) % {
        "count": len(photos),
        "all": len(readings.of("skew")),
        "low": written(min(photos.values()), 2),
        "high": written(max(photos.values()), 2),
        "median": written(median(photos.values()), 2),
    }
    if spec.pattern is not None:
        found = [u for key in keys if (u := angle_uncertainty(spec.pattern, key, photos)) is not None]
        if found:
            words += " " + _(
                "An angle from a photo counts like any other; the angles to cut are known to %(u)s° (standard"
                " uncertainty)."
            )
            words %= {"u": written(max(found), 2)}
    elif single := sorted(set(photos) & set(keys)):
        words += " " + _("Each is cut as it was read, so that of keys %(keys)s rests on a photo alone.")
        words %= {"keys": format_keys(single)}
    return (words,)


def _unread(spec: Spec) -> tuple[str, ...]:
    absent = {figure.quantity for figure in spec.figures if figure.cut == "absent"}
    names = {"skew": "skew", "mortise_offset": "offset"}
    return tuple(figure for quantity, figure in names.items() if quantity in absent)


def _group_row(number: int, group: Group, unit: str, assumed: Assumed, chosen: bool) -> GroupRow:
    spec = group.spec
    offset = _("not read")
    if group.offset is not None and group.offset_low is not None and group.offset_high is not None:
        inches = unit == "in"
        low, middle, high = (
            signed(value / _INCH if inches else value, 3 if inches else 2)
            for value in (group.offset_low, group.offset, group.offset_high)
        )
        offset = middle if low == high else f"{middle} ({low} … {high})"
    needed = button_width_needed(spec.mortise_length, spec.mortise_width, spec.skew, assumed.wall)
    needed += 2 * abs(group.offset or 0.0)
    trouble = ""
    if needed > spec.width + 1e-9:
        trouble = _("Thin walls: %(wall)s beside the mortise need a button %(needed)s wide.") % {
            "wall": said(assumed.wall, unit, 1),
            "needed": said(needed, unit, 1),
        }
    return GroupRow(
        number,
        group,
        format_keys(group.keys),
        said(spec.length, unit, 1),
        said(spec.width, unit, 1),
        said(spec.height, unit, 1),
        f"{said(spec.mortise_width, unit, 1).removesuffix(f' {unit}')} × {said(spec.mortise_length, unit, 1)}",
        f"{signed(spec.skew, 1)}°",
        offset,
        chosen,
        trouble,
    )


def _blank_rows(contents: Mapping[str, Any], unit: str) -> tuple[tuple[BlankRow, ...], tuple[str, ...]]:
    """One row a profile, and what cannot be sawn from such blanks."""
    rows, cannot = [], []
    for place, row in enumerate(blanks_of(contents), start=1):
        cannot += too_long(row, contents["blank"], unit)
        if row.found is None:
            continue
        words = tuple(
            _("%(times)d × (%(pieces)s)")
            % {
                "times": times,
                "pieces": " + ".join(f"{count} × {said(one, unit, 1)}" for one, count in Counter(layout).items()),
            }
            for times, layout in row.layouts
        )
        profile = f"{said(row.width, unit, 1).removesuffix(f' {unit}')} × {said(row.height, unit, 1)}"
        svg = blanks_svg(row, contents, f"blanks-{place}")
        rows.append(BlankRow(profile, row.pieces, row.found, words, svg))
    return tuple(rows), tuple(cannot)


def too_long(row: Sawing, blank: float, unit: str) -> list[str]:
    """A sentence for each length of a profile that no blank is long enough for."""
    return [
        ngettext(
            "%(count)d button of %(length)s is longer than the blank (%(blank)s) and stands in no layout: take a longer"
            " blank.",
            "%(count)d buttons of %(length)s are longer than the blank (%(blank)s) and stand in no layout: take longer"
            " blanks.",
            count,
        )
        % {"count": count, "length": said(length, unit, 1), "blank": said(blank, unit, 1)}
        for length, count in row.too_long.items()
    ]


def blanks_svg(row: Sawing, contents: Mapping[str, Any], uid: str) -> str:
    """How one profile is sawn, drawn."""
    title = _("How the blanks are sawn")
    return blanks_drawn(row.layouts, blank=contents["blank"], kerf=contents["kerf"], uid=uid, title=title)


def _findings(key: KeyGeometry, unit: str) -> tuple[str, ...]:
    """What else changes the flex of this very key, as ratios: never a promise in length."""
    own = key_flexibility(key)

    def softer(changed: KeyGeometry) -> str:
        return ratio(key_flexibility(changed) / own - 1)

    found = []
    shorter = 0.8 * key.button_length
    found.append(_("a button 20 %% shorter: %(ratio)s flex") % {"ratio": softer(replace(key, button_length=shorter))})
    found.append(
        _("a button that came loose: %(ratio)s")
        % {"ratio": softer(replace(key, button_length=0, mortise_length=0, mortise_width=0))}
    )
    less = 1.016 if unit == "in" else 1.0  # 0.04 in
    if key.height - less > max(key.slot_depth, 1):
        lower = softer(replace(key, height=key.height - less))
        words = _("%(less)s less height of the stick: %(ratio)s")
        found.append(words % {"less": said(less, unit, 0), "ratio": lower})
    pine = WOODS["sugar_pine"].modulus
    if pine != key.modulus:
        found.append(_("a stick of sugar pine: %(ratio)s") % {"ratio": softer(replace(key, modulus=pine))})
    return tuple(found)


# --- bought parts --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Held:
    """What every part is held against."""

    key: KeyGeometry
    tolerances: Tolerances
    originals: tuple[PartFigures, ...]
    index: int
    unread: tuple[str, ...]
    form: SpecForm


def answer_words() -> dict[str, str]:
    """The verdicts in words."""
    return {
        "same": pgettext("part", "Same as the original"),
        "acceptable": pgettext("part", "Acceptable"),
        "not acceptable": pgettext("part", "Not acceptable"),
        "open": pgettext("part", "Not to be said yet"),
    }


def _part_row(part: BoughtPart, held: _Held) -> tuple[PartRow, Mark | None]:
    unit = held.form.unit
    original = held.originals[held.index]
    wood = WOODS.get(part.wood)
    try:
        figures = PartFigures(
            length=part.length / 1000,
            width=part.width / 1000,
            height=part.height / 1000,
            mortise_length=original.mortise_length if part.mortise_length is None else part.mortise_length / 1000,
            mortise_width=original.mortise_width if part.mortise_width is None else part.mortise_width / 1000,
            skew=part.skew / 1000,
            offset=part.offset / 1000,
            modulus=wood.modulus if wood else original.modulus,
        )
        verdicts = [hold_part(own, figures, held.key, held.tolerances, held.unread) for own in held.originals]
    except MeasurementError as error:
        words = _("These figures do not go on this key (%(why)s). Look at them again.") % {
            "why": wrong_with(error, unit)
        }
        return PartRow(part, "open", answer_words()["open"], why=(words,)), None
    verdict = verdicts[held.index]
    fitting = [str(index) for index, one in enumerate(verdicts, start=1) if one.answer != "not acceptable"]
    serves = ""
    if len(verdicts) > 1:
        serves = (
            _("Nothing speaks against it for groups %(groups)s.") % {"groups": ", ".join(fitting)}
            if fitting
            else _("It serves none of the groups.")
        )
    row = PartRow(
        part,
        verdict.answer,
        answer_words()[verdict.answer],
        why=_why(verdict, figures, held, unit),
        rows=tuple(_held_row(row, unit) for row in verdict.held),
        serves=serves,
        **_views(held, original, figures, f"part{part.pk}"),
    )
    mark = Mark(
        figures.length / (_INCH if unit == "in" else 1), 100 * verdict.flex_ratio, part.title[:24], original=False
    )
    return row, mark


def figure_title(figure: str) -> str:
    """A figure of a part in words."""
    return {
        "length": _("Length"),
        "width": _("Width"),
        "height": _("Height"),
        "skew": _("Angle of the mortise"),
        "offset": _("Mortise off the middle"),
        "cover": _("Slot cover, the smaller end"),
        "flex": _("Flex of the key"),
    }[figure]


def _held_shown(figure: str, value: float, unit: str) -> str:
    if figure == "skew":
        return f"{signed(value, 1)}°"
    if figure == "flex":
        return ratio(value - 1)
    if figure == "offset":
        inches = unit == "in"
        return f"{signed(value / _INCH if inches else value, 3 if inches else 2)} {unit}"
    return said(value, unit, 1 if unit == "in" else 2)


def _held_row(row: Held, unit: str) -> HeldRow:
    low = None if row.low is None else _held_shown(row.figure, row.low, unit)
    high = None if row.high is None else _held_shown(row.figure, row.high, unit)
    allowed = ""
    if low is not None and high is not None:
        allowed = f"{low} … {high}"
    elif low is not None:
        allowed = _("at least %(low)s") % {"low": low}
    elif high is not None:
        allowed = _("at most %(high)s") % {"high": high}
    unread = row.status == "unread"
    words = {
        "same": pgettext("figure", "same"),
        "within": pgettext("figure", "allowed"),
        "beyond": pgettext("figure", "too far off"),
        "unread": pgettext("figure", "original not read"),
    }
    return HeldRow(
        figure_title(row.figure),
        "–" if unread else _held_shown(row.figure, row.original, unit),
        _held_shown(row.figure, row.part, unit),
        "–" if unread else allowed,
        row.status,
        words[row.status],
    )


def _why(verdict: Verdict, part: PartFigures, held: _Held, unit: str) -> tuple[str, ...]:
    """The sentences the verdict rests on, what speaks against the part first."""
    order = {"beyond": 0, "unread": 1, "within": 2, "same": 3}
    told = [_why_not(row, verdict, part, held, unit) for row in sorted(verdict.held, key=lambda row: order[row.status])]
    sentences = [sentence for sentence in told if sentence]
    if not sentences:
        sentences = [_("No figure tells it from the original.")]
    return tuple(sentences)


def _why_not(row: Held, verdict: Verdict, part: PartFigures, held: _Held, unit: str) -> str:
    cover = row.figure == "cover"
    if row.status == "same" and not (cover and verdict.cover == "warn"):
        return ""
    title = figure_title(row.figure)
    if row.status == "unread":
        return _("%(title)s was never read on this set, so it cannot be compared.") % {"title": title}
    if cover:
        numbers = {
            "cover": said(row.part, unit, 1),
            "least": said(held.tolerances.cover_least, unit, 1),
            "height": said(part.height, unit, 1),
            "original": said(row.original, unit, 1),
        }
        return {
            "stop": _(
                "The slot's end is bare: cover %(cover)s. The stick is worked harder there than without any button."
            ),
            "reject": _("The button covers the slot by %(cover)s only; %(least)s is the least, %(original)s it was."),
            "warn": _("The button covers the slot by %(cover)s, less than it is high (%(height)s): glue it with care."),
            "enough": _("The button covers the slot by %(cover)s; it was %(original)s."),
        }[verdict.cover] % numbers
    if row.figure == "flex":
        more = ratio(row.part - 1)
        if row.status == "beyond":
            return _("Flex of the key %(more)s with it; up to %(most)s is allowed, an estimate.") % {
                "more": more,
                "most": ratio(held.tolerances.flex),
            }
        return _("Flex of the key %(more)s with it: a small matter beside the slot's cover.") % {"more": more}
    numbers = {
        "title": title,
        "part": _held_shown(row.figure, row.part, unit),
        "original": _held_shown(row.figure, row.original, unit),
        "low": _held_shown(row.figure, row.low or 0.0, unit),
        "high": _held_shown(row.figure, row.high or 0.0, unit),
    }
    if row.status == "beyond":
        return _("%(title)s %(part)s, the original %(original)s: only %(low)s to %(high)s would serve.") % numbers
    return _("%(title)s %(part)s, the original %(original)s: within %(low)s to %(high)s.") % numbers


# --- pictures ------------------------------------------------------------------------------------


def _section_words(unit: str) -> SectionWords:
    return SectionWords(
        original=_("original"),
        bought=_("bought part"),
        playing_end=_("playing end"),
        bass=_("bass"),
        treble=_("treble"),
        stick=_("stick"),
        button=_("button"),
        pin=_("balance pin"),
        cover=_("cover"),
        offset=pgettext("mortise", "off"),
        unit=unit,
    )


def _drawn(part: PartFigures, scale: float) -> Button:
    return Button(
        length=part.length * scale,
        width=part.width * scale,
        height=part.height * scale,
        mortise_length=part.mortise_length * scale,
        mortise_width=part.mortise_width * scale,
        skew=part.skew,
        offset=part.offset * scale,
    )


def _views(held: _Held, original: PartFigures, bought: PartFigures | None, uid: str) -> dict[str, Any]:
    """The key in section and the button in plan, each wide and narrow."""
    data, unit = held.form.cleaned_data, held.form.unit
    scale = 1 / _INCH if unit == "in" else 1.0
    decimals = 3 if unit == "in" else 1
    words = _section_words(unit)
    own, other = _drawn(original, scale), _drawn(bought, scale) if bought else None
    sizes: tuple[tuple[str, dict[str, Any]], ...]
    views = {}
    if min(data["slot_length"], data["slot_depth"]) > 0:
        stick = Stick(
            height=data["stick_height"] * scale,
            slot_length=data["slot_length"] * scale,
            slot_depth=data["slot_depth"] * scale,
            pin=data["pin"] * scale,
        )
        title = _("The key in section along its length")
        sizes = (("side", {"width": 560, "font_size": 15}), ("side_narrow", {"width": 330, "font_size": 13}))
        for name, size in sizes:
            views[name] = side_view(
                stick, own, uid=f"{uid}-{name}", title=title, words=words, bought=other, decimals=decimals, **size
            )
    title = _("The button from above")
    wide = 460 if other else 320
    sizes = (("plan", {"width": wide, "font_size": 15}), ("plan_narrow", {"width": 330, "font_size": 13}))
    for name, size in sizes:
        views[name] = plan_view(
            own, uid=f"{uid}-{name}", title=title, words=words, bought=other, decimals=decimals, **size
        )
    return views


def _curves(key: KeyGeometry, tolerances: Tolerances, marks: Sequence[Mark], unit: str) -> dict[str, Any]:
    """Flex against the length of the button, with the slot's cover behind it."""
    scale = 1 / _INCH if unit == "in" else 1.0
    most = 2 * min(key.front_arm, key.rear_arm)
    slot = key.slot_length if key.has_slot else 0.0
    least = slot + 2 * tolerances.cover_least
    low = max(min(slot * 0.7, key.button_length * 0.7), 1.0)
    high = min(max(key.button_length * 1.4, least * 1.1), most)
    lengths = [low + (high - low) * step / (_CURVE_POINTS - 1) for step in range(_CURVE_POINTS)]
    points = [(point.length * scale, point.relative_flex) for point in flexibility_curve(key, lengths)]
    zones = []
    if slot:
        stop = slot + 2 * tolerances.cover_stop
        zones = [
            Zone(low * scale, stop * scale, strong=True),
            Zone(stop * scale, least * scale),
        ]
    drawn = {}
    sizes: tuple[tuple[str, dict[str, Any]], ...] = (
        ("flex", {"width": 520, "height": 260, "font_size": 14}),
        ("flex_narrow", {"width": 330, "height": 230, "font_size": 12}),
    )
    for name, size in sizes:
        drawn[name] = curve(
            points,
            uid=f"{name}-curve",
            title=_("Flex of the key against the length of its button"),
            x_title=_("length of the button, %(unit)s") % {"unit": unit},
            y_title=_("flex, % of the original"),
            zones=zones,
            marks=[Mark(key.button_length * scale, 100.0, _("original"), original=True), *marks],
            x_decimals=1 if unit == "in" else 0,
            **size,
        )
    return drawn


def sign_svg(unit: str) -> str:
    """The picture beside every field or table of angles."""
    return sign_picture(uid="sign", title=_("Which way an angle is plus"), words=_section_words(unit))

"""The spec of a set -> what a drawing holds, whether a drawing still holds, and its parts as DXF and as a list."""

import csv
import io
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.utils.timezone import localdate
from django.utils.translation import gettext as _

from keyboards.advising import assumptions_for
from keyboards.core.assumptions import BY_NAME, Assumed
from keyboards.core.cutting import Blanks, fewest_blanks
from keyboards.core.keys import format_keys
from keyboards.drawing.button import Cut, corners
from keyboards.forms.keys import wood_names
from keyboards.forms.numbers import said
from keyboards.models import Drawing
from keyboards.specifying import SetReadings, Spec, set_readings, spec_of
from shop.models import Job

SIZES = ("length", "width", "height", "mortise_length", "mortise_width", "skew", "offset")
# How far off a button may be cut: what the shop assumes of bought parts, and the least wood beside the mortise.
ALLOWED = (
    "part_length_minus", "part_length_plus", "part_width", "part_height", "part_skew", "part_offset", "wall",
)  # fmt: skip
LAYERS = {"OUTLINE": 7, "MORTISE": 1, "CENTER": 3, "SECTION": 5, "NOTES": 8}
# The letters that machines have.
_PLAIN = str.maketrans({"–": "-", "−": "-", "±": "+/-", "°": " deg"})
_APART = 30.0  # mm between what is drawn side by side
_MOST_TOLD = 6


def contents_of(spec: Spec, asked: Mapping[str, Any], assumed: Assumed) -> dict[str, Any]:
    """What a drawing keeps of a spec: numbers in mm and degrees, so that it is drawn again the same for ever."""
    groups = []
    for group in spec.groups:
        values = {name: round(getattr(group.spec, name), 4) for name in SIZES if name != "offset"}
        values["offset"] = round(group.offset or 0.0, 2)
        read = group.offset is not None
        groups.append({**values, "offset_read": read, "keys": list(group.keys), "spares": group.cut.spares})
    return {
        "keys": list(asked["keys"]),
        "follows": asked["follows"],
        "mortise_length": round(asked["mortise_length"], 4),
        "blank": round(asked["blank"], 3),
        "kerf": round(asked["kerf"], 3),
        "button_wood": asked.get("button_wood", ""),
        "allowed": {name: getattr(assumed, name) for name in ALLOWED},
        "groups": groups,
    }


def offset_read(group: Mapping[str, Any]) -> bool:
    """Whether how far the mortise stands off the middle was read; drawings of earlier releases did not keep it."""
    return bool(group.get("offset_read", True))


def cut_of(group: Mapping[str, Any]) -> Cut:
    """A group as the drawing wants it."""
    return Cut(**{name: group[name] for name in SIZES})


@dataclass(frozen=True)
class Standing:
    """A drawing beside what the readings say now: the sentences of what changed, none where it still holds; the
    newest version of its set."""

    drawing: Drawing
    changes: tuple[str, ...]
    newest: int

    @property
    def out_of_date(self) -> bool:
        return bool(self.changes) or self.drawing.version != self.newest

    @property
    def replaced(self) -> str:
        """Why nobody should cut from it; "" where it holds."""
        if self.drawing.version != self.newest:
            return _("Replaced by drawing %(version)d") % {"version": self.newest}
        return _("Out of date") if self.changes else ""


def standings(job: Job, units: str, readings: SetReadings | None = None) -> list[Standing]:
    """The drawings of a set, the newest first, each held against today's readings with what it was asked for."""
    return _held(list(Drawing.objects.filter(job=job).select_related("made_by")), job, units, readings)


def standing(job: Job, units: str, version: int | None = None) -> Standing | None:
    """One drawing of a set so held, the newest unless a version is named; None where there is none."""
    drawings = list(Drawing.objects.filter(job=job).select_related("made_by"))
    wanted = [one for one in drawings if version in (None, one.version)][:1]
    found = _held(wanted, job, units, None)
    return replace(found[0], newest=drawings[0].version) if found else None


def _held(drawings: list[Drawing], job: Job, units: str, readings: SetReadings | None) -> list[Standing]:
    if not drawings:
        return []
    readings = readings or set_readings(job)
    assumed = assumptions_for(job)
    here = set(readings.present)
    out = []
    for drawing in drawings:
        drawing.job = job
        asked = drawing.contents
        keys = [key for key in asked["keys"] if key in here]
        now = spec_of(readings, keys, mortise_length=asked["mortise_length"], follows=asked["follows"], assumed=assumed)
        changes = _changes(drawing, contents_of(now, {**asked, "keys": keys}, assumed), units)
        out.append(Standing(drawing, changes, drawings[0].version))
    return out


def _by_key(contents: Mapping[str, Any]) -> dict[int, Mapping[str, Any]]:
    return {key: group for group in contents["groups"] for key in group["keys"]}


def _changes(drawing: Drawing, now: Mapping[str, Any], units: str) -> tuple[str, ...]:
    """ "keys 45–47: angle 2.0° → 2.5°": keys that changed alike are told together."""
    old, new = _by_key(drawing.contents), _by_key(now)
    alike: dict[tuple[str, float | None, float | None], list[int]] = {}
    for key in sorted(old | new):
        before, after = old.get(key), new.get(key)
        if before is None or after is None:
            alike.setdefault(("", None, None if after is None else 1.0), []).append(key)
            continue
        for name in SIZES:
            if abs(before[name] - after[name]) > 1e-6:
                alike.setdefault((name, before[name], after[name]), []).append(key)
    titles = size_titles()
    out = []
    for (name, before_value, after_value), keys in alike.items():
        told = format_keys(keys)
        if not name:
            words = _("keys %(keys)s are cut now") if after_value else _("keys %(keys)s are not cut any more")
            out.append(words % {"keys": told})
            continue
        values = [size_words(name, value or 0.0, units) for value in (before_value, after_value)]
        change = {"keys": told, "what": titles[name], "before": values[0], "after": values[1]}
        out.append(_("keys %(keys)s: %(what)s %(before)s → %(after)s") % change)
    if allowed_of(drawing.contents) != now["allowed"]:
        out.append(_("how far off a button may be cut has changed"))
    more = len(out) - _MOST_TOLD
    return tuple(out[:_MOST_TOLD] + ([_("and %(count)d more") % {"count": more}] if more > 0 else []))


def size_titles() -> dict[str, str]:
    """The sizes of a button in words."""
    return {
        "length": _("length"),
        "width": _("width"),
        "height": _("height"),
        "mortise_length": _("mortise length"),
        "mortise_width": _("mortise width"),
        "skew": _("angle"),
        "offset": _("off the middle"),
    }


def size_words(name: str, value: float, units: str) -> str:
    """A size with its unit; inches beside the millimetres for who prefers them, since wood is cut in millimetres."""
    if name == "skew":
        return f"{value:+.1f}°".replace("-", "−") if value else "0.0°"
    text = f"{value:.2f}".rstrip("0").rstrip(".") if name in ("offset", "wall") else f"{value:.1f}"
    text = text.replace("-", "−")
    return f"{text} mm" if units == "mm" else f"{text} mm ({said(value, 'in', 3)})"


def allowed_of(contents: Mapping[str, Any]) -> dict[str, float]:
    """How far off a button of this drawing may be cut. Drawings of earlier releases kept nothing: they were made with
    the starting values, and printed them."""
    kept: Mapping[str, float] = contents.get("allowed", {})
    return {name: kept.get(name, BY_NAME[name].default) for name in ALLOWED}


def wood_of(contents: Mapping[str, Any]) -> str:
    """The wood in words; "" on drawings of earlier releases."""
    return wood_names().get(contents.get("button_wood", ""), "")


def allowed_words(contents: Mapping[str, Any]) -> dict[str, str]:
    """How far off each size of a button may be cut, as the drawing says it: length "−0 / +1 mm"."""
    allowed = allowed_of(contents)
    return {
        "length": f"−{allowed['part_length_minus']:g} / +{allowed['part_length_plus']:g} mm",
        "width": f"± {allowed['part_width']:g} mm",
        "height": f"± {allowed['part_height']:g} mm",
        "offset": f"± {allowed['part_offset']:g} mm",
        "skew": f"± {allowed['part_skew']:g}°",
        "wall": _("at least %(size)s mm") % {"size": f"{allowed['wall']:g}"},
    }


@dataclass(frozen=True)
class Sawing:
    """How the buttons of one profile (width by height) are sawn. Sizes in mm.

    layouts: how many blanks are sawn so, and the lengths got from one, the longest first. too_long: length -> how many
    no blank is long enough for; found is None where that is all of them.
    """

    width: float
    height: float
    pieces: int
    found: Blanks | None
    layouts: tuple[tuple[int, tuple[float, ...]], ...]
    too_long: Mapping[float, int]


def blanks_of(contents: Mapping[str, Any]) -> list[Sawing]:
    """What is sawn from one stick has one profile: a sawing for each."""
    blank = contents["blank"]
    profiles: dict[tuple[float, float], Counter[float]] = {}
    for group in contents["groups"]:
        pieces = profiles.setdefault((group["width"], group["height"]), Counter())
        pieces[group["length"]] += len(group["keys"]) + group["spares"]
    out = []
    for (width, height), pieces in profiles.items():
        fit = {length: count for length, count in pieces.items() if length <= blank}
        too_long = {length: count for length, count in pieces.items() if length > blank}
        found = fewest_blanks(fit, blank, contents["kerf"]) if fit else None
        layouts = Counter(tuple(sorted(row, reverse=True)) for row in (found.layout if found else ()))
        rows = tuple((times, row) for row, times in layouts.items())
        out.append(Sawing(width, height, sum(fit.values()), found, rows, too_long))
    return out


def as_csv(standing: Standing) -> str:
    """One line a group: sizes in mm and degrees, keys, how many to cut; the last column says whether it still holds."""
    drawing = standing.drawing
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(
        ["group", *SIZES, "offset_read", "buttons", "spares", "to_cut", "keys", "wood", "drawing", "made", "holds"]
    )
    for number, group in enumerate(drawing.contents["groups"], start=1):
        count = len(group["keys"])
        keys = " ".join(str(key) for key in group["keys"])
        made = [drawing.contents.get("button_wood", ""), drawing.version, localdate(drawing.made_at).isoformat()]
        made.append(standing.replaced or _("yes"))
        sizes = [*(group[name] for name in SIZES), _("yes") if offset_read(group) else _("no")]
        writer.writerow([number, *sizes, count, group["spares"], count + group["spares"], keys, *made])
    return out.getvalue()


def as_dxf(standing: Standing) -> str:
    """Every group side by side in mm: plan with the mortise turned to its angle, side and end section, notes.

    The y axis points away from the playing end, as a drawing has it; the playing end is at the bottom, the bass on the
    left. The same drawing makes the same file.
    """
    import ezdxf  # takes seconds to come in
    from ezdxf.enums import TextEntityAlignment

    drawing = standing.drawing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no moment and no chance in a file
    document = ezdxf.new("R2010", setup=True)
    document.units = ezdxf.units.MM
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour, linetype="CENTER" if name == "CENTER" else "CONTINUOUS")
    space = document.modelspace()
    x = 0.0
    about = {
        "tag": drawing.job.tag,
        "version": drawing.version,
        "day": localdate(drawing.made_at).isoformat(),
        "wood": wood_of(drawing.contents),
        **allowed_words(drawing.contents),
    }
    notes = [
        _("CHECK AGAINST THE ORIGINAL KEY BEFORE CUTTING"),
        _("%(tag)s, button drawing %(version)d of %(day)s, in mm") % about,
        _("length %(length)s, width %(width)s, height %(height)s, angle %(skew)s, off the middle %(offset)s") % about,
        _("playing end at the bottom, bass on the left; an angle is plus where the playing end leans to the treble"),
    ]
    if about["wood"]:
        notes.append(_("wood: %(wood)s") % about)
    if not all(map(offset_read, drawing.contents["groups"])):
        notes.append(_("the offset of the mortise was not read: drawn in the middle"))
    if standing.out_of_date:
        notes.insert(0, standing.replaced.upper())

    def box(left: float, bottom: float, width: float, height: float, layer: str) -> None:
        points = [(left, bottom), (left + width, bottom), (left + width, bottom + height), (left, bottom + height)]
        space.add_lwpolyline(points, close=True, dxfattribs={"layer": layer})

    def note(words: str, left: float, bottom: float) -> None:
        text = space.add_text(words.translate(_PLAIN), height=2.5, dxfattribs={"layer": "NOTES"})
        text.set_placement((left, bottom), align=TextEntityAlignment.LEFT)

    for number, group in enumerate(drawing.contents["groups"], start=1):
        cut = cut_of(group)
        middle = (x + cut.width / 2 + cut.offset, cut.length / 2)
        box(x, 0, cut.width, cut.length, "OUTLINE")
        # The picture's y runs down and the drawing's up: turned over, the playing end is at the bottom in both.
        plan = [(px, cut.length - py) for px, py in corners(middle, cut.mortise_width, cut.mortise_length, cut.skew)]
        space.add_lwpolyline(plan, close=True, dxfattribs={"layer": "MORTISE"})
        space.add_line((x + cut.width / 2, -5), (x + cut.width / 2, cut.length + 5), dxfattribs={"layer": "CENTER"})
        space.add_line((x - 5, cut.length / 2), (x + cut.width + 5, cut.length / 2), dxfattribs={"layer": "CENTER"})
        side = x + cut.width + _APART / 2
        box(side, 0, cut.height, cut.length, "SECTION")
        ys, xs = [py for _px, py in plan], [px for px, _py in plan]
        box(side, min(ys), cut.height, max(ys) - min(ys), "SECTION")
        box(x, -_APART - cut.height, cut.width, cut.height, "SECTION")
        box(min(xs), -_APART - cut.height, max(xs) - min(xs), cut.height, "SECTION")
        note(str(number), x + cut.width / 2, cut.length + 8)
        told = {
            "number": number,
            "keys": format_keys(group["keys"]),
            "count": len(group["keys"]),
            "spares": group["spares"],
            "skew": size_words("skew", cut.skew, "mm"),
        }
        notes.append(_("%(number)d: keys %(keys)s, %(count)d and %(spares)d spare, angle %(skew)s") % told)
        x = side + cut.height + _APART
    for place, words in enumerate(notes):
        note(words, 0, -2 * _APART - 5 * place)
    out = io.StringIO()
    document.write(out)
    return out.getvalue()

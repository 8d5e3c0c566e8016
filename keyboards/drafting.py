"""The spec of a set -> what a drawing holds, whether a drawing still holds, and its parts as DXF and as a list."""

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from keyboards.advising import assumptions_for
from keyboards.core.cutting import fewest_blanks
from keyboards.core.keys import format_keys
from keyboards.drawing.button import Cut, corners
from keyboards.forms.numbers import said
from keyboards.models import Drawing
from keyboards.specifying import SetReadings, Spec, set_readings, spec_of
from shop.models import Job

SIZES = ("length", "width", "height", "mortise_length", "mortise_width", "skew", "offset")
LAYERS = {"OUTLINE": 7, "MORTISE": 1, "CENTER": 3, "SECTION": 5, "NOTES": 8}
_APART = 30.0  # mm between what is drawn side by side
_MOST_TOLD = 6


def contents_of(spec: Spec, asked: Mapping[str, Any]) -> dict[str, Any]:
    """What a drawing keeps of a spec: numbers in mm and degrees, so that it is drawn again the same for ever."""
    groups = []
    for group in spec.groups:
        values = {name: round(getattr(group.spec, name), 4) for name in SIZES if name != "offset"}
        values["offset"] = round(group.offset or 0.0, 2)
        groups.append({**values, "keys": list(group.keys), "spares": group.cut.spares})
    return {
        "keys": list(asked["keys"]),
        "follows": asked["follows"],
        "mortise_length": round(asked["mortise_length"], 4),
        "blank": round(asked["blank"], 3),
        "kerf": round(asked["kerf"], 3),
        "groups": groups,
    }


def cut_of(group: Mapping[str, Any]) -> Cut:
    """A group as the drawing wants it."""
    return Cut(**{name: group[name] for name in SIZES})


@dataclass(frozen=True)
class Standing:
    """A drawing beside what the readings say now: the sentences of what changed; none where it still holds."""

    drawing: Drawing
    changes: tuple[str, ...]
    newest: bool

    @property
    def out_of_date(self) -> bool:
        return bool(self.changes) or not self.newest


def standings(job: Job, units: str, readings: SetReadings | None = None) -> list[Standing]:
    """The drawings of a set, the newest first, each held against today's readings with what it was asked for."""
    drawings = list(Drawing.objects.filter(job=job).select_related("made_by"))
    if not drawings:
        return []
    readings = readings or set_readings(job)
    assumed = assumptions_for(job)
    here = set(readings.present)
    out = []
    for drawing in drawings:
        asked = drawing.contents
        keys = [key for key in asked["keys"] if key in here]
        now = spec_of(readings, keys, mortise_length=asked["mortise_length"], follows=asked["follows"], assumed=assumed)
        changes = _changes(drawing, contents_of(now, {**asked, "keys": keys}), units)
        out.append(Standing(drawing, changes, drawing.version == drawings[0].version))
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
        return f"{value:+.1f}°".replace("-", "−")
    text = f"{value:.2f}".rstrip("0").rstrip(".") if name == "offset" else f"{value:.1f}"
    text = text.replace("-", "−")
    return f"{text} mm" if units == "mm" else f"{text} mm ({said(value, 'in', 3)})"


def blanks_of(contents: Mapping[str, Any]) -> list[dict[str, Any]]:
    """How to saw, for each profile (width by height): blanks, their layouts, how many of each."""
    profiles: dict[tuple[float, float], dict[float, int]] = {}
    for group in contents["groups"]:
        pieces = profiles.setdefault((group["width"], group["height"]), {})
        pieces[group["length"]] = pieces.get(group["length"], 0) + len(group["keys"]) + group["spares"]
    out = []
    for (width, height), pieces in profiles.items():
        if max(pieces) > contents["blank"]:
            continue
        found = fewest_blanks(pieces, contents["blank"], contents["kerf"])
        layouts: dict[tuple[float, ...], int] = {}
        for row in found.layout:
            layouts[tuple(sorted(row, reverse=True))] = layouts.get(tuple(sorted(row, reverse=True)), 0) + 1
        out.append(
            {
                "width": width,
                "height": height,
                "found": found,
                "layouts": [(times, list(row)) for row, times in layouts.items()],
                "pieces": sum(pieces.values()),
            }
        )
    return out


def as_csv(drawing: Drawing) -> str:
    """One line a group: sizes in mm and degrees, keys, how many to cut."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["group", *SIZES, "buttons", "spares", "to_cut", "keys", "drawing", "made"])
    for number, group in enumerate(drawing.contents["groups"], start=1):
        count = len(group["keys"])
        keys = " ".join(str(key) for key in group["keys"])
        made = [drawing.version, drawing.made_at.date().isoformat()]
        writer.writerow(
            [number, *(group[name] for name in SIZES), count, group["spares"], count + group["spares"], keys, *made]
        )
    return out.getvalue()


def as_dxf(drawing: Drawing) -> str:
    """Every group side by side in mm: plan with the mortise turned to its angle, side and end section, notes.

    The y axis points away from the playing end, as a drawing has it; the playing end is at the bottom, the bass on the
    left. The same drawing makes the same file.
    """
    import ezdxf  # takes seconds to come in
    from ezdxf.enums import TextEntityAlignment

    ezdxf.options.write_fixed_meta_data_for_testing = True  # no moment and no chance in a file
    document = ezdxf.new("R2010", setup=True)
    document.units = ezdxf.units.MM
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour, linetype="CENTER" if name == "CENTER" else "CONTINUOUS")
    space = document.modelspace()
    x = 0.0

    def box(left: float, bottom: float, width: float, height: float, layer: str) -> None:
        points = [(left, bottom), (left + width, bottom), (left + width, bottom + height), (left, bottom + height)]
        space.add_lwpolyline(points, close=True, dxfattribs={"layer": layer})

    def note(words: str, left: float, bottom: float) -> None:
        text = space.add_text(words, height=2.5, dxfattribs={"layer": "NOTES"})
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
        count = len(group["keys"])
        lines = [
            f"{drawing.job.tag} drawing {drawing.version} of {drawing.made_at.date().isoformat()}, group {number}",
            f"keys {format_keys(group['keys'])}".replace("–", "-"),
            f"{count} + {group['spares']} spare, skew {cut.skew:+.1f} deg, plus: playing end to the treble",
            "playing end at the bottom, bass on the left. CHECK AGAINST THE ORIGINAL KEY BEFORE CUTTING",
        ]
        for place, words in enumerate(lines):
            note(words, x, cut.length + 10 + 4 * (len(lines) - 1 - place))
        x = side + cut.height + _APART
    out = io.StringIO()
    document.write(out)
    return out.getvalue()

"""One key's button: from the side in section, and from above with its mortise turned; and which way an angle is plus.

Both views are to scale, the bought part under the original at the same scale about the same balance pin, so that a
shorter button or a thinner cover is seen before it is read. Playing end at the left of the side view and at the bottom
of the plan; bass on the left of the plan. An angle is plus when the playing end leans to the treble.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, isfinite, radians, sin

from keyboards.drawing.plots import written
from keyboards.drawing.svg import (
    EDGE,
    GRADES,
    GREEN,
    INK,
    LINE,
    PAPER,
    RED,
    SOFT,
    SURFACE,
    document,
    element,
    num,
    path,
    text,
    text_width,
)


@dataclass(frozen=True)
class Stick:
    """The stick about its balance pin, lengths in the display's unit. `shown`: how much of its length is drawn."""

    height: float
    slot_length: float
    slot_depth: float
    pin: float
    shown: float | None = None

    def __post_init__(self) -> None:
        _positive(self, "height", "slot_length", "slot_depth", "pin")
        if self.slot_depth >= self.height:
            raise ValueError("slot_depth must be less than the height of the stick")


@dataclass(frozen=True)
class Button:
    """A button: `skew` in degrees, `offset` of its mortise from the key's centre, plus to the treble."""

    length: float
    width: float
    height: float
    mortise_length: float
    mortise_width: float
    skew: float = 0.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        _positive(self, "length", "width", "height", "mortise_length", "mortise_width")
        if not (isfinite(self.skew) and abs(self.skew) <= 45):
            raise ValueError(f"skew must be within 45 degrees, not {self.skew!r}")
        if not (isfinite(self.offset) and abs(self.offset) < self.width):
            raise ValueError(f"offset must be less than the width, not {self.offset!r}")


@dataclass(frozen=True)
class SectionWords:
    """The translated words of the pictures."""

    original: str
    bought: str
    playing_end: str
    bass: str
    treble: str
    stick: str
    button: str
    pin: str
    cover: str
    offset: str
    unit: str = "mm"


def _positive(value: object, *names: str) -> None:
    for name in names:
        size = getattr(value, name)
        if not (isfinite(size) and size > 0):
            raise ValueError(f"{name} must be above 0, not {size!r}")


def _across(x1: float, x2: float, y: float, words: str, size: float, colour: str, *, below: bool = False) -> str:
    """A dimension between two uprights, its figure above it or below."""
    ends = f"M{num(x1)} {num(y - 4)}v8M{num(x2)} {num(y - 4)}v8"
    line = path(f"M{num(x1)} {num(y)}H{num(x2)}{ends}", stroke=colour, stroke_width=0.9, fill="none")
    at = y + size * 1.15 if below else y - size * 0.4
    return line + text((x1 + x2) / 2, at, words, size, anchor="middle", fill=colour)


def _upright(x: float, y1: float, y2: float, words: str, size: float, colour: str, *, left: bool = False) -> str:
    ends = f"M{num(x - 4)} {num(y1)}h8M{num(x - 4)} {num(y2)}h8"
    line = path(f"M{num(x)} {num(y1)}V{num(y2)}{ends}", stroke=colour, stroke_width=0.9, fill="none")
    side = -7 if left else 7
    return line + text(x + side, (y1 + y2) / 2 + size * 0.35, words, size, anchor="end" if left else None, fill=colour)


def side_view(
    stick: Stick,
    button: Button,
    *,
    uid: str,
    title: str,
    words: SectionWords,
    bought: Button | None = None,
    description: str = "",
    decimals: int = 1,
    width: float = 560,
    font_size: float = 14,
) -> str:
    """The key in section along its length: stick, slot, balance pin, button, and the slot's cover fore and aft."""
    parts = [(words.original if bought else "", button, INK)]
    if bought is not None:
        parts.append((words.bought, bought, RED))
    longest = max(part.length for _, part, _ in parts)
    shown = stick.shown or longest * 1.45
    right = 62.0 + text_width(words.stick, font_size)
    highest = max(part.height for _, part, _ in parts)
    scale = min((width - 24 - right) / shown, 230 / (stick.height + highest))
    if stick.shown is None:
        shown = (width - 24 - right) / scale
    middle = 12 + shown * scale / 2
    drawn: list[str] = []
    y = 2.0
    for label, part, colour in parts:
        picture, y = _side(stick, part, label, colour, (middle, y), scale, shown, words, decimals, font_size)
        drawn.append(picture)
        y += font_size * 0.8
    x0 = 12.0
    arrow = path(f"M{num(x0 + 26)} {num(y - 4)}H{num(x0)}m6 -4l-6 4 6 4", stroke=SOFT, fill="none")
    drawn.append(arrow + text(x0 + 32, y, words.playing_end, font_size))
    drawn.append(text(middle + stick.pin * scale / 2 + 8, y, words.pin, font_size))
    return document(
        width, y + font_size * 0.5, *drawn, uid=uid, title=title, description=description, class_="key-section"
    )


def _side(
    stick: Stick,
    part: Button,
    label: str,
    colour: str,
    at: tuple[float, float],
    scale: float,
    shown: float,
    words: SectionWords,
    decimals: int,
    size: float,
) -> tuple[str, float]:
    middle, y = at
    if label:
        y += size
        name = text(12, y, label, size, fill=colour, weight=700)
    else:
        name = ""
    pin = max(stick.pin * scale, 1.6)
    above = 8 + pin / 2  # the pin's head, over which the length is written
    y += above + size * 1.9
    half, high = part.length * scale / 2, part.height * scale
    left, right = middle - half, middle + half
    stick_top = y + high
    stick_left, stick_right = middle - shown * scale / 2, middle + shown * scale / 2
    stick_bottom = stick_top + stick.height * scale
    slot_half = stick.slot_length * scale / 2
    slot_bottom = stick_top + stick.slot_depth * scale
    mortise = part.mortise_length * scale / 2
    wood = f"M{num(stick_left)} {num(stick_top)}H{num(stick_right)}"
    third = (stick_bottom - stick_top) / 3
    broken = f"l-3 {num(third)} 6 {num(third)} -3 {num(third)}"
    back = f"l3 {num(-third)} -6 {num(-third)} 3 {num(-third)}z"
    drawn = [
        name,
        path(f"{wood}{broken}H{num(stick_left)}{back}", fill=PAPER, stroke=EDGE, class_="stick"),
        _box(middle - slot_half, stick_top, 2 * slot_half, slot_bottom - stick_top, SURFACE, EDGE, "slot"),
        _box(left, y, part.length * scale, high, GRADES[1] if colour == INK else "#F1D9D3", colour, "button"),
        _box(middle - mortise, y, 2 * mortise, high, SURFACE, colour, "mortise"),
        path(
            f"M{num(middle)} {num(stick_bottom + 10)}V{num(y - 4)}",
            stroke=SOFT,
            stroke_width=pin,
            stroke_linecap="round",
            class_="pin",
        ),
    ]
    unit = f" {words.unit}" if words.unit else ""
    length = written(part.length, decimals) + unit
    drawn.append(_across(left, right, y - above - size * 0.35, length, size, colour))
    height = written(part.height, decimals)
    drawn.append(_upright(stick_right + 12, y, stick_top, f"{height}{unit}", size, colour))
    drawn.append(text(stick_right + 8, (stick_top + stick_bottom) / 2 + size * 0.35, words.stick, size))
    drawn.append(
        text(left + 6, y + high / 2 + size * 0.35, words.button, size, fill=INK)
        if _fits(words.button, size, half - mortise, high)
        else ""
    )
    cover = part.length / 2 - stick.slot_length / 2
    at_y = slot_bottom + size * 0.95
    if at_y + size > stick_bottom:
        at_y = stick_bottom + size
    drawn.append(_cover(left, middle - slot_half, stick_top, cover, at_y, words, decimals, size))
    drawn.append(_cover(middle + slot_half, right, stick_top, cover, at_y, words, decimals, size))
    return "".join(drawn), max(stick_bottom + 12, at_y + size * 1.3)


def _fits(words: str, size: float, width: float, height: float) -> bool:
    return text_width(words, size) + 10 < width and height > size * 1.1


def _box(x: float, y: float, width: float, height: float, fill: str, stroke: str, class_: str) -> str:
    return element("rect", x=x, y=y, width=width, height=height, fill=fill, stroke=stroke, class_=class_)


def _cover(
    x1: float, x2: float, top: float, cover: float, y: float, words: SectionWords, decimals: int, size: float
) -> str:
    """How far the button reaches past the slot's end; in red where it does not reach."""
    colour = GREEN if cover > 0 else RED
    lines = path(
        f"M{num(x1)} {num(top)}V{num(y)}M{num(x2)} {num(top)}V{num(y)}",
        stroke=colour,
        stroke_width=0.7,
        stroke_dasharray="2 2",
    )
    said = f"{words.cover} {written(cover, decimals)}"
    return lines + _across(min(x1, x2), max(x1, x2), y, said, size * 0.93, colour, below=True)


def plan_view(
    button: Button,
    *,
    uid: str,
    title: str,
    words: SectionWords,
    bought: Button | None = None,
    description: str = "",
    decimals: int = 1,
    width: float = 460,
    font_size: float = 14,
) -> str:
    """The button from above, to scale, its mortise turned by its skew; a bought part stands beside the original."""
    parts = [(words.original if bought else "", button, INK)]
    if bought is not None:
        parts.append((words.bought, bought, RED))
    longest = max(part.length for _, part, _ in parts)
    widest = max(part.width for _, part, _ in parts)
    # The dimensions stand to the left (length) and right (angle); the parts share what is left of the width.
    margin = text_width("00.0 mm", font_size) + 18
    room = (width - len(parts) * (2 * margin)) / (len(parts) * widest)
    scale = max(min(room, 300 / longest), 1.0)
    cell = width / len(parts)
    top = font_size * 4.4
    drawn = [
        _plan(part, label, colour, cell * (i + 0.5), top, scale, words, decimals, font_size)
        for i, (label, part, colour) in enumerate(parts)
    ]
    bottom = top + longest * scale
    y = bottom + font_size * 2.4
    arrow = path(f"M{num(width / 2)} {num(y)}v18m-4 -6l4 6 4 -6", stroke=SOFT, fill="none")
    y += 18 + font_size * 1.1
    drawn.append(arrow + text(width / 2, y, words.playing_end, font_size, anchor="middle"))
    drawn.append(text(6, y, f"\u2190 {words.bass}", font_size))
    drawn.append(text(width - 6, y, f"{words.treble} \u2192", font_size, anchor="end"))
    return document(
        width, y + font_size * 0.5, *drawn, uid=uid, title=title, description=description, class_="key-plan"
    )


def _turned(x: float, y: float, width: float, length: float, skew: float) -> tuple[str, tuple[float, float]]:
    """The mortise as a path, and the middle of its playing end. A plus skew takes that end to the right, the treble."""
    s, c = sin(radians(skew)), cos(radians(skew))
    ax, ay = length / 2 * s, length / 2 * c
    bx, by = width / 2 * c, -width / 2 * s
    corners = [
        (x - ax - bx, y - ay - by),
        (x - ax + bx, y - ay + by),
        (x + ax + bx, y + ay + by),
        (x + ax - bx, y + ay - by),
    ]
    points = "L".join(f"{num(px)} {num(py)}" for px, py in corners)
    return f"M{points}z", (x + ax, y + ay)


def _plan(
    part: Button,
    label: str,
    colour: str,
    middle: float,
    top: float,
    scale: float,
    words: SectionWords,
    decimals: int,
    size: float,
) -> str:
    unit = f" {words.unit}" if words.unit else ""
    half = part.width * scale / 2
    bottom = top + part.length * scale
    centre = (top + bottom) / 2
    x = middle + part.offset * scale
    outline, _ = _turned(x, centre, part.mortise_width * scale, part.mortise_length * scale, part.skew)
    reach = part.mortise_length * scale * 0.5 + 16
    s, c = sin(radians(part.skew)), cos(radians(part.skew))
    axis = f"M{num(x - reach * s)} {num(centre - reach * c)}L{num(x + reach * s)} {num(centre + reach * c)}"
    square = f"M{num(x)} {num(centre)}V{num(centre + reach + 8)}"
    drawn = [
        text(middle, size, label, size, anchor="middle", fill=colour, weight=700),
        _box(middle - half, top, 2 * half, bottom - top, GRADES[1] if colour == INK else "#F1D9D3", colour, "button"),
        path(outline, fill=SURFACE, stroke=colour, class_="mortise"),
        path(square, stroke=SOFT, stroke_width=0.7, stroke_dasharray="4 3"),
        path(axis, stroke=GREEN, stroke_width=1, stroke_dasharray="7 2 1.5 2", class_="axis"),
        path(f"M{num(x)} {num(centre)}h.1", stroke=INK, stroke_width=5, stroke_linecap="round"),
        _across(middle - half, middle + half, top - size * 0.8, written(part.width, decimals) + unit, size, colour),
        _upright(middle - half - 10, top, bottom, written(part.length, decimals), size, colour, left=True),
    ]
    notes = [
        signed(part.skew, 1) + "°",
        f"{written(part.mortise_width, decimals)} × {written(part.mortise_length, decimals)}",
    ]
    if part.offset:
        notes.append(f"{words.offset} {signed(part.offset, decimals)}")
    for i, note in enumerate(notes):
        at = centre - size * 0.3 + (i - (len(notes) - 1) / 2) * size * 1.35 + size * 0.6
        drawn.append(
            text(middle + half + 9, at, note, size, fill=GREEN if i == 0 else colour, weight=700 if i == 0 else None)
        )
    return "".join(drawn)


def signed(value: float, decimals: int) -> str:
    """ "+1.5", "\u22121.5", "0.0": an angle or offset always carries its sign."""
    words = written(value, decimals)
    return words if words.startswith("\u2212") or float(words) == 0 else f"+{words}"


def sign_picture(*, uid: str, title: str, words: SectionWords, description: str = "", width: float = 250) -> str:
    """Two buttons from above: the mortise that counts as plus and the one that counts as minus, and where bass is."""
    size = 14.0
    middles = (width * 0.27, width * 0.73)
    top, height = 26.0, 84.0
    drawn = []
    for middle, skew, sign in ((middles[0], 12.0, "+"), (middles[1], -12.0, "\u2212")):
        centre = top + height / 2
        outline, end = _turned(middle, centre, 13, 46, skew)
        drawn += [
            text(middle, 18, sign, 20, anchor="middle", fill=INK, weight=700),
            _box(middle - 20, top, 40, height, GRADES[0], EDGE, "button"),
            path(f"M{num(middle)} {num(top + 6)}V{num(top + height - 6)}", stroke=LINE, stroke_dasharray="4 3"),
            path(
                outline,
                fill=SURFACE,
                stroke=INK,
                stroke_width=1.4,
                class_="mortise plus" if skew > 0 else "mortise minus",
            ),
            path(f"M{num(middle)} {num(centre)}h.1", stroke=INK, stroke_width=5, stroke_linecap="round"),
            path(_arrow(middle, end), stroke=GREEN, stroke_width=1.6, fill="none"),
        ]
    y = top + height + size * 1.3
    drawn.append(text(4, y, f"\u2190 {words.bass}", size))
    drawn.append(text(width - 4, y, f"{words.treble} \u2192", size, anchor="end"))
    y += size * 1.35
    drawn.append(text(width / 2, y, f"\u2193 {words.playing_end}", size, anchor="middle"))
    return document(width, y + size * 0.5, *drawn, uid=uid, title=title, description=description, class_="sign-picture")


def _arrow(middle: float, end: Sequence[float]) -> str:
    """From the line square to the rail out to the turned playing end."""
    x, y = end
    side = 1 if x > middle else -1
    head = f"m{num(-5.0 * side)} -4l{num(5.0 * side)} 4 {num(-5.0 * side)} 4"
    return f"M{num(middle)} {num(y + 6)}H{num(x + 6 * side)}{head}"

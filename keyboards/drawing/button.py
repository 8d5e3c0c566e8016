"""Working drawings of a button at full size: one unit of the picture is one millimetre on paper.

Plan from above with the playing end at the bottom and the bass on the left, the side view to its right, the end view
below it. The mortise goes right through. Angles in degrees, plus where the playing end leans to the treble.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import cos, radians, sin

from keyboards.drawing.svg import EDGE, INK, RED, SANS, SOFT, element, escape, path, text

TEXT = 2.9  # mm, the height of letters
# mm round the views, room for their sizes in millimetres with inches beside
_LEFT, _TOP, _BESIDE, _BELOW, _RIGHT, _FOOT = 20.0, 18.0, 38.0, 14.0, 14.0, 10.0
INCH = 25.4


@dataclass(frozen=True)
class Cut:
    """One button, in mm and degrees. offset: the mortise's middle off the button's, plus to the treble."""

    length: float
    width: float
    height: float
    mortise_length: float
    mortise_width: float
    skew: float
    offset: float = 0.0


@dataclass(frozen=True)
class Words:
    """What the drawing says, already translated."""

    plan: str
    side: str
    end: str
    bass: str
    treble: str
    playing_end: str
    off: str


def corners(middle: tuple[float, float], width: float, length: float, skew: float) -> list[tuple[float, float]]:
    """The mortise's corners in the picture (y down), its playing end leaning to the right for a plus angle."""
    turn = radians(skew)
    across, along = (cos(turn), -sin(turn)), (sin(turn), cos(turn))
    x, y = middle
    return [
        (
            x + across[0] * a * width / 2 + along[0] * b * length / 2,
            y + across[1] * a * width / 2 + along[1] * b * length / 2,
        )
        for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]


def walls(cut: Cut) -> tuple[float, float]:
    """The least wood beside the mortise in mm, on the bass and on the treble side; below 0 where it breaks out."""
    xs = [x for x, _y in corners((cut.width / 2 + cut.offset, 0), cut.mortise_width, cut.mortise_length, cut.skew)]
    return min(xs), cut.width - max(xs)


def extent(cut: Cut) -> tuple[float, float]:
    """How wide and how high its working drawing is, mm."""
    return _LEFT + cut.width + _BESIDE + cut.height + _RIGHT, _TOP + cut.length + _BELOW + cut.height + _FOOT


def working_drawing(cut: Cut, *, uid: str, title: str, words: Words, sizes: dict[str, str]) -> str:
    """The three views with their sizes (name -> text: length, width, height, mortise_length, mortise_width, skew,
    offset, bass_wall, treble_wall), width and height of the picture in mm."""
    left, top = _LEFT, _TOP
    right, bottom = left + cut.width, top + cut.length
    side_x, end_y = right + _BESIDE, bottom + _BELOW
    middle = (left + cut.width / 2 + cut.offset, top + cut.length / 2)
    plan = corners(middle, cut.mortise_width, cut.mortise_length, cut.skew)
    ys, xs = [y for _x, y in plan], [x for x, _y in plan]
    drawn = [
        _outline(left, top, cut.width, cut.length, "outline"),
        _poly(plan, "mortise"),
        _centre(left + cut.width / 2, top - 5, left + cut.width / 2, bottom + 5),
        _centre(left - 5, middle[1], right + 5, middle[1]),
        _axis(middle, cut),
        _outline(side_x, top, cut.height, cut.length, "outline"),
        _outline(left, end_y, cut.width, cut.height, "outline"),
    ]
    # The mortise seen through the wood: from the side by its reach along the key, from the end by its reach across.
    hidden = [(side_x, min(ys), side_x + cut.height, min(ys)), (side_x, max(ys), side_x + cut.height, max(ys))]
    hidden += [(min(xs), end_y, min(xs), end_y + cut.height), (max(xs), end_y, max(xs), end_y + cut.height)]
    drawn += [_line(one, stroke_dasharray="1.6 .9", class_="hidden") for one in hidden]
    # The mortise's own sizes hang on its corner: turned, it reaches further than it is long and wide.
    corner, beside = plan[1], right + 7
    drawn += [
        _level(left, right, top - 8, sizes["width"]),
        _upright(left - 7, top, bottom, sizes["length"]),
        _level(side_x, side_x + cut.height, top - 8, sizes["height"]),
        _line((corner[0], corner[1], beside - 1, corner[1] - 4), class_="leader"),
        text(beside, corner[1] - 3, sizes["mortise_length"], TEXT, fill=INK),
        text(beside, corner[1] + 1, f"× {sizes['mortise_width']}", TEXT, fill=INK),
        text(right + 2.5, bottom - 1, sizes["skew"], TEXT, fill=RED),
    ]
    if cut.offset:
        drawn.append(text(right + 2.5, bottom - 5, sizes["offset"], TEXT, fill=RED))
    low = end_y + cut.height + 3
    for start, stop in ((left, min(xs)), (max(xs), right)):
        if stop > start:
            drawn.append(_ticked(start, stop, low))
    drawn += [
        text(min(xs) - 0.6, low + 4.6, sizes["bass_wall"], TEXT, anchor="end", fill=INK),
        text(max(xs) + 0.6, low + 4.6, sizes["treble_wall"], TEXT, fill=INK),
        text(left, top - 14, words.plan, TEXT),
        text(side_x, top - 14, words.side, TEXT),
        text(right + 3, end_y + cut.height / 2 + 1, words.end, TEXT),
        text(left, bottom + 5, words.bass, TEXT * 0.85, anchor="end"),
        text(right, bottom + 5, words.treble, TEXT * 0.85),
        text(left + cut.width / 2, bottom + 8.4, words.playing_end, TEXT * 0.85, anchor="middle"),
    ]
    return _full_size(*extent(cut), drawn, uid, title)


def check_length(*, uid: str, title: str, metric: str, inches: str) -> str:
    """A bar of exactly 100 mm and one of 2 inches, to be measured on paper before anything is cut."""
    drawn: list[str] = []
    for y, long, step, words in ((4.0, 100.0, 10.0, metric), (14.0, 2 * INCH, INCH / 2, inches)):
        ticks = "".join(f"M{_mm(5 + step * i)} {_mm(y - 2)}v4" for i in range(round(long / step) + 1))
        drawn.append(path(f"M5 {_mm(y)}h{_mm(long)}{ticks}", fill="none", stroke=INK, stroke_width=0.3, class_="check"))
        drawn.append(text(5 + long + 3, y + 1, words, TEXT))
    return _full_size(124, 18, drawn, uid, title)


def blanks_drawn(
    layouts: Sequence[tuple[int, Sequence[float]]], *, blank: float, kerf: float, uid: str, title: str
) -> str:
    """How each blank is sawn, drawn to scale 1 : 2 or smaller: pieces, kerfs red, the waste hatched.

    layouts: how many blanks are sawn so, and the lengths in mm got from one.
    """
    scale = min(150 / blank, 0.5)
    drawn: list[str] = []
    y = 1.0
    for times, pieces in layouts:
        drawn.append(text(0, y + 4.8, f"{times} ×", TEXT))
        x, end = 12.0, 12.0 + blank * scale
        for length in pieces:
            drawn.append(_outline(x, y, length * scale, 7, "piece"))
            if length * scale > 12:
                drawn.append(text(x + length * scale / 2, y + 4.6, f"{length:g}", TEXT * 0.8, anchor="middle"))
            x += length * scale
            if x + kerf * scale <= end and kerf:
                drawn.append(_box(x, y, kerf * scale, 7, "kerf"))
            x += kerf * scale
        drawn += [_hatched(x, y, end, 7), _outline(12.0, y, blank * scale, 7, "blank")]
        y += 11
    return _full_size(170, y - 3, drawn, uid, title)


def cloth_drawn(
    sheets: Sequence[Sequence[int]],
    *,
    piece: tuple[float, float],
    sheet: tuple[float, float],
    uid: str,
    title: str,
) -> str:
    """How each sheet of cloth is cut into strips and pieces, to scale, what is left over hatched; beside it "7 × 21":
    seven strips of 21 pieces.

    sheets: for each the pieces got from each strip; sheets cut alike are drawn once. piece, sheet: along the strip and
    across it, mm.
    """
    scale = min(80 / sheet[0], 70 / sheet[1], 0.5)
    wide, high, letters = sheet[0] * scale, sheet[1] * scale, TEXT * 1.5
    drawn: list[str] = []
    y = 1.0
    for strips, times in Counter(map(tuple, sheets)).items():
        if times > 1:
            drawn.append(text(0, y + 4.8, f"{times} ×", letters))
        top, said = y, 0.0
        for count, alike in groupby(strips):
            rows = len(list(alike))
            deep = rows * piece[1] * scale
            edges = "".join(
                f"M{_mm(12 + place * piece[0] * scale)} {_mm(top)}v{_mm(deep)}" for place in range(count + 1)
            )
            edges += "".join(
                f"M12 {_mm(top + row * piece[1] * scale)}h{_mm(count * piece[0] * scale)}" for row in range(rows + 1)
            )
            drawn.append(path(edges, fill="none", stroke=INK, stroke_width=0.2, class_="piece"))
            drawn.append(_hatched(12 + count * piece[0] * scale, top, 12 + wide, deep))
            # Under the words of a shallow row before it.
            said = max(top + deep / 2 + 1.5, top + 3, said + letters * 1.25)
            drawn.append(text(14 + wide, said, f"{rows} × {count}", letters))
            top += deep
        drawn += [_hatched(12, top, 12 + wide, y + high - top), _outline(12, y, wide, high, "blank")]
        y += high + 4
    return _full_size(wide + 34, y - 3, drawn, uid, title)


# --- strokes ---


def _mm(value: float) -> str:
    """A coordinate to a thousandth: what is cut from must not be rounded like a picture."""
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _full_size(wide: float, high: float, drawn: Sequence[str], uid: str, title: str) -> str:
    return element(
        "svg",
        element("title", escape(title), id=f"{uid}-t"),
        *drawn,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {_mm(wide)} {_mm(high)}",
        width=f"{_mm(wide)}mm",
        height=f"{_mm(high)}mm",
        role="img",
        aria_labelledby=f"{uid}-t",
        class_="full-size",
        font_family=SANS,
    )


def _outline(x: float, y: float, width: float, height: float, kind: str) -> str:
    return path(
        f"M{_mm(x)} {_mm(y)}H{_mm(x + width)}V{_mm(y + height)}H{_mm(x)}z",
        fill="none",
        stroke=INK,
        stroke_width=0.4,
        class_=kind,
    )


def _box(x: float, y: float, width: float, height: float, kind: str) -> str:
    return path(f"M{_mm(x)} {_mm(y)}h{_mm(width)}v{_mm(height)}h{_mm(-width)}z", fill=RED, class_=kind)


def _hatched(left: float, top: float, right: float, high: float) -> str:
    """What is left over: strokes that lean within the box; nothing where it is too small for one."""
    lean = min(2.0, high)
    count = int((right - left - lean) / 1.2) + 1 if right - left > lean else 0
    marks = "".join(f"M{_mm(left + 1.2 * i)} {_mm(top + high)}l{_mm(lean)} {_mm(-high)}" for i in range(count))
    return path(marks, stroke=EDGE, stroke_width=0.25, class_="waste") if high > 0 else ""


def _poly(points: Sequence[tuple[float, float]], kind: str) -> str:
    moved = "L".join(f"{_mm(x)} {_mm(y)}" for x, y in points)
    return path(f"M{moved}z", fill="none", stroke=INK, stroke_width=0.4, class_=kind)


def _line(ends: tuple[float, float, float, float], **look: object) -> str:
    x1, y1, x2, y2 = ends
    return path(f"M{_mm(x1)} {_mm(y1)}L{_mm(x2)} {_mm(y2)}", fill="none", stroke=SOFT, stroke_width=0.25, **look)


def _centre(x1: float, y1: float, x2: float, y2: float) -> str:
    return _line((x1, y1, x2, y2), stroke_dasharray="4 .8 .8 .8", class_="centre")


def _axis(middle: tuple[float, float], cut: Cut) -> str:
    """The mortise's own long axis, a little beyond it, in red: the angle is between it and the button's middle line."""
    reach = cut.mortise_length / 2 + 5
    x, y = middle
    dx, dy = sin(radians(cut.skew)) * reach, cos(radians(cut.skew)) * reach
    return path(
        f"M{_mm(x - dx)} {_mm(y - dy)}L{_mm(x + dx)} {_mm(y + dy)}",
        fill="none",
        stroke=RED,
        stroke_width=0.2,
        stroke_dasharray="3 .8 .8 .8",
        class_="axis",
    )


def _level(x1: float, x2: float, y: float, words: str) -> str:
    return _ticked(x1, x2, y) + text((x1 + x2) / 2, y - 2, words, TEXT, anchor="middle", fill=INK)


def _ticked(x1: float, x2: float, y: float) -> str:
    ticks = f"M{_mm(x1)} {_mm(y - 1.5)}v3M{_mm(x2)} {_mm(y - 1.5)}v3M{_mm(x1)} {_mm(y)}H{_mm(x2)}"
    return path(ticks, fill="none", stroke=SOFT, stroke_width=0.2, class_="size")


def _upright(x: float, y1: float, y2: float, words: str) -> str:
    ticks = f"M{_mm(x - 1.5)} {_mm(y1)}h3M{_mm(x - 1.5)} {_mm(y2)}h3M{_mm(x)} {_mm(y1)}V{_mm(y2)}"
    line = path(ticks, fill="none", stroke=SOFT, stroke_width=0.2, class_="size")
    turned = text(0, 0, words, TEXT, anchor="middle", fill=INK)
    return line + element("g", turned, transform=f"translate({_mm(x - 1.6)} {_mm((y1 + y2) / 2)}) rotate(-90)")

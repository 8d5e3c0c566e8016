"""A curve with marked points over shaded zones: how much a key flexes against the length of its button."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite

from keyboards.drawing.plots import round_values, written
from keyboards.drawing.svg import (
    GREEN,
    INK,
    LINE,
    RED,
    RED_PALE,
    document,
    element,
    num,
    path,
    text,
    text_width,
)


@dataclass(frozen=True)
class Zone:
    """From `start` to `stop` on the x axis. `strong` is shaded darker and hatched: not to be entered at all."""

    start: float
    stop: float
    label: str = ""
    strong: bool = False


@dataclass(frozen=True)
class Mark:
    """A named point. `original` is round and green, the others square and red."""

    x: float
    y: float
    label: str
    original: bool = False


def curve(
    points: Sequence[tuple[float, float]],
    *,
    uid: str,
    title: str,
    x_title: str,
    y_title: str,
    zones: Sequence[Zone] = (),
    marks: Sequence[Mark] = (),
    description: str = "",
    x_decimals: int = 0,
    y_decimals: int = 0,
    width: float = 380,
    height: float = 230,
    font_size: float = 14,
) -> str:
    """The line through `points` (x rising), with round values named on both axes, zones behind and marks in front."""
    if len(points) < 2:
        raise ValueError("a curve needs at least two points")
    values = [*points, *((mark.x, mark.y) for mark in marks)]
    if not all(isfinite(x) and isfinite(y) for x, y in values):
        raise ValueError("every point must be finite")
    if any(b[0] <= a[0] for a, b in pairwise(points)):
        raise ValueError("the points must stand from left to right")
    x_low, x_high = min(x for x, _ in values), max(x for x, _ in values)
    y_low, y_high = min(y for _, y in values), max(y for _, y in values)
    room = (y_high - y_low or abs(y_high) or 1.0) * 0.1
    y_low, y_high = y_low - room, y_high + room
    y_ticks = round_values(y_low, y_high)
    left = max(text_width(written(tick, y_decimals), font_size, mono=True) for tick in y_ticks) + 8
    top, bottom = font_size * 2, height - font_size * 2.9
    right = width - 8

    def px(x: float) -> float:
        return left + (x - x_low) / (x_high - x_low) * (right - left)

    def py(y: float) -> float:
        return bottom - (y - y_low) / (y_high - y_low) * (bottom - top)

    drawn = [text(2, font_size, y_title, font_size)]
    drawn += [_zone(zone, px, x_low, x_high, top, bottom, font_size) for zone in zones]
    grid = "".join(f"M{num(left)} {num(py(tick))}H{num(right)}" for tick in y_ticks)
    drawn.append(path(grid, stroke=LINE, stroke_width=0.8))
    for tick in y_ticks:
        at = py(tick) + font_size * 0.33
        drawn.append(text(left - 5, at, written(tick, y_decimals), font_size, anchor="end", mono=True))
    for tick in round_values(x_low, x_high, 6):
        words = written(tick, x_decimals)
        half = text_width(words, font_size, mono=True) / 2
        at = min(max(px(tick), half), right - half + 8)
        drawn.append(text(at, bottom + font_size * 1.15, words, font_size, anchor="middle", mono=True))
    drawn.append(text(right, bottom + font_size * 2.4, x_title, font_size, anchor="end"))
    line = "L".join(f"{num(px(x))} {num(py(y))}" for x, y in points)
    drawn.append(path(f"M{line}", stroke=INK, stroke_width=2, fill="none", stroke_linejoin="round", class_="line"))
    lowest = top
    for mark in sorted(marks, key=lambda m: py(m.y)):
        x, y = px(mark.x), py(mark.y)
        colour = GREEN if mark.original else RED
        shape = (
            element("circle", cx=x, cy=y, r=5.0, fill=colour)
            if mark.original
            else element("rect", x=x - 4.5, y=y - 4.5, width=9.0, height=9.0, fill=colour)
        )
        wide = text_width(mark.label, font_size)
        # Above and to the right, as the curve falls that way; two labels never share a line.
        at = max(y - font_size * 0.7, lowest + font_size * 1.05)
        lowest = at
        anchor, tx = (None, x + 7) if x + 7 + wide <= right else ("end", right)
        drawn.append(shape + text(tx, at, mark.label, font_size, anchor=anchor, fill=colour, weight=700))
    return document(width, height, *drawn, uid=uid, title=title, description=description, class_="curve")


def _zone(
    zone: Zone,
    px: Callable[[float], float],
    x_low: float,
    x_high: float,
    top: float,
    bottom: float,
    size: float,
) -> str:
    start, stop = max(zone.start, x_low), min(zone.stop, x_high)
    if not start < stop:
        return ""
    x1, x2 = px(start), px(stop)
    drawn = element(
        "rect",
        x=x1,
        y=top,
        width=x2 - x1,
        height=bottom - top,
        fill=RED_PALE,
        fill_opacity="1" if zone.strong else "0.5",
        class_="zone",
    )
    if zone.strong:
        lines = []
        at = 8.0
        wide, high = x2 - x1, bottom - top
        while at < wide + high:
            ax, ay = x1 + max(at - high, 0), top + min(at, high)
            bx, by = x1 + min(at, wide), top + max(at - wide, 0)
            lines.append(f"M{num(ax)} {num(ay)}L{num(bx)} {num(by)}")
            at += 8
        drawn += path(lines, stroke=RED, stroke_width=0.5, fill="none")
    label = ""
    if zone.label:
        label = text(x1 + 5, bottom - 6, zone.label, size * 0.93, fill=RED)
    return drawn + label

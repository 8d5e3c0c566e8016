"""Plain bars: two values side by side for before and after, and a histogram."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite

from keyboards.drawing.plots import Band, round_values, written
from keyboards.drawing.svg import (
    EDGE,
    GREEN,
    GREEN_PALE,
    INK,
    LINE,
    SURFACE,
    document,
    element,
    num,
    path,
    text,
    text_width,
)


@dataclass(frozen=True)
class Bar:
    """One row: its name, a value, and the earlier value it is held against."""

    label: str
    value: float
    before: float | None = None


def bars(
    rows: Sequence[Bar],
    *,
    uid: str,
    title: str,
    unit: str = "",
    before_label: str = "",
    after_label: str = "",
    description: str = "",
    decimals: int = 0,
    width: float = 520,
    font_size: float = 14,
) -> str:
    """Horizontal bars from 0, the figure at each end. The earlier bar is hollow, so grey print tells them apart."""
    if not rows:
        raise ValueError("bars need at least one row")
    for row in rows:
        for value in (row.value, row.before):
            if value is not None and not (isfinite(value) and value >= 0):
                raise ValueError(f"{row.label}: a bar must be 0 or more, not {value!r}")
    two = any(row.before is not None for row in rows)
    most = max(max(row.value, row.before or 0) for row in rows) or 1.0
    suffix = f" {unit}" if unit else ""
    left = max(text_width(row.label, font_size) for row in rows) + 12
    figures = max(text_width(written(most, decimals) + suffix, font_size, mono=True), 20)
    scale = (width - left - figures - 10) / most
    if scale <= 0:
        raise ValueError("the labels leave no room for the bars: give a larger width")
    thick = font_size * 0.95
    drawn = []
    y = 2.0
    if two and (before_label or after_label):
        drawn.append(_key(left, y, before_label, after_label, font_size))
        y += font_size * 1.9
    start = y
    for row in rows:
        shown = [(row.before, False), (row.value, True)] if two else [(row.value, True)]
        drawn.append(
            text(left - 8, y + thick * len(shown) / 2 + font_size * 0.33, row.label, font_size, anchor="end", fill=INK)
        )
        for value, solid in shown:
            if value is not None:
                wide = value * scale
                drawn.append(_bar(left, y, wide, thick - 2, solid))
                words = written(value, decimals) + suffix
                drawn.append(text(left + wide + 6, y + thick * 0.8, words, font_size, fill=INK, mono=True))
            y += thick + (2 if two else 0)
        y += font_size * 0.6
    drawn.append(path(f"M{num(left)} {num(start - 3)}V{num(y - font_size * 0.4)}", stroke=INK, stroke_width=0.9))
    return document(width, y, *drawn, uid=uid, title=title, description=description, class_="bars")


def _bar(x: float, y: float, width: float, height: float, solid: bool) -> str:
    return element(
        "rect",
        x=x,
        y=y,
        width=max(width, 0.5),
        height=height,
        fill=GREEN if solid else SURFACE,
        stroke=GREEN if solid else EDGE,
        class_="after" if solid else "before",
    )


def _key(x: float, y: float, before: str, after: str, size: float) -> str:
    second = x + 22 + text_width(before, size * 1.1) + 18
    return (
        _bar(x, y + 2, 14, size * 0.75, False)
        + text(x + 20, y + size * 0.85, before, size)
        + _bar(second, y + 2, 14, size * 0.75, True)
        + text(second + 20, y + size * 0.85, after, size)
    )


def histogram(
    values: Iterable[float] | Mapping[float, int],
    *,
    uid: str,
    title: str,
    unit: str,
    step: float,
    band: Band | None = None,
    beside: Iterable[float] = (),
    description: str = "",
    decimals: int = 2,
    width: float = 520,
    height: float = 190,
    font_size: float = 14,
) -> str:
    """How many values fall in each class `step` wide; classes begin at multiples of the step. The band lies behind.

    values: each, or how often each occurs. beside: those of the histogram that this one stands next to, so that both
    have one axis.
    """
    held = Counter(values)
    if not held:
        raise ValueError("a histogram needs at least one value")
    if not all(isfinite(value) for value in held):
        raise ValueError("every value must be finite")
    if not (isfinite(step) and step > 0):
        raise ValueError(f"step must be above 0, not {step!r}")
    # The small share of a step keeps 0.15 / 0.05 in the class it names, whatever binary makes of it.
    places: Counter[int] = Counter()
    for value, times in held.items():
        places[int((value / step + 1e-9) // 1)] += times
    reached = [*places, *(int((value / step + 1e-9) // 1) for value in beside)]
    low, high = min(reached), max(reached) + 1
    if band:
        low, high = min(low, int(band.low / step // 1)), max(high, int(-(-band.high / step // 1)))
    if high - low > 400:
        raise ValueError("more than 400 classes: give a larger step")
    counts = [places[place] for place in range(low, high)]
    most = max(counts)
    ticks = tuple(tick for tick in round_values(0, most, 4) if tick == int(tick)) or (0, most)
    left = text_width(str(most), font_size, mono=True) + 10
    top, bottom, right = font_size * 1.2, height - font_size * 2.7, width - 8
    pitch = (right - left) / (high - low)

    def px(value: float) -> float:
        return left + (value / step - low) * pitch

    def py(count: float) -> float:
        return bottom - count / most * (bottom - top)

    drawn = []
    if band:
        x1, x2 = px(band.low), px(band.high)
        drawn.append(element("rect", x=x1, y=top, width=x2 - x1, height=bottom - top, fill=GREEN_PALE, class_="band"))
        drawn.append(text((x1 + x2) / 2, font_size * 0.9, band.label, font_size, anchor="middle", fill=GREEN))
    drawn.append(path([f"M{num(left)} {num(py(tick))}H{num(right)}" for tick in ticks], stroke=LINE, stroke_width=0.8))
    for tick in ticks:
        drawn.append(text(left - 5, py(tick) + font_size * 0.33, f"{tick:.0f}", font_size, anchor="end", mono=True))
    boxes = [
        f"M{num(left + i * pitch + 0.6)} {num(bottom)}V{num(py(count))}h{num(pitch - 1.2)}V{num(bottom)}z"
        for i, count in enumerate(counts)
        if count
    ]
    drawn.append(path(boxes, fill=EDGE, class_="counts"))
    for tick in round_values(low * step, high * step, 6):
        words = written(tick, decimals)
        half = text_width(words, font_size, mono=True) / 2
        at = min(max(px(tick), half), width - half)
        drawn.append(text(at, bottom + font_size * 1.15, words, font_size, anchor="middle", mono=True))
    drawn.append(text(right, bottom + font_size * 2.35, unit, font_size, anchor="end"))
    return document(width, height, *drawn, uid=uid, title=title, description=description, class_="histogram")

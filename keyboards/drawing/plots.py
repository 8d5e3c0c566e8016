"""Plots that stand under the button row on its columns: one point a key, a tolerance band, limits, section levels.

Inside the band a point is a round dot, outside it a diamond, an impossible reading a ringed cross: the shape tells as
much as the colour. A value beyond the axis is drawn as an arrowhead at its edge.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, isfinite, log10
from statistics import median
from typing import Self

from keyboards.drawing.svg import (
    AMBER,
    DOT,
    EDGE,
    GREEN,
    GREEN_PALE,
    INK,
    LINE,
    RED,
    SOFT,
    SURFACE,
    Shape,
    chain,
    element,
    num,
    path,
    text,
    text_width,
)

DIAMOND = "l4.2 4.2-4.2 4.2-4.2-4.2z"


@dataclass(frozen=True)
class Section:
    """Keys `first` to `last`. In a plot `level` draws the section's value across it, `level_end` makes that a slope."""

    first: int
    last: int
    label: str
    level: float | None = None
    level_end: float | None = None


@dataclass(frozen=True)
class Series:
    """Key number -> value in the plot's unit. `hollow`: the earlier of two checks, rings joined to the later dots."""

    values: Mapping[int, float]
    label: str = ""
    hollow: bool = False


@dataclass(frozen=True)
class Band:
    low: float
    high: float
    label: str = ""


@dataclass(frozen=True)
class Limit:
    value: float
    label: str = ""


@dataclass(frozen=True)
class Plot:
    """One plot. `outliers` are keys whose reading cannot be right; `outside` overrules which lie outside the band.

    The axis fits the data (without the outliers) unless `low` and `high` are given. The stems rise from `centre`: None
    means the middle of the band, else the median. `quantity` names the plot to a script.
    """

    title: str
    unit: str
    series: Sequence[Series]
    band: Band | None = None
    limits: Sequence[Limit] = ()
    sections: Sequence[Section] = ()
    outliers: frozenset[int] = frozenset()
    outside: frozenset[int] | None = None
    centre: float | None = None
    low: float | None = None
    high: float | None = None
    decimals: int = 2
    height: float = 92
    quantity: str = ""

    def __post_init__(self) -> None:
        for series in self.series:
            for number, value in series.values.items():
                if not isfinite(value):
                    raise ValueError(f"{self.title}: the value of key {number} must be finite, not {value!r}")


@dataclass(frozen=True)
class Columns:
    """Where the keys of one line stand."""

    numbers: tuple[int, ...]
    start: float
    pitch: float
    places: dict[int, int] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.places.update({number: i for i, number in enumerate(self.numbers)})

    def left(self, number: int) -> float:
        return self.start + self.places[number] * self.pitch

    def middle(self, number: int | None) -> float:
        if number is None:
            raise ValueError("no key")
        return self.left(number) + self.pitch / 2

    @property
    def right(self) -> float:
        return self.start + len(self.numbers) * self.pitch

    def span(self, first: int, last: int) -> tuple[float, float] | None:
        """Left and right edge of keys first to last in this line, None where the line holds none of them."""
        inside = [i for i, number in enumerate(self.numbers) if first <= number <= last]
        if not inside:
            return None
        return self.start + inside[0] * self.pitch, self.start + (inside[-1] + 1) * self.pitch


@dataclass(frozen=True)
class Axis:
    """The values a plot shows, from the foot to the head, and the round ones it names."""

    low: float
    high: float
    centre: float
    ticks: tuple[float, ...]
    decimals: int

    @classmethod
    def of(cls, plot: Plot) -> Self:
        good = [
            value for series in plot.series for number, value in series.values.items() if number not in plot.outliers
        ]
        shown = list(good)
        shown += [section.level for section in plot.sections if section.level is not None]
        shown += [section.level_end for section in plot.sections if section.level_end is not None]
        shown += [limit.value for limit in plot.limits]
        if plot.band:
            shown += [plot.band.low, plot.band.high]
        if plot.centre is not None:
            shown.append(plot.centre)
        if not shown:
            shown = [value for series in plot.series for value in series.values.values()] or [0.0, 1.0]
        low, high = min(shown), max(shown)
        least = 10.0**-plot.decimals * 4  # a flat set is not blown up to fill the plot
        if high - low < least:
            low, high = (low + high - least) / 2, (low + high + least) / 2
        room = (high - low) * 0.09
        low = low - room if plot.low is None else plot.low
        high = high + room if plot.high is None else plot.high
        if not (isfinite(low) and isfinite(high) and low < high):
            raise ValueError(f"{plot.title}: the axis must run upwards, not from {low!r} to {high!r}")
        if plot.centre is not None:
            centre = plot.centre
        elif plot.band:
            centre = (plot.band.low + plot.band.high) / 2
        else:
            centre = median(good) if good else (low + high) / 2
        return cls(low, high, centre, round_values(low, high), plot.decimals)

    def y(self, value: float, top: float, bottom: float) -> float:
        place = (value - self.low) / (self.high - self.low)
        return bottom - min(max(place, 0.0), 1.0) * (bottom - top)

    def beyond(self, kind: str, value: float) -> int:
        """1 above the axis, -1 below it, 0 within. An impossible reading keeps its cross, at the edge."""
        return 0 if kind == "odd" else (value > self.high) - (value < self.low)

    def shown(self, value: float) -> str:
        return written(value, self.decimals)

    def label_width(self, size: float) -> float:
        return max((text_width(self.shown(tick), size * 0.92, mono=True) for tick in self.ticks), default=0.0) + 2


def written(value: float, decimals: int) -> str:
    """A figure with a true minus sign, never "-0.00"."""
    words = f"{value:.{decimals}f}"
    if float(words) == 0:
        words = words.lstrip("-")
    return words.replace("-", "\u2212")


def round_values(low: float, high: float, most: int = 4) -> tuple[float, ...]:
    """Up to `most` round values (1, 2, 2.5 or 5 times a power of ten apart) between low and high."""
    raw = (high - low) / most
    power = 10.0 ** floor(log10(raw))
    step = next(power * m for m in (1, 2, 2.5, 5, 10) if power * m >= raw * (1 - 1e-9))
    first, last = ceil(low / step - 1e-9), floor(high / step + 1e-9)
    return tuple(i * step for i in range(first, last + 1))


def draw(
    plot: Plot,
    axis: Axis,
    columns: Columns,
    y: float,
    size: float,
    *,
    headed: bool = True,
    live: bool = False,
) -> tuple[str, float, float]:
    """The plot for one line of keys from y downwards, and the top and the bottom of its field.

    Only the first line of a split row is `headed`: its title and labels hold for those below it.
    """
    top = y + size * 0.9
    parts = []
    if headed:
        head, top = _head(plot, columns, y + size * 1.5, size)
        parts.append(head)
    bottom = top + plot.height
    start, right = columns.start, columns.right
    if plot.band:
        upper, lower = axis.y(plot.band.high, top, bottom), axis.y(plot.band.low, top, bottom)
        parts.append(_field(start, upper, right - start, max(lower - upper, 0.5)))
    grid = []
    for tick in axis.ticks:
        at = axis.y(tick, top, bottom)
        grid.append(f"M{num(start)} {num(at)}H{num(right)}")
        words = axis.shown(tick)
        parts.append(text(start - 4, at + size * 0.32, words, size * 0.92, anchor="end", mono=True))
    parts.append(path(grid, stroke=LINE, stroke_width=0.6, class_="grid"))
    if plot.band or plot.centre is not None:
        centre = f"M{num(start)} {num(axis.y(axis.centre, top, bottom))}H{num(right)}"
        colour = GREEN if plot.band else EDGE
        parts.append(path(centre, stroke=colour, stroke_width=0.9, stroke_dasharray="1.5 3"))
    for limit in plot.limits:
        at = axis.y(limit.value, top, bottom)
        line = f"M{num(start)} {num(at)}H{num(right)}"
        parts.append(path(line, stroke=RED, stroke_width=0.9, stroke_dasharray="5 3"))
        parts.append(text(start + 4, at - size * 0.3, limit.label, size * 0.92, fill=RED))
    parts.append(_levels(plot, axis, columns, top, bottom, size))
    points = _single_points if live else _points
    parts.append(points(plot, axis, columns, top, bottom))
    drawn = element(
        "g",
        *parts,
        class_="plot",
        data_quantity=plot.quantity or None,
        data_low=f"{axis.low:.6g}" if live else None,
        data_high=f"{axis.high:.6g}" if live else None,
        data_centre=f"{axis.centre:.6g}" if live else None,
        data_band=f"{plot.band.low:.6g} {plot.band.high:.6g}" if live and plot.band else None,
        data_top=num(top) if live else None,
        data_bottom=num(bottom) if live else None,
    )
    return drawn, top, bottom


def _field(x: float, y: float, width: float, height: float) -> str:
    return element("rect", x=x, y=y, width=width, height=height, fill=GREEN_PALE, class_="band")


def _head(plot: Plot, columns: Columns, y: float, size: float) -> tuple[str, float]:
    """Title and unit on the left; on the right what the band and the two series are, a line lower where it is tight.

    Returns the head and the y at which the field may begin.
    """
    words = f"{plot.title}, {plot.unit}" if plot.unit else plot.title
    drawn = [text(columns.start, y, words, size, fill=INK, class_="plot-title")]
    named = [series for series in plot.series if series.label]
    band = plot.band.label if plot.band else ""
    room = sum(text_width(series.label, size) + 24 for series in named)
    room += text_width(band, size) + 24 if band else 0
    if room and columns.start + text_width(words, size) + 24 + room > columns.right:
        y += size * 1.35
    # Words first, their mark after them at a fixed place: a page may show the words larger on a small screen.
    x = columns.right
    if band:
        drawn.append(_field(x - 11, y - size * 0.75, 11, size * 0.8))
        drawn.append(text(x - 16, y, band, size, anchor="end", fill=GREEN))
        x -= 16 + text_width(band, size * 1.1) + 18
    for series in reversed(named):
        drawn.append(_dots([(x - 3, y - size * 0.35)], series.hollow))
        drawn.append(text(x - 11, y, series.label, size, anchor="end"))
        x -= 11 + text_width(series.label, size * 1.2) + 18
    return "".join(drawn), y + size * 0.7


def _dots(points: Sequence[tuple[float, float]], hollow: bool) -> str:
    d = chain(((x, y, DOT) for x, y in points), across=0.1)
    dots = path(
        d,
        stroke=SOFT if hollow else INK,
        stroke_width=5.6,
        stroke_linecap="round",
        class_="before" if hollow else "inside",
    )
    if hollow:
        dots += path(d, stroke=SURFACE, stroke_width=3.2, stroke_linecap="round")
    return dots


def _levels(plot: Plot, axis: Axis, columns: Columns, top: float, bottom: float, size: float) -> str:
    """The value of each section across it, and its label at the head of the plot."""
    lines = []
    labels = []
    for section in plot.sections:
        span = columns.span(section.first, section.last)
        if span is None or section.level is None:
            continue
        start, end = section.level, section.level if section.level_end is None else section.level_end
        keys = section.last - section.first
        if keys and start != end:  # a fan cut by a split row keeps its slope
            inside = [n for n in columns.numbers if section.first <= n <= section.last]
            slope = (end - start) / keys
            start, end = start + slope * (inside[0] - section.first), start + slope * (inside[-1] - section.first)
        lines.append(
            f"M{num(span[0] + 2)} {num(axis.y(start, top, bottom))}L{num(span[1] - 2)} {num(axis.y(end, top, bottom))}"
        )
        labels.append(
            text(
                (span[0] + span[1]) / 2,
                top + size * 0.7,
                section.label,
                size * 0.92,
                anchor="middle",
                fill=GREEN,
                weight=700,
            )
        )
    return path(lines, stroke=GREEN, stroke_width=1.8, class_="levels") + "".join(labels)


def kind_of(plot: Plot, number: int, value: float) -> str:
    """ "odd", "outside" or "inside": how the point of a key is drawn."""
    if number in plot.outliers:
        return "odd"
    if plot.outside is not None:
        return "outside" if number in plot.outside else "inside"
    if plot.band and not plot.band.low - 1e-9 <= value <= plot.band.high + 1e-9:
        return "outside"
    return "inside"


def marker(kind: str, x: float, y: float, beyond: int = 0) -> str:
    """The path of one point; `beyond` is 1 above the axis, -1 below it."""
    if beyond:
        return f"M{num(x - 4)} {num(y + 5 * beyond)}h8l-4 {num(-7.0 * beyond)}z"
    if kind == "odd":
        return f"M{num(x - 3)} {num(y - 3)}l6 6m0 -6l-6 6m-1.9 -3a4.9 4.9 0 1 0 9.8 0a4.9 4.9 0 1 0 -9.8 0"
    return f"M{num(x)} {num(y - 4.2)}{DIAMOND}"


def _stems(points: Sequence[tuple[float, float]], foot: float) -> str:
    down = f"V{num(foot)}"
    return chain(((x, y, down) for x, y in points), foot=foot)


def _points(plot: Plot, axis: Axis, columns: Columns, top: float, bottom: float) -> str:
    two = len(plot.series) > 1
    drawn: list[str] = []
    foot = axis.y(axis.centre, top, bottom)
    stems: dict[str, list[tuple[float, float]]] = {"inside": [], "outside": [], "odd": []}
    joined: list[str] = []
    dots: list[tuple[float, float]] = []
    diamonds: list[Shape] = []
    odd: list[str] = []
    arrows: dict[str, list[str]] = {"inside": [], "outside": [], "odd": []}
    rings: list[tuple[float, float]] = []
    main = next((series for series in reversed(plot.series) if not series.hollow), None)
    for series in plot.series:
        for number in columns.numbers:
            value = series.values.get(number)
            if value is None:
                continue
            x, y = columns.middle(number), axis.y(value, top, bottom)
            if series.hollow:
                rings.append((x, y))
                after = main.values.get(number) if main else None
                if after is not None:
                    joined.append(f"M{num(x)} {num(y)}V{num(axis.y(after, top, bottom))}")
                continue
            kind = kind_of(plot, number, value)
            beyond = axis.beyond(kind, value)
            if not two:
                stems[kind].append((x, y))
            if beyond:
                arrows[kind].append(marker(kind, x, y, beyond))
            elif kind == "inside":
                dots.append((x, y))
            elif kind == "outside":
                diamonds.append((x, y - 4.2, DIAMOND))
            else:
                odd.append(marker(kind, x, y))
    drawn += [
        path([*joined, _stems(stems["inside"], foot)], stroke=EDGE, stroke_width=0.8),
        path(_stems(stems["outside"], foot), stroke=AMBER, stroke_width=0.8),
        path(_stems(stems["odd"], foot), stroke=RED, stroke_width=0.8, stroke_dasharray="2 2"),
    ]
    if rings:
        drawn.append(_dots(rings, True))
    if dots:
        drawn.append(_dots(dots, False))
    drawn += [
        path(chain(diamonds), fill=AMBER, class_="outside"),
        path(odd, fill="none", stroke=RED, stroke_width=1.5, class_="odd"),
        path(arrows["inside"], fill=INK, class_="inside"),
        path(arrows["outside"], fill=AMBER, class_="outside"),
        path(arrows["odd"], fill=RED, class_="odd"),
    ]
    return "".join(drawn)


def _single_points(plot: Plot, axis: Axis, columns: Columns, top: float, bottom: float) -> str:
    """A group a key, empty where it has no value yet; a script fills in the two paths and the class."""
    foot = axis.y(axis.centre, top, bottom)
    groups = []
    values = plot.series[-1].values if plot.series else {}
    for number in columns.numbers:
        value = values.get(number)
        if value is None:
            groups.append(element("g", "<path/><path/>", class_="point", data_key=number))
            continue
        kind = kind_of(plot, number, value)
        x, y = columns.middle(number), axis.y(value, top, bottom)
        beyond = axis.beyond(kind, value)
        stem = element("path", d=f"M{num(x)} {num(foot)}V{num(y)}")
        shape = f"M{num(x)} {num(y)}h.1" if kind == "inside" and not beyond else marker(kind, x, y, beyond)
        kind = f"{kind} beyond" if beyond else kind
        groups.append(element("g", stem, element("path", d=shape), class_=f"point {kind}", data_key=number))
    return "".join(groups)

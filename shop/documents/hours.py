"""Quoted against actual as a drawing: one row an operation, a dot a job, the middle half as a bar. Pure: SVG text.

The axis is the ratio of actual to quoted minutes on a logarithmic scale, because half as long and twice as long are
equally far off.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

_TOP, _TITLE, _PITCH, _FOOT, _EDGE = 8, 22, 58, 28, 30
_TICKS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0)


@dataclass(frozen=True)
class RatioRow:
    """One operation: its words, each job's ratio, quartiles where there are some, and the median."""

    title: str
    ratios: tuple[float, ...]
    median: float
    low: float | None = None
    high: float | None = None


def ratio_dots(rows: Sequence[RatioRow], *, uid: str, title: str, description: str, width: int = 720) -> str:
    """The drawing, `width` units wide. Colours come from classes of the style sheet; a table beside it should say the
    same in figures. Ratios are above zero."""
    values = [value for row in rows for value in row.ratios]
    low, high = min([0.5, *values]), max([2.0, *values])
    span = math.log(high) - math.log(low)

    def x(ratio: float) -> float:
        return round(_EDGE + (math.log(ratio) - math.log(low)) / span * (width - 2 * _EDGE), 1)

    bottom = _TOP + _PITCH * len(rows)
    parts = [
        f'<svg class="ratios" viewBox="0 0 {width} {bottom + _FOOT}" role="img" aria-labelledby="{uid}-t {uid}-d">',
        f'<title id="{uid}-t">{escape(title)}</title><desc id="{uid}-d">{escape(description)}</desc>',
    ]
    for tick in _TICKS:
        if low <= tick <= high:
            kind = "one" if tick == 1 else "tick"
            parts.append(f'<line class="{kind}" x1="{x(tick)}" x2="{x(tick)}" y1="{_TOP}" y2="{bottom}"/>')
            parts.append(f'<text class="axis" x="{x(tick)}" y="{bottom + 18}" text-anchor="middle">×{tick:g}</text>')
    for place, row in enumerate(rows):
        top = _TOP + _PITCH * place
        middle = top + _TITLE + 16
        parts.append(f'<text class="name" x="0" y="{top + 16}">{escape(row.title)}</text>')
        if row.low is not None and row.high is not None:
            half = max(x(row.high) - x(row.low), 2)
            parts.append(f'<rect class="half" x="{x(row.low)}" y="{middle - 8}" width="{half:g}" height="16" rx="3"/>')
        parts += [f'<circle class="job" cx="{x(value)}" cy="{middle}" r="4.5"/>' for value in row.ratios]
        parts.append(
            f'<line class="median" x1="{x(row.median)}" x2="{x(row.median)}" y1="{middle - 12}" y2="{middle + 12}"/>'
        )
    return "".join([*parts, "</svg>"])

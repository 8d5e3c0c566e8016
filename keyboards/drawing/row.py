"""The button row: every key of a set side by side at equal pitch, as they stand at the balance rail, seen from above.

Playing ends at the bottom, bass on the left. A block is a button, coloured by the key's grade; the bar rising from its
foot says the same without colour (none sound, low cloth, middle wood, full spent). The mortise is drawn in it turned
by its skew, larger than life, the pin as a dot. Under the blocks stand the fronts, and under those any number of
plots on the same columns (`plots.py`).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, floor, isfinite, radians, sin

from keyboards.drawing import plots as plotting
from keyboards.drawing.plots import Columns, Plot, Section
from keyboards.drawing.svg import (
    BAR,
    BRASS,
    DOT,
    EDGE,
    GRADES,
    INK,
    LINE,
    RED,
    SOFT,
    SURFACE,
    Shape,
    chain,
    document,
    element,
    escape,
    num,
    path,
    text,
    text_width,
)

BLOCK = 36.0  # height of a block
BARS = (0.0, 4.5, 13.0, BLOCK)  # none, low, middle, full
FRONT = 20.0
_STROKES = ("#CFC2A9", "#B8923A", "#A65F1B", "#7A1F20")


@dataclass(frozen=True)
class KeyFace:
    """One key. `skew_deg` is positive when the playing end leans to the treble; `marks` are words about it."""

    number: int
    name: str
    sharp: bool
    grade: int | None = None
    skew_deg: float | None = None
    missing: bool = False
    broken: bool = False
    marks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.grade is not None and self.grade not in (0, 1, 2, 3):
            raise ValueError(f"grade must be 0, 1, 2, 3 or None, not {self.grade!r}")
        if self.skew_deg is not None and not (isfinite(self.skew_deg) and abs(self.skew_deg) <= 45):
            raise ValueError(f"skew_deg must be within 45 degrees, not {self.skew_deg!r}")


@dataclass(frozen=True)
class RowWords:
    """The translated words of a row: what grades 0 to 3 are called, and the rest that is said about a key."""

    grades: tuple[str, str, str, str]
    unread: str
    missing: str
    broken: str
    span: str = "{count} keys {first} to {last}"
    note: str = ""  # shown under the row, e.g. "mortise angles drawn 3 times larger than life"


def describe_row(keys: Sequence[KeyFace], words: RowWords) -> str:
    """ "88 keys A0 to C8: 15 sound, 41 cloth worn, 24 wood damaged, 6 button spent, 2 missing." No zero counts."""
    if not keys:
        raise ValueError("a row needs at least one key")
    present = [key for key in keys if not key.missing]
    counts = [(words.grades[g], sum(key.grade == g for key in present)) for g in range(4)]
    counts.append((words.unread, sum(key.grade is None for key in present)))
    counts.append((words.broken, sum(key.broken for key in present)))
    counts.append((words.missing, len(keys) - len(present)))
    span = words.span.format(count=len(keys), first=keys[0].name, last=keys[-1].name)
    return f"{span}: {', '.join(f'{count} {word}' for word, count in counts if count)}."


def button_row(
    keys: Sequence[KeyFace],
    *,
    uid: str,
    title: str,
    words: RowWords,
    description: str = "",
    plots: Sequence[Plot] = (),
    sections: Sequence[Section] = (),
    current: int | None = None,
    href: str | None = None,
    split: int = 1,
    width: float = 1104,
    font_size: float = 14,
    skew_scale: float = 3,
    live: bool = False,
) -> str:
    """The row, its plots and its sections as one SVG.

    `href` holds `{number}`, e.g. "/checks/5/keys/{number}/": tapping anywhere in a column goes there. `split` breaks
    the keys into that many lines, for a phone. `width` is the drawing's own width, to which `font_size` relates: give
    a narrow drawing a small width rather than large type. `live` draws every key and every point as an element of its
    own with `data-key`, so that a script can change one; otherwise equal things share one path, which is far smaller.
    """
    if not keys:
        raise ValueError("a row needs at least one key")
    if not 1 <= split <= 8:
        raise ValueError(f"split must be 1 to 8, not {split!r}")
    if not isfinite(width):
        raise ValueError(f"width must be above 0, not {width!r}")
    numbers = [key.number for key in keys]
    if len(set(numbers)) != len(numbers):
        raise ValueError("two keys have the same number")
    axes = [plotting.Axis.of(plot) for plot in plots]
    gutter = max((axis.label_width(font_size) for axis in axes), default=-2.0) + 4
    lines = _lines(keys, split)
    longest = max(len(line) for line in lines)
    # A short compass fills the picture, but its keys grow no wider than those of 61.
    pitch = min((width - gutter - 2) / longest, max(18.0, (width - gutter - 2) / 61 if split == 1 else 18.0))
    short = pitch - floor(pitch * 10) / 10  # keys at one distance are told alike, so it is one that can be told
    pitch -= short
    gutter += short * longest
    y = 0.0
    drawn: list[str] = []
    links: list[str] = []
    for faces in lines:
        columns = Columns(tuple(face.number for face in faces), gutter, pitch)
        top = y
        y += 9
        drawn.append(_blocks(faces, columns, y, current, skew_scale, live))
        y += BLOCK + 8
        drawn.append(_fronts(faces, columns, y))
        y += FRONT + font_size * 1.25
        drawn.append(_names(faces, columns, y, font_size))
        y += font_size * 0.45
        fields: list[tuple[float, float]] = []
        for plot, axis in zip(plots, axes, strict=True):
            picture, field_top, y = plotting.draw(
                plot, axis, columns, y, font_size, headed=faces is lines[0], live=live
            )
            drawn.append(picture)
            fields.append((field_top, y))
            y += font_size * 0.5
        rules, y = _sections(sections, columns, fields, y, font_size)
        drawn.append(rules)
        if current in columns.numbers and fields:
            x = num(columns.middle(current))
            cuts = "".join(f"M{x} {num(a - 3)}V{num(b + 3)}" for a, b in fields)
            drawn.append(path(cuts, stroke=INK, stroke_width=1.2, class_="now-line"))
        if href is not None:
            links.append(_links(faces, columns, top, y, href, words))
        y += 6 if len(lines) == 1 else 12
    y -= 6 if len(lines) == 1 else 12
    if words.note:
        y += font_size * 1.2
        drawn.append(text(width - 2, y, words.note, font_size * 0.92, anchor="end", class_="note"))
        y += font_size * 0.3
    return document(
        width,
        y + 2,
        *drawn,
        uid=uid,
        title=title,
        description=description,
        class_="keyrow live" if live else "keyrow",
        fills=True,
        linked=element("g", *links, class_="links", fill_opacity="0") if links else "",
        data_x=num(gutter) if live else None,
        data_pitch=f"{pitch:.5g}" if live else None,
        data_rail=9 if live else None,
    )


def _lines(keys: Sequence[KeyFace], split: int) -> list[Sequence[KeyFace]]:
    """The keys in `split` lines, broken where two naturals meet (B and C, E and F) so that no sharp loses its place."""
    cuts = [0]
    for i in range(1, split):
        aim = round(i * len(keys) / split)
        near = sorted(range(max(aim - 3, 1), min(aim + 4, len(keys))), key=lambda at: (abs(at - aim), at))
        meeting = [at for at in near if not keys[at].sharp and not keys[at - 1].sharp]
        cut = (meeting or near or [aim])[0]
        if cuts[-1] < cut < len(keys):
            cuts.append(cut)
    return [keys[a:b] for a, b in zip(cuts, [*cuts[1:], len(keys)], strict=True)]


def _rect(x: float, y: float, width: float, height: float) -> Shape:
    return x, y, f"h{num(width)}v{num(height)}h{num(-width)}z"


def _mortise(x: float, y: float, width: float, length: float, skew: float) -> Shape:
    """A mortise about (x, y). A positive skew takes its lower end, the playing end, to the right, the treble."""
    s, c = sin(radians(skew)), cos(radians(skew))
    along = (length * s, length * c)
    across = (width * c, -width * s)
    x -= (along[0] + across[0]) / 2
    y -= (along[1] + across[1]) / 2
    sides = f"{num(across[0])} {num(across[1])} {num(along[0])} {num(along[1])} {num(-across[0])} {num(-across[1])}"
    return x, y, f"l{sides}z"


def _hatch(x: float, y: float, width: float, height: float) -> str:
    lines = []
    step = 6.0
    at = step
    while at < height + width:
        x1, y1 = x + max(at - height, 0), y + min(at, height)
        x2, y2 = x + min(at, width), y + max(at - width, 0)
        lines.append(f"M{num(x1)} {num(y1)}L{num(x2)} {num(y2)}")
        at += step
    return "".join(lines)


def _wedge(x: float, y: float, half: float) -> Shape:
    return x - half, y, f"h{num(2 * half)}l{num(-half)} {num(half * 1.4)}z"


def _crack(x: float, y: float, width: float, height: float) -> str:
    w, up, down = num(width / 3), num(-height * 0.16), num(height * 0.1)
    return f"M{num(x)} {num(y + height * 0.62)}l{w} {up} {w} {down} {w} {up}"


def _blocks(keys: Sequence[KeyFace], columns: Columns, y: float, current: int | None, scale: float, live: bool) -> str:
    gap = min(2.0, columns.pitch * 0.14)
    width = columns.pitch - gap
    slot = (min(width * 0.46, 6.0), 15.0)
    fills: list[list[Shape]] = [[], [], [], []]
    bars: list[Shape] = []
    unread: list[Shape] = []
    hatch: list[str] = []
    dark: list[Shape] = []
    light: list[Shape] = []
    dark_pins: list[Shape] = []
    light_pins: list[Shape] = []
    cracks: list[str] = []
    wedges: list[Shape] = []
    singles: list[str] = []
    outline = ""
    for key in keys:
        x = columns.left(key.number) + gap / 2
        middle = x + width / 2
        pin_y = y + 13.5
        if key.number == current:
            around = chain([_rect(x - 0.8, y - 2, width + 1.6, BLOCK + 4)])
            outline = path(around, fill="none", stroke=INK, stroke_width=2.2)
            outline += path(f"M{num(middle - 5)} {num(y + BLOCK + 7.5)}l5 -5.5 5 5.5z", fill=INK)
        if key.marks:
            wedges.append(_wedge(middle, y - 8, min(3.2, width / 2)))
        if key.missing:
            hatch.append(_hatch(x, y, width, BLOCK))
            continue
        full = key.grade == 3
        skew = max(-40.0, min(40.0, (key.skew_deg or 0) * scale))
        if key.broken:
            cracks.append(_crack(x, y, width, BLOCK))
        if live:
            singles.append(_single(key, x, y, width, _mortise(width / 2, 13.5, slot[0], slot[1], skew)))
            continue
        block = _rect(x, y, width, BLOCK)
        if key.grade is None:
            unread.append(block)
        else:
            fills[key.grade].append(block)
            height = BARS[key.grade]
            if height:
                # A full bar leaves a rim of the spent grade's red all round.
                side, head = (2.3, 2.3) if full else (0.6, 0.0)
                bars.append(_rect(x + side, y + BLOCK - height + head, width - 2 * side, height - head - side))
        if key.skew_deg is not None or key.grade is not None:
            (light if full else dark).append(_mortise(middle, pin_y, slot[0], slot[1], skew))
        (light_pins if full else dark_pins).append((middle, pin_y, DOT))
    pin: dict[str, object] = {"stroke_linecap": "round", "stroke_width": min(2.6, width * 0.24)}
    drawn = [path(chain(unread), fill=SURFACE, stroke=LINE, stroke_linejoin="round", class_="unread")]
    drawn += [
        path(chain(fill), fill=GRADES[g], stroke=_STROKES[g], stroke_linejoin="round", class_=f"g{g}")
        for g, fill in enumerate(fills)
    ]
    drawn.append(element("g", *singles, fill="none", stroke=INK, stroke_width=0.9) if singles else "")
    drawn += [
        path(chain(bars), fill=BAR, class_="bars"),
        path(chain(dark), fill="#fff", fill_opacity=0.65, stroke=INK, stroke_width=0.9, stroke_linejoin="round"),
        path(chain(light), fill="none", stroke="#fff", stroke_width=0.9, stroke_linejoin="round"),
        path(chain(dark_pins, across=0.1), stroke=INK, fill="none", **pin),
        path(chain(light_pins, across=0.1), stroke="#fff", fill="none", **pin),
        path(hatch, stroke=EDGE, stroke_width=0.8, fill="none", class_="missing"),
        path(cracks, stroke="#fff", stroke_width=3.4, fill="none"),
        path(cracks, stroke=RED, stroke_width=1.5, fill="none", class_="broken"),
        path(chain(wedges), fill=BRASS, class_="marks"),
    ]
    return "".join(drawn) + element("g", outline, class_="now") if outline or live else "".join(drawn)


def _single(key: KeyFace, x: float, y: float, width: float, mortise: Shape) -> str:
    """One key on its own, drawn from its own corner, so that all keys are told alike.

    The bar has its full height; the style sheet cuts it down by the class of the grade.
    """
    return element(
        "g",
        path(
            chain([_rect(0, 0, width, BLOCK)]),
            class_="block",
            fill=SURFACE if key.grade is None else GRADES[key.grade],
            stroke=EDGE,
        ),
        element("rect", x=0.8, y=0, width=width - 1.6, height=BLOCK, fill=BAR, stroke="none", class_="bar"),
        path(chain([mortise]), class_="mortise"),
        path(chain([(width / 2, 13.5, DOT)]), class_="pin", stroke_width=2.4, stroke_linecap="round"),
        class_="key unread" if key.grade is None else f"key g{key.grade}",
        data_key=key.number,
        transform=f"translate({num(x)} {num(y)})",
    )


def _fronts(keys: Sequence[KeyFace], columns: Columns, y: float) -> str:
    gap = min(1.6, columns.pitch * 0.12)
    width = columns.pitch - gap
    naturals: list[Shape] = []
    sharps: list[Shape] = []
    absent: list[Shape] = []
    for key in keys:
        x = columns.left(key.number) + gap / 2
        shape = _rect(x, y, width, FRONT * 0.66 if key.sharp else FRONT)
        (absent if key.missing else sharps if key.sharp else naturals).append(shape)
    return (
        path(chain(naturals), fill="#fff", stroke=LINE, stroke_linejoin="round", class_="naturals")
        + path(chain(sharps), fill=INK, class_="sharps")
        + path(chain(absent), fill="none", stroke=EDGE, stroke_width=0.8, stroke_dasharray="2 1.6", class_="missing")
    )


def _names(keys: Sequence[KeyFace], columns: Columns, y: float, size: float) -> str:
    """C1 to C8 under their fronts, and the first and the last key where no C stands near."""
    half = text_width("C4", size) / 2
    named = [key for key in keys if key.name.startswith("C") and not key.sharp]
    taken = [columns.middle(key.number) for key in named]
    for key in (keys[0], keys[-1]):
        if key not in named and all(abs(columns.middle(key.number) - x) > 4.5 * half for x in taken):
            named.append(key)
            taken.append(columns.middle(key.number))
    drawn = []
    for key in named:
        x = columns.middle(key.number)
        room = text_width(key.name, size) / 2
        if x + room > columns.right:
            drawn.append(text(columns.right, y, key.name, size, anchor="end"))
        elif x - room < columns.start:
            drawn.append(text(columns.start, y, key.name, size))
        else:
            drawn.append(text(x, y, key.name, size, anchor="middle"))
    return element("g", *drawn, class_="names")


def _sections(
    sections: Sequence[Section],
    columns: Columns,
    fields: Sequence[tuple[float, float]],
    y: float,
    size: float,
) -> tuple[str, float]:
    """Rules between sections through the fields of the plots, the last down to the labels under everything.

    A label that does not fit goes a line lower. Where a split row holds only a sliver of a section, the label stands
    with the rest of it.
    """
    shown = []
    for section in sections:
        span = columns.span(section.first, section.last)
        if span is None:
            continue
        here = sum(section.first <= number <= section.last for number in columns.numbers)
        shown.append((section, span, here * 4 > section.last - section.first))
    if not shown:
        return "", y
    fields = list(fields) or [(y, y)]
    fields[-1] = (fields[-1][0], y + size * 0.7)
    starts = [x1 for _, (x1, _), _ in shown if x1 > columns.start + 1]
    rules = [f"M{num(x)} {num(a - 3)}V{num(b + 3)}" for x in starts for a, b in fields]
    y += size * 1.25
    end = [-1e9, -1e9]
    labels = []
    lowest = 0
    for section, (x1, x2), labelled in shown:
        if not labelled:
            continue
        wide = text_width(section.label, size)
        x = min(max((x1 + x2) / 2, columns.start + wide / 2), columns.right - wide / 2)
        row = 0 if x - wide / 2 > end[0] + 6 else 1
        end[row] = x + wide / 2
        lowest = max(lowest, row)
        labels.append(text(x, y + row * size * 1.25, section.label, size, anchor="middle"))
    drawn = path(rules, stroke=SOFT, stroke_width=0.9, fill="none") + "".join(labels)
    return element("g", drawn, class_="sections"), y + lowest * size * 1.25 + size * 0.35


def _links(keys: Sequence[KeyFace], columns: Columns, top: float, bottom: float, href: str, words: RowWords) -> str:
    """A link over the column of each key, told in columns."""
    drawn = []
    for place, key in enumerate(keys):
        said = [words.missing] if key.missing else [words.unread if key.grade is None else words.grades[key.grade]]
        if key.broken and not key.missing:
            said.append(words.broken)
        said.extend(key.marks)
        told = element("title", escape(f"{key.number} {key.name}: {', '.join(said)}"))
        # Out of the tab order: 88 stops before the page's own controls help nobody; the table behind the row has them.
        column = f'<rect x="{place}" width="1" height="1"/>'
        drawn.append(element("a", told, column, href=href.replace("{number}", str(key.number)), tabindex="-1"))
    measure = f"translate({num(columns.start)} {num(top)}) scale({num(columns.pitch)} {num(bottom - top)})"
    return element("g", *drawn, transform=measure)


_SHARPS = (1, 3, 6, 8, 10)


@lru_cache(maxsize=512)  # a list shows the sets of the last one
def small_row(grades: str, *, title: str, first_note: int = 21) -> str:
    """The row in a list: 16 high, one character a key ("0" to "3", "." not read, "-" missing). `first_note` is MIDI.

    The cell has the grade's colour and, in front of it, the grade's bar; the sharps stand underneath.
    """
    if not grades or set(grades) - set("0123.-"):
        raise ValueError('grades must hold only "0", "1", "2", "3", "." and "-", and at least one of them')
    pitch, cell = 4, 11.0
    width = pitch * len(grades)
    fills: dict[str, list[str]] = {c: [] for c in "0123.-"}
    for start, stop, grade in _runs(grades):
        x, wide = start * pitch, (stop - start) * pitch
        if grade == "-":
            fills[grade] += [
                f"M{i * pitch} {num(cell)}l{pitch} -5.5m{-pitch} 0l{pitch} -5.5" for i in range(start, stop)
            ]
            continue
        if grade == ".":
            continue  # only the sharps: what is not read yet has no cell
        height = num((0.0, 4.0, 7.5, cell)[int(grade)])
        fills["0"].append(f"M{x} 0h{wide}v{num(cell)}h{-wide}z")
        if grade != "0":
            fills[grade].append(f"M{x} {num(cell)}v-{height}h{wide}v{height}z")
    frames = []
    for start, stop, read in _runs("".join("." if grade == "." else "r" for grade in grades)):
        if read == "r":
            across = num((stop - start) * pitch - 0.6)
            frames.append(f"M{num(start * pitch + 0.3)} .3h{across}v{num(cell - 0.6)}h-{across}z")
    sharps = [
        f"M{i * pitch + 0.5:g} 12.5h3v3.5h-3z"
        for i, grade in enumerate(grades)
        if grade != "-" and (i + first_note) % 12 in _SHARPS
    ]
    drawn = [path(fills[str(g)], fill=GRADES[g], class_=f"g{g}") for g in range(4)]
    drawn += [
        path(fills["-"], stroke=EDGE, stroke_width=0.8, fill="none", class_="missing"),
        path([f"M{i * pitch} 0v{num(cell)}" for i in range(1, len(grades))], stroke=SURFACE, stroke_width=0.7),
        path(frames, fill="none", stroke=EDGE, stroke_width=0.6),
        path(sharps, fill=INK, class_="sharps"),
    ]
    return element(
        "svg",
        *drawn,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width} 16",
        width=width,
        height=16,
        preserveAspectRatio="none",
        class_="small-row",
        role="img",
        aria_label=title,
        focusable="false",
    )


def _runs(grades: str) -> list[tuple[int, int, str]]:
    runs: list[tuple[int, int, str]] = []
    for i, grade in enumerate(grades):
        if runs and runs[-1][2] == grade:
            runs[-1] = (runs[-1][0], i + 1, grade)
        else:
            runs.append((i, i + 1, grade))
    return runs

"""Writing SVG by hand: escaping, short numbers, and the colours and faces every drawing shares.

Everything is said in presentation attributes, never in style attributes or a <style>: the pages' content security
policy forbids those, and a drawing must look the same in a browser and in a PDF. Classes stand beside them so that
a page can restyle a drawing.
"""

import re
from collections.abc import Iterable
from functools import lru_cache
from math import isfinite

INK = "#1E1B18"
SOFT = "#5E574E"
LINE = "#D9CFBF"
EDGE = "#857B6C"
PAPER = "#F6F1E7"
SURFACE = "#FFFDF8"
GREEN = "#1F5A44"
GREEN_PALE = "#E3ECE5"
RED = "#8C2F2F"
RED_PALE = "#EBCFC9"
BRASS = "#A8761B"
AMBER = "#B8610F"  # the wood grade's hue, dark enough (3:1) for a small point on white
BAR = "#3B2A1B"
GRADES = ("#FBF6EA", "#E9C46A", "#D9822B", "#9E2A2B")

SANS = "Atkinson Hyperlegible Next, Balance Rail Signs, Atkinson Extended, sans-serif"
MONO = "Atkinson Hyperlegible Mono, Balance Rail Signs, monospace"

# What XML 1.0 cannot hold, escaped or not (https://www.w3.org/TR/xml/#charsets).
_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_UID = re.compile(r"[A-Za-z][A-Za-z0-9_-]*\Z")


@lru_cache(maxsize=16_384)  # the keys of one drawing stand where those of the last one stood
def num(value: float) -> str:
    """A coordinate with at most one decimal: "12.5", "12", "-.5"."""
    text = f"{value:.1f}"
    if text.endswith(".0"):
        text = text[:-2]
    if text.startswith("0."):
        return text[1:]
    if text.startswith("-0."):
        return "-" + text[2:]
    return "0" if text in ("-0", "") else text


def escape(text: object) -> str:
    """Text for an element or a double-quoted attribute. What XML cannot hold (NUL and its like) is shown as U+FFFD."""
    clean = _FORBIDDEN.sub("\ufffd", str(text))
    return clean.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")


def attributes(**values: object) -> str:
    """` a="1" b-c="2"`: None is left out, `class_` is class, underscores become hyphens, numbers are rounded."""
    parts = []
    for name, value in values.items():
        if value is None:
            continue
        shown = num(value) if isinstance(value, float) else escape(value)
        parts.append(f' {name.rstrip("_").replace("_", "-")}="{shown}"')
    return "".join(parts)


Shape = tuple[float, float, str]  # x and y where it begins, and what is drawn from there
DOT = "h.1"  # stroked with round ends; not of length 0, which some readers of PDFs leave out


def chain(shapes: Iterable[Shape], *, across: float = 0, foot: float | None = None) -> str:
    """One path through many shapes, each of which comes back to where it began (z).

    Only the first place is told as such, the others by how far they are from the one before. Keys stand at equal
    distances, so the same words come again and again and weigh next to nothing once compressed. Distances are between
    places that were rounded, so that no error adds up. Open shapes end so far `across` from where they began, and, if
    a `foot` is given, down there.
    """
    drawn: list[str] = []
    x = y = 0
    move = "M"
    step = round(across * 10)
    ground = None if foot is None else round(foot * 10)
    for left, top, shape in shapes:
        to_x, to_y = round(left * 10), round(top * 10)
        drawn.append(f"{move}{_tenths(to_x - x)} {_tenths(to_y - y)}{shape}")
        x, y, move = to_x + step, to_y if ground is None else ground, "m"
    return "".join(drawn)


@lru_cache(maxsize=16_384)
def _tenths(value: int) -> str:
    return num(value / 10)


def element(name: str, *content: str, **values: object) -> str:
    """One element. The content is markup already; give text through `escape`."""
    inner = "".join(content)
    return f"<{name}{attributes(**values)}>{inner}</{name}>" if inner else f"<{name}{attributes(**values)}/>"


def path(d: str | list[str], **values: object) -> str:
    """A path, or nothing at all when there is nothing to draw."""
    data = d if isinstance(d, str) else "".join(d)
    return element("path", d=data, **values) if data else ""


def text(
    x: float,
    y: float,
    words: str,
    size: float,
    *,
    anchor: str | None = None,
    fill: str = SOFT,
    weight: int | None = None,
    mono: bool = False,
    class_: str | None = None,
) -> str:
    if not words:
        return ""
    return element(
        "text",
        escape(words),
        x=float(x),
        y=float(y),
        font_size=float(size),
        text_anchor=anchor,
        fill=fill,
        font_weight=weight,
        font_family=MONO if mono else None,
        class_=class_,
    )


def text_width(words: str, size: float, *, mono: bool = False) -> float:
    """About how wide a text is in the shipped faces, rather more than less: good enough to keep labels apart."""
    if mono:
        return len(words) * size * 0.632
    return sum(_advance(letter) for letter in words) * size


def _advance(letter: str) -> float:
    if letter in "ijlI.,:;'|!·’ ":
        return 0.28
    if letter in "frt()[]/-°":
        return 0.38
    if letter in "mwMW@%\u2013":
        return 0.86
    return 0.66 if letter.isupper() or letter.isdigit() else 0.57


def document(
    width: float,
    height: float,
    *content: str,
    uid: str,
    title: str,
    description: str = "",
    class_: str,
    linked: str = "",
    fills: bool = False,
    **data: object,
) -> str:
    """The whole picture: its size, its name and its description for those who cannot see it.

    A picture that holds links (`linked`) cannot itself be an image to a screen reader, whose image has no inside: then
    the drawing is an image within a group and the links stand after it. A picture that `fills` is as wide as its place;
    the others keep their size.
    """
    if not _UID.match(uid):
        raise ValueError(f"uid must be a name (letters, figures, hyphens; a letter first), not {uid!r}")
    for name, size in (("width", width), ("height", height)):
        if not (isfinite(size) and size > 0):
            raise ValueError(f"{name} must be above 0, not {size!r}")
    names = f"{uid}-t {uid}-d" if description else f"{uid}-t"
    head = element("title", escape(title), id=f"{uid}-t")
    if description:
        head += element("desc", escape(description), id=f"{uid}-d")
    role: dict[str, object] = {"role": "img", "aria_labelledby": names}
    inside = head + "".join(content)
    if linked:
        inside = element("g", inside, **role) + linked
        role = {"role": "group"}
    return element(
        "svg",
        inside,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {num(width)} {num(height)}",
        width=None if fills else float(width),
        height=None if fills else float(height),
        class_=class_ if width >= 600 else f"{class_} narrow",
        **role,
        font_family=SANS,
        focusable="false",
        **data,
    )

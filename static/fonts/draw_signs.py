"""Draw the few signs the shipped faces lack: signs.woff2.

None of the three text faces holds the sharp sign, and none holds a tick, a triangle or the take-back key. The
signs here are drawn for them (cap height 668 of 1000, a stroke between regular and bold), so a key's name
looks the same on every tablet and in every PDF, whatever fonts the machine has.

    python static/fonts/draw_signs.py static/fonts
"""

import sys
from math import cos, pi, radians, sin, tan
from pathlib import Path

from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

Point = tuple[float, float]
Shape = list[Point]

CAP = 668
MIDDLE = 334
FAMILY = "Balance Rail Signs"
EPOCH = 3786825600  # 2024-01-01 in font time, so that a build repeats byte for byte


def box(x0: float, y0: float, x1: float, y1: float) -> Shape:
    return [(x0, y0), (x0, y1), (x1, y1), (x1, y0)]


def slanted(x0: float, x1: float, y: float, thick: float, slope: float) -> Shape:
    """A bar from x0 to x1 whose middle rises by `slope`, its ends upright."""
    rise = (x1 - x0) * slope / 2
    half = thick / 2
    return [(x0, y - rise - half), (x0, y - rise + half), (x1, y + rise + half), (x1, y + rise - half)]


def stroke(points: list[Point], thick: float) -> Shape:
    """A mitred outline along an open line of points."""
    left: Shape = []
    right: Shape = []
    half = thick / 2
    for i, (x, y) in enumerate(points):
        before = points[max(i - 1, 0)]
        after = points[min(i + 1, len(points) - 1)]

        def normal(a: Point, b: Point) -> Point:
            dx, dy = b[0] - a[0], b[1] - a[1]
            size = (dx * dx + dy * dy) ** 0.5
            return -dy / size, dx / size

        n1 = normal(before, (x, y)) if i else normal((x, y), after)
        n2 = normal((x, y), after) if i < len(points) - 1 else n1
        nx, ny = n1[0] + n2[0], n1[1] + n2[1]
        size = (nx * nx + ny * ny) ** 0.5
        nx, ny = nx / size, ny / size
        stretch = half / max(nx * n1[0] + ny * n1[1], 0.4)
        left.append((x + nx * stretch, y + ny * stretch))
        right.append((x - nx * stretch, y - ny * stretch))
    return left + right[::-1]


def ring(x: float, y: float, radius: float, steps: int = 32) -> Shape:
    return [(x + radius * cos(2 * pi * i / steps), y - radius * sin(2 * pi * i / steps)) for i in range(steps)]


def hole(shape: Shape) -> Shape:
    return shape[::-1]


def arrow(turn: int, thick: float) -> list[Shape]:
    """An arrow pointing right, turned by quarters."""
    shapes = [box(60, MIDDLE - thick / 2, 520, MIDDLE + thick / 2)]
    shapes.append(stroke([(350, MIDDLE + 210), (560, MIDDLE), (350, MIDDLE - 210)], thick))
    shapes[0][2:] = [(540, MIDDLE + thick / 2), (540, MIDDLE - thick / 2)]
    return [[turned(p, turn) for p in shape] for shape in shapes]


def turned(point: Point, quarters: int) -> Point:
    x, y = point[0] - 310, point[1] - MIDDLE
    for _ in range(quarters):
        x, y = -y, x
    return x + 310, y + MIDDLE


def signs() -> dict[str, tuple[int, int, list[Shape]]]:
    """Name -> (code point, advance, contours). Filled contours run clockwise."""
    thick = 96.0
    stem = 72.0
    bar = 100.0
    x1, x2 = 153, 340
    right = x2 + stem + 86
    wide = right + 64
    sharp = [
        box(x1, -96, x1 + stem, 700),
        box(x2, -36, x2 + stem, 760),
        slanted(64, right, 208, bar, 0.2),
        slanted(64, right, 448, bar, 0.2),
    ]
    bowl = [
        (0, 330),
        (70, 392),
        (150, 420),
        (228, 408),
        (282, 356),
        (292, 282),
        (256, 204),
        (180, 118),
        (90, 40),
        (0, -20),
    ]
    inner = [(0, 88), (80, 160), (150, 232), (176, 288), (160, 322), (118, 326), (60, 296), (0, 236)]
    flat = [
        box(80, -30, 80 + stem, 760),
        [(80 + stem * 0.5 + x, y) for x, y in bowl],
        hole([(80 + stem + x * 0.93, y) for x, y in inner[::-1]]),
    ]
    natural = [
        box(80, -20, 80 + stem, 760),
        box(330, -96, 330 + stem, 690),
        slanted(80, 330 + stem, 190, bar, 0.2),
        slanted(80, 330 + stem, 480, bar, 0.2),
    ]
    check = [stroke([(70, 330), (240, 130), (600, 590)], thick)]
    cross = [stroke([(90, 110), (540, 560)], thick), stroke([(90, 560), (540, 110)], thick)]
    half = 240 * tan(radians(30)) * 2
    triangle = [(140, MIDDLE + half), (140 + 400, MIDDLE), (140, MIDDLE - half)]
    w = thick * 0.8
    erase = [
        [(40, MIDDLE), (290, MIDDLE + 270), (960, MIDDLE + 270), (960, MIDDLE - 270), (290, MIDDLE - 270)],
        hole(
            [
                (40 + w * 1.4, MIDDLE),
                (290 + w * 0.45, MIDDLE + 270 - w),
                (960 - w, MIDDLE + 270 - w),
                (960 - w, MIDDLE - 270 + w),
                (290 + w * 0.45, MIDDLE - 270 + w),
            ]
        ),
        stroke([(500, MIDDLE - 130), (760, MIDDLE + 130)], w),
        stroke([(500, MIDDLE + 130), (760, MIDDLE - 130)], w),
    ]
    less = stroke([(500, 600), (110, 390), (500, 180)], thick)
    under = box(90, 20, 510, 20 + thick)
    wave: list[Point] = [(70 + 46 * i, 40 * sin(2 * pi * i / 10)) for i in range(11)]
    diameter = [ring(350, MIDDLE, 290), hole(ring(350, MIDDLE, 290 - thick))]
    diameter.append(stroke([(90, 74), (610, 594)], thick))
    return {
        "sharp": (0x266F, int(wide), sharp),
        "flat": (0x266D, 480, flat),
        "natural": (0x266E, 500, natural),
        "check": (0x2713, 680, check),
        "cross": (0x2717, 630, cross),
        "right": (0x25B8, 600, [triangle]),
        "left": (0x25C2, 600, [[(620 - x, y) for x, y in triangle][::-1]]),
        "up": (0x25B4, 620, [[turned(p, 1) for p in triangle]]),
        "down": (0x25BE, 620, [[turned(p, 3) for p in triangle]]),
        "arrowright": (0x2192, 620, arrow(0, thick)),
        "arrowup": (0x2191, 620, arrow(1, thick)),
        "arrowleft": (0x2190, 620, arrow(2, thick)),
        "arrowdown": (0x2193, 620, arrow(3, thick)),
        "erase": (0x232B, 1010, erase),
        "lessequal": (0x2264, 600, [less, under]),
        "greaterequal": (0x2265, 600, [[(610 - x, y) for x, y in less][::-1], under]),
        "notequal": (
            0x2260,
            600,
            [
                box(80, 400, 520, 400 + thick),
                box(80, 180, 520, 180 + thick),
                stroke([(180, 60), (420, 600)], thick * 0.8),
            ],
        ),
        "approx": (
            0x2248,
            600,
            [stroke([(x, y + 430) for x, y in wave], thick), stroke([(x, y + 230) for x, y in wave], thick)],
        ),
        "radical": (0x221A, 620, [stroke([(40, 340), (150, 390), (290, 30), (450, 740), (610, 740)], thick * 0.8)]),
        "diameter": (0x2300, 700, diameter),
        "dot": (0x25CF, 700, [ring(350, MIDDLE, 260)]),
        "circle": (0x25CB, 700, [ring(350, MIDDLE, 260), hole(ring(350, MIDDLE, 260 - thick * 0.8))]),
        "diamond": (0x25C6, 620, [[(310, 634), (590, MIDDLE), (310, 34), (30, MIDDLE)]]),
        "space": (0x20, 250, []),  # between two signs; Pango takes it from the font of the sign before
        "thinspace": (0x202F, 180, []),
    }


def area(shape: Shape) -> float:
    return sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(shape, shape[1:] + shape[:1], strict=True)) / 2


def build() -> FontBuilder:
    drawn = signs()
    glyphs = {".notdef": TTGlyphPen(None).glyph()}
    advances = {".notdef": (500, 0)}
    for name, (_, advance, shapes) in drawn.items():
        pen = TTGlyphPen(None)
        holes = HOLES.get(name, ())
        for i, shape in enumerate(shapes):
            clockwise = area(shape) < 0
            points = shape if clockwise != (i in holes) else shape[::-1]
            pen.moveTo((round(points[0][0]), round(points[0][1])))
            for x, y in points[1:]:
                pen.lineTo((round(x), round(y)))
            pen.closePath()
        glyphs[name] = pen.glyph()
        advances[name] = (advance, 0)
    font = FontBuilder(1000, isTTF=True)
    font.setupGlyphOrder(list(glyphs))
    font.setupCharacterMap({code: name for name, (code, _, _) in drawn.items()})
    font.setupGlyf(glyphs)
    boxes = font.font["glyf"]
    font.setupHorizontalMetrics({n: (a, getattr(boxes[n], "xMin", 0) or 0) for n, (a, _) in advances.items()})
    font.setupHorizontalHeader(ascent=984, descent=-316)
    font.setupNameTable({"familyName": FAMILY, "styleName": "Regular", "fullName": FAMILY})
    font.setupOS2(sTypoAscender=984, sTypoDescender=-316, usWinAscent=984, usWinDescent=316, usWeightClass=600)
    font.setupPost()
    font.font["head"].created = font.font["head"].modified = EPOCH
    font.font.recalcTimestamp = False
    return font


# Which contours of a sign are cut out of the one before, by position.
HOLES: dict[str, tuple[int, ...]] = {"flat": (2,), "erase": (1,), "diameter": (1,), "circle": (1,)}


def main(folder: Path) -> None:
    font = build().font
    font.flavor = "woff2"
    font.save(folder / "signs.woff2")


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""The angle of a mortise from a photo, and how sure it is.

A photo is taken from above, the playing ends at the bottom of the picture and the bass on the left. Points are
(x, y) in pixels as tapped, y downwards. Angles in degrees. Lines are two points in either order.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import atan2, ceil, degrees, hypot, sqrt

from keyboards.core.checked import items, number, whole
from keyboards.core.errors import MeasurementError

Point = Sequence[float]
Line = Sequence[Point]
Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
_P = tuple[float, float]

SHORTEST_LINE = 20.0  # px as tapped; shorter, and a tap's error is most of the angle
TARGET = 0.5  # degrees, what an angle is cut by: an estimate
_FLAT = 1e-6  # sine of a corner below which three points count as one line
_NUDGE = 0.01  # px, for the central differences


def line_angle(reference: Line, edge: Line) -> float:
    """The angle from the reference line to the edge, clockwise in the picture, above -90 up to 90 degrees."""
    return _angle(_tapped("reference", reference), _tapped("edge", edge))


def skew_from_photo(reference: Line, edge: Line, reference_is: str = "square", bass_on: str = "left") -> float:
    """The skew of a mortise in degrees, positive when its playing end leans to the treble.

    `reference_is` says what the reference line is: the edge of a `square` laid against the rail, or the `rail`
    itself. `bass_on` is `right` for a mirrored photo.
    """
    return skew_from_angle(line_angle(reference, edge), reference_is, bass_on)


def skew_from_angle(angle: float, reference_is: str = "square", bass_on: str = "left") -> float:
    """The skew for an angle of `line_angle` or `rectified_angle`: the one place where the sign is turned."""
    angle = number("angle", angle, above=-90, maximum=90)
    if reference_is not in ("square", "rail"):
        raise MeasurementError("reference_is must be square or rail")
    if bass_on not in ("left", "right"):
        raise MeasurementError("bass_on must be left or right")
    from_rail = 90 - angle if angle > 0 else -90 - angle
    # y runs down, so what turns clockwise in the picture has its lower end, the playing end, to the left
    skew = 0.0 - angle if reference_is == "square" else from_rail
    return skew if bass_on == "left" else 0.0 - skew


def angle_uncertainty(click_sd: float, reference_length: float, edge_length: float, repeats: int = 1) -> float:
    """Standard uncertainty in degrees of the mean of `repeats` angles, each line tapped anew.

    `click_sd` is that of one tapped coordinate, lengths are those of the lines, all in px.
    """
    click_sd = number("click_sd", click_sd, minimum=0)
    reference_length = number("reference_length", reference_length, minimum=SHORTEST_LINE)
    edge_length = number("edge_length", edge_length, minimum=SHORTEST_LINE)
    repeats = whole("repeats", repeats, minimum=1, maximum=1000)
    return degrees(click_sd * sqrt(2 * (1 / reference_length**2 + 1 / edge_length**2) / repeats))


def repeats_needed(click_sd: float, reference_length: float, edge_length: float, target: float = TARGET) -> int:
    """How often to tap both lines for a standard uncertainty of `target` degrees; 1 where the photo will do."""
    target = number("target", target, minimum=0.01)
    once = angle_uncertainty(click_sd, reference_length, edge_length)
    return max(1, ceil((once / target) ** 2 - 1e-9))


def homography(source: Sequence[Point], target: Sequence[Point]) -> Matrix:
    """The projective map that takes four points to four others, as 3 rows of 3 with 1 in the last place.

    The points of each four go round the same way without crossing; no three lie on one line.
    """
    quads = []
    for name, points in (("source", source), ("target", target)):
        quads.append(_four(name, points))
        _refuse_degenerate(name, quads[-1])
    return _homography(*quads)


def rectified_angle(corners: Sequence[Point], width: float, height: float, reference: Line, edge: Line) -> float:
    """`line_angle` as it would be in a photo taken squarely from above.

    `corners` are the tapped corners of a card that lies on the keys, clockwise from its top left one; `width` and
    `height` its sides in mm. The card, the reference and the edge must lie in one plane.
    """
    return _rectified(*_rectifiable(corners, width, height, reference, edge))


def rectified_uncertainty(
    corners: Sequence[Point], width: float, height: float, reference: Line, edge: Line, click_sd: float
) -> float:
    """Standard uncertainty in degrees of `rectified_angle`, `click_sd` px being that of one tapped coordinate.

    By central differences over all 16 tapped coordinates, taken as independent.
    """
    points, width, height = _rectifiable(corners, width, height, reference, edge)
    click_sd = number("click_sd", click_sd, minimum=0)
    variance = 0.0
    for index, (x, y) in enumerate(points):
        for step in ((_NUDGE, 0.0), (0.0, _NUDGE)):
            further, back = list(points), list(points)
            further[index] = (x + step[0], y + step[1])
            back[index] = (x - step[0], y - step[1])
            change = _rectified(further, width, height) - _rectified(back, width, height)
            variance += (_folded(change) / (2 * _NUDGE)) ** 2
    return click_sd * sqrt(variance)


def _rectifiable(
    corners: Sequence[Point], width: float, height: float, reference: Line, edge: Line
) -> tuple[list[_P], float, float]:
    """The eight tapped points (corners, reference, edge) and the card's sides, checked."""
    card = _four("corners", corners)
    width = number("width", width, minimum=1)
    height = number("height", height, minimum=1)
    for start, end in pairwise([*card, card[0]]):
        if hypot(end[0] - start[0], end[1] - start[1]) < SHORTEST_LINE:
            raise MeasurementError("corners must be at least {least:g} px apart", least=SHORTEST_LINE)
    _refuse_degenerate("corners", card)
    if _turns(card)[0] < 0:
        raise MeasurementError("corners must be tapped clockwise, from the top left one")
    points = [*card, *_tapped("reference", reference), *_tapped("edge", edge)]
    # A picture shows only one side of the horizon: beyond the line that maps to infinity no point of the plane lies.
    far = _homography(card, _card(width, height))[2]
    for name, point in zip(("reference", "reference", "edge", "edge"), points[4:], strict=True):
        if _depth(far, point) / _depth(far, card[0]) <= _FLAT:
            raise MeasurementError(
                "{name} lies beyond the horizon of the card's plane: tap the corners again", name=name
            )
    return points, width, height


def _rectified(points: Sequence[_P], width: float, height: float) -> float:
    matrix = _homography(points[:4], _card(width, height))
    a, b, c, d = (_mapped(matrix, point) for point in points[4:])
    return _angle((a, b), (c, d))


def _card(width: float, height: float) -> list[_P]:
    return [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]


def _depth(row: tuple[float, float, float], point: _P) -> float:
    return row[0] * point[0] + row[1] * point[1] + row[2]


def _mapped(matrix: Matrix, point: _P) -> _P:
    x, y, w = (_depth(row, point) for row in matrix)
    return x / w, y / w


def _angle(reference: Sequence[_P], edge: Sequence[_P]) -> float:
    (ax, ay), (bx, by) = reference
    (cx, cy), (dx, dy) = edge
    ux, uy, vx, vy = bx - ax, by - ay, dx - cx, dy - cy
    return _folded(degrees(atan2(ux * vy - uy * vx, ux * vx + uy * vy)))


def _folded(angle: float) -> float:
    """Above -90 up to 90: a line has no direction."""
    if angle > 90:
        return angle - 180
    return angle + 180 if angle <= -90 else angle


def _homography(source: Sequence[_P], target: Sequence[_P]) -> Matrix:
    # Both fours are moved to the middle and shrunk to about 1, so that the eight equations are of one size.
    from_middle, from_scale = _frame(source)
    to_middle, to_scale = _frame(target)
    rows = []
    for (px, py), (qx, qy) in zip(source, target, strict=True):
        x, y = (px - from_middle[0]) / from_scale, (py - from_middle[1]) / from_scale
        u, v = (qx - to_middle[0]) / to_scale, (qy - to_middle[1]) / to_scale
        rows.append([x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y, u])
        rows.append([0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y, v])
    a, b, c, d, e, f, g, h = _solved(rows)
    near = ((a, b, c), (d, e, f), (g, h, 1.0))
    into = ((1 / from_scale, 0.0, -from_middle[0] / from_scale), (0.0, 1 / from_scale, -from_middle[1] / from_scale))
    out = ((to_scale, 0.0, to_middle[0]), (0.0, to_scale, to_middle[1]))
    whole_map = _times(_times((*out, (0.0, 0.0, 1.0)), near), (*into, (0.0, 0.0, 1.0)))
    last = whole_map[2][2]
    if abs(last) < 1e-12:
        raise MeasurementError("source puts the picture's corner on the horizon: choose other points")
    first, second, third = (tuple(value / last for value in row) for row in whole_map)
    return _row(first), _row(second), _row(third)


def _row(values: Sequence[float]) -> tuple[float, float, float]:
    a, b, c = values
    return a, b, c


def _times(left: Matrix, right: Matrix) -> Matrix:
    first, second, third = (
        tuple(sum(row[k] * right[k][column] for k in range(3)) for column in range(3)) for row in left
    )
    return _row(first), _row(second), _row(third)


def _frame(points: Sequence[_P]) -> tuple[_P, float]:
    middle = sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)
    return middle, max(max(abs(x - middle[0]), abs(y - middle[1])) for x, y in points)


def _solved(rows: list[list[float]]) -> list[float]:
    """Gaussian elimination with partial pivoting; the right-hand side is each row's last value."""
    size = len(rows)
    for column in range(size):
        best = max(range(column, size), key=lambda row: abs(rows[row][column]))
        if abs(rows[best][column]) < 1e-12:
            raise MeasurementError("source and target do not give a map: three of the points lie on one line")
        rows[column], rows[best] = rows[best], rows[column]
        for row in range(column + 1, size):
            factor = rows[row][column] / rows[column][column]
            for k in range(column, size + 1):
                rows[row][k] -= factor * rows[column][k]
    found = [0.0] * size
    for row in reversed(range(size)):
        known = sum(rows[row][k] * found[k] for k in range(row + 1, size))
        found[row] = (rows[row][size] - known) / rows[row][row]
    return found


def _turns(points: Sequence[_P]) -> list[float]:
    """The sine of the turn at each corner, positive clockwise in the picture."""
    sines = []
    for i in range(len(points)):
        (ax, ay), (bx, by), (cx, cy) = points[i - 2], points[i - 1], points[i]
        ux, uy, vx, vy = bx - ax, by - ay, cx - bx, cy - by
        sines.append((ux * vy - uy * vx) / (hypot(ux, uy) * hypot(vx, vy)))
    return sines


def _refuse_degenerate(name: str, points: list[_P]) -> None:
    if len(set(points)) < len(points):
        raise MeasurementError("{name} must be four different points", name=name)
    turns = _turns(points)
    if any(abs(turn) < _FLAT for turn in turns):
        raise MeasurementError("{name} must not have three points on one line", name=name)
    if len({turn > 0 for turn in turns}) > 1:
        raise MeasurementError(
            "{name} cross or are dented: give them in their order round the four-sided shape", name=name
        )


def _tapped(name: str, line: Line) -> list[_P]:
    """Two points in the picture, far enough apart."""
    points = _points(name, line, 2)
    (ax, ay), (bx, by) = points
    if points[0] == points[1]:
        raise MeasurementError("{name} must be two different points", name=name)
    length = hypot(bx - ax, by - ay)
    if length < SHORTEST_LINE:
        raise MeasurementError(
            "{name} must be at least {least:g} px long in the picture, not {length:.1f}",
            name=name,
            least=SHORTEST_LINE,
            length=length,
        )
    return points


def _four(name: str, points: Sequence[Point]) -> list[_P]:
    return _points(name, points, 4)


def _points(name: str, points: Sequence[Point], count: int) -> list[_P]:
    found: list[_P] = []
    for position, point in enumerate(items(name, points)):
        pair = [number(f"{name}[{position}]", value) for value in items(f"{name}[{position}]", point)]
        if len(pair) != 2:
            raise MeasurementError("{name}[{position}] must be a point of two numbers", name=name, position=position)
        found.append((pair[0], pair[1]))
    if len(found) != count:
        raise MeasurementError("{name} must be {wanted} points, not {count}", name=name, wanted=count, count=len(found))
    return found


@dataclass(frozen=True)
class PhotoSkew:
    """What a photo says: the skew in degrees, its standard uncertainty, and how many taps would make it sure enough.

    spread is the standard deviation between taps, None for a single one. coarse: less sure than TARGET.
    """

    skew: float
    u: float
    taps: int
    needed: int
    spread: float | None

    @property
    def coarse(self) -> bool:
        return self.u > TARGET


def skew_of_taps(
    taps: Sequence[tuple[Line, Line]],
    *,
    click_sd: float,
    reference_is: str = "square",
    bass_on: str = "left",
    card: tuple[Sequence[Point], float, float] | None = None,
) -> PhotoSkew:
    """The mean skew of one or more taps, each a reference line and a mortise edge, on one photo.

    card: its four tapped corners and its sides in mm. They are tapped once, so more taps do not make what they add
    smaller: the uncertainty is then that of one tap. Without a card it falls with the root of their number.
    """
    if not taps:
        raise MeasurementError("taps must not be empty")
    angles, uncertainties, lengths = [], [], []
    for reference, edge in taps:
        if card is None:
            angles.append(skew_from_photo(reference, edge, reference_is, bass_on))
            lengths.append((_length(reference), _length(edge)))
        else:
            angles.append(skew_from_angle(rectified_angle(*card, reference, edge), reference_is, bass_on))
            uncertainties.append(rectified_uncertainty(*card, reference, edge, click_sd))
    mean = sum(angles) / len(angles)
    if card is None:
        once = sqrt(sum(angle_uncertainty(click_sd, *pair) ** 2 for pair in lengths) / len(lengths))
        u, needed = once / sqrt(len(taps)), max(1, ceil((once / TARGET) ** 2 - 1e-9))
    else:
        u, needed = sqrt(sum(one**2 for one in uncertainties) / len(uncertainties)), len(taps)
    spread = sqrt(sum((angle - mean) ** 2 for angle in angles) / (len(angles) - 1)) if len(angles) > 1 else None
    return PhotoSkew(mean, u, len(taps), needed, spread)


def _length(line: Line) -> float:
    (ax, ay), (bx, by) = _tapped("line", line)
    return hypot(bx - ax, by - ay)

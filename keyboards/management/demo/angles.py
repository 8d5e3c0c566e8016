"""A mortise's lean read from a photo, for the demonstration: the photo is drawn, and tapped where it was drawn."""

import datetime
import io
import math

from PIL import Image, ImageDraw, ImageFilter

from keyboards.core.protractor import skew_of_taps
from keyboards.models import Check
from keyboards.workflow.angles import angle_keep
from keyboards.workflow.photos import photo_add
from shop.models import Person

SIZE = (1200, 900)
RAIL = [[90.0, 140.0], [1110.0, 152.0]]
EDGE = 520  # px, the length of the mortise


def _edge(skew: float, x: float) -> list[list[float]]:
    """A side of a mortise that leans by so many degrees from the square to the rail."""
    (ax, ay), (bx, by) = RAIL
    turned = math.atan2(by - ay, bx - ax) + math.radians(90 - skew)
    return [[x, 260.0], [x + EDGE * math.cos(turned), 260.0 + EDGE * math.sin(turned)]]


def _drawn(skew: float) -> bytes:
    """The key from above: the rail's edge across it, below it the mortise with cloth on both sides."""
    image = Image.new("RGB", SIZE, (201, 166, 112))
    draw = ImageDraw.Draw(image)
    (ax, ay), (bx, by) = RAIL
    slope = (by - ay) / (bx - ax)
    draw.polygon([(0, 0), (1200, 0), (1200, ay + slope * (1200 - ax)), (0, ay - slope * ax)], fill=(226, 206, 166))
    for left, right, colour in ((500, 720, (150, 44, 40)), (550, 670, (52, 38, 28))):
        (a, b), (c, d) = _edge(skew, left), _edge(skew, right)
        draw.polygon([tuple(point) for point in (a, c, d, b)], fill=colour)
    out = io.BytesIO()
    image.filter(ImageFilter.GaussianBlur(1.2)).save(out, "JPEG", quality=85)
    return out.getvalue()


def angle_read(check: Check, *, by: Person, at: datetime.datetime) -> None:
    """The first key whose skew was read is read once more, from a photo that shows nearly the same lean."""
    row = check.keys.exclude(skew=None).order_by("key").first()
    if row is None or row.skew is None:
        return
    skew = row.skew / 1000
    photo = photo_add(
        job=check.job, check=check, key=row.key, data=_drawn(skew), by=by, caption="rail and mortise", at=at
    )
    edge = _edge(skew, 500)
    edge[1][0] += 1.5  # nobody taps quite where the edge is
    taps = [[RAIL, edge]]
    found = skew_of_taps([(RAIL, edge)], click_sd=1.5, reference_is="rail")
    angle_keep(
        photo=photo, check=check, key=row.key, found=found, by=by, at=at, taps=taps, reference_is="rail", click_sd=1.5
    )

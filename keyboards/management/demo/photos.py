"""Pictures for the demonstration, drawn here: no photograph of anybody's keyboard is shipped."""

import io
import random

from PIL import Image, ImageDraw, ImageFilter


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue()


def _wood(size: tuple[int, int], seed: int, colour: tuple[int, int, int]) -> Image.Image:
    """A board: long grain, a few darker years."""
    chance = random.Random(seed)
    width, height = size
    image = Image.new("RGB", size, colour)
    draw = ImageDraw.Draw(image)
    x = 0.0
    while x < width:
        shade = chance.randint(-18, 12)
        tone = tuple(max(0, min(255, part + shade)) for part in colour)
        lean = chance.uniform(-6, 6)
        draw.line([(x, 0), (x + lean, height)], fill=tone, width=chance.randint(1, 3))
        x += chance.uniform(2, 7)
    return image.filter(ImageFilter.GaussianBlur(0.8))


def mortise(seed: int, *, torn: bool = False, worn: bool = True) -> bytes:
    """A button from above: the mortise with its red cloth, the pin hole dark in the middle."""
    chance = random.Random(seed)
    image = _wood((1200, 900), seed, (196, 158, 104))
    draw = ImageDraw.Draw(image)
    draw.rectangle([470, 150, 730, 750], fill=(52, 38, 28))
    cloth = (150, 44, 40)
    for side in (0, 1):
        inner = 60 if not worn else chance.randint(26, 44)
        points = [(470, 150), (470 + inner, 160)] if side == 0 else [(730, 150), (730 - inner, 160)]
        edge = []
        for step in range(21):
            y = 150 + step * 30
            wear = chance.uniform(0, 22) if worn else 2
            edge.append((470 + inner - wear, y) if side == 0 else (730 - inner + wear, y))
        outer = [(470, 750), (470, 150)] if side == 0 else [(730, 750), (730, 150)]
        draw.polygon([*edge, *outer, points[0]], fill=cloth)
    if torn:
        for _ in range(14):
            y = chance.randint(200, 700)
            draw.line(
                [(730, y), (730 + chance.randint(20, 80), y + chance.randint(-20, 20))], fill=(96, 66, 40), width=5
            )
    return _jpeg(image.filter(ImageFilter.GaussianBlur(1.1)))


def whole_row(seed: int, *, keys: int = 88) -> bytes:
    """The set on the bench from above, with the pencilled cross that tells whether a key changed its place."""
    image = _wood((1600, 700), seed, (205, 172, 120))
    draw = ImageDraw.Draw(image)
    step = 1520 / keys
    for key in range(keys):
        x = 40 + key * step
        draw.line([(x, 40), (x, 660)], fill=(120, 92, 58), width=2)
        if (key % 12) in (1, 4, 6, 9, 11):
            draw.rectangle([x + 1, 470, x + step - 2, 620], fill=(34, 30, 28))
        draw.rectangle([x + step * 0.25, 220, x + step * 0.75, 300], fill=(226, 206, 166))
    for start, end in (((60, 100), (1540, 420)), ((60, 420), (1540, 100))):
        draw.line([start, end], fill=(72, 70, 74), width=3)
    return _jpeg(image)

"""Photos as bytes: what comes in is hostile until it was decoded whole; what is kept is a fresh JPEG of ours.

Nothing of the file that came survives but its pixels: no EXIF, no place, no thumbnail, no second file behind the
first. Colours of a wider gamut than sRGB are kept without their profile and look a little duller.
"""

import io
import warnings
from dataclasses import dataclass

import pillow_heif
from django.utils.translation import gettext as _
from PIL import Image, ImageFile, ImageOps

pillow_heif.register_heif_opener()

LARGEST_FILE = 25 * 1024 * 1024
MOST_PIXELS = 80_000_000
LARGE, SMALL = 1600, 400  # the longer side, px
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")
_QUALITY = {LARGE: 85, SMALL: 80}


class NotAPicture(ValueError):  # noqa: N818  (it is an answer about the file)
    """The bytes are no picture we can keep. str() is a translated sentence."""


@dataclass(frozen=True)
class Picture:
    """The two JPEGs that are kept, and the size of the large one in px."""

    large: bytes
    small: bytes
    width: int
    height: int


def reencode(data: bytes) -> Picture:
    """The photo upright, in two sizes, never larger than it came.

    Raises NotAPicture for an empty, too large, unknown, damaged or truncated file. Pixels are counted before they are
    decoded, so that a small file cannot unfold into a huge picture.
    """
    if not data:
        raise NotAPicture(_("The file is empty."))
    if len(data) > LARGEST_FILE:
        raise NotAPicture(_("The photo is larger than %(size)d MB.") % {"size": LARGEST_FILE // (1024 * 1024)})
    # WeasyPrint, once imported, has Pillow take half a file for a whole one, everywhere in the process.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    try:
        with warnings.catch_warnings():
            # Pillow only warns of what is between its own limit and twice that; ours is the one that counts.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            opened = Image.open(io.BytesIO(data), formats=_FORMATS)
        if opened.width * opened.height > MOST_PIXELS:
            raise Image.DecompressionBombError
        upright = _decoded(opened)
        large = _within(upright, LARGE)
        small = _within(large, SMALL)
    except Image.DecompressionBombError:
        raise NotAPicture(
            _("The photo has more than %(count)d million pixels. Make it smaller first.")
            % {"count": MOST_PIXELS // 1_000_000}
        ) from None
    except Exception as error:  # decoders of hostile bytes raise whatever they like
        raise NotAPicture(_("This is no photo we can read: a whole JPEG, PNG, WebP or HEIC file is needed.")) from error
    return Picture(large=_jpeg(large, LARGE), small=_jpeg(small, SMALL), width=large.width, height=large.height)


def _decoded(opened: Image.Image) -> Image.Image:
    """All pixels, as RGB, turned upright; transparent parts become white."""
    if opened.format in ("JPEG", "MPO"):
        # The decoder can halve on its way, which is several times faster; only with the exact aspect.
        opened.draft("RGB", _size_within(opened.size, LARGE))
    picture = ImageOps.exif_transpose(opened)  # decodes all of it; verify() would miss that the end is missing
    if picture.mode.startswith("I;16"):
        # 16 bits of grey; convert() would cut them off at 255 and leave white.
        picture = picture.convert("I").point(lambda value: value / 256).convert("L")
    if picture.has_transparency_data:
        picture = picture.convert("RGBA")
        sheet = Image.new("RGB", picture.size, "white")
        sheet.paste(picture, mask=picture.getchannel("A"))
        return sheet
    fresh = Image.new("RGB", picture.size)
    fresh.paste(picture.convert("RGB"))
    return fresh


def _size_within(size: tuple[int, int], longest: int) -> tuple[int, int]:
    scale = min(1.0, longest / max(size))
    return max(1, round(size[0] * scale)), max(1, round(size[1] * scale))


def _within(picture: Image.Image, longest: int) -> Image.Image:
    size = _size_within(picture.size, longest)
    return picture if size == picture.size else picture.resize(size, Image.Resampling.LANCZOS)


def _jpeg(picture: Image.Image, size: int) -> bytes:
    written = io.BytesIO()
    picture.save(written, "JPEG", quality=_QUALITY[size], optimize=True, progressive=True)
    return written.getvalue()

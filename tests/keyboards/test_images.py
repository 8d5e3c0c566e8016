"""Photos as they come from phones, cameras and enemies."""

import io
import struct
import zlib

import pytest
from PIL import Image, ImageFile

from keyboards.images import LARGE, MOST_PIXELS, SMALL, NotAPicture, reencode

ORIENTATION = 0x0112


def encoded(size=(2400, 1800), form="JPEG", colour=(180, 140, 90), **options) -> bytes:
    written = io.BytesIO()
    Image.new("RGB", size, colour).save(written, form, **options)
    return written.getvalue()


def halves(size=(600, 400)) -> Image.Image:
    """Left half red, right half blue: shows how a picture was turned."""
    picture = Image.new("RGB", size, "red")
    picture.paste("blue", (size[0] // 2, 0, *size))
    return picture


def opened(data: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(data))
    picture.load()
    return picture


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_every_format_becomes_two_jpegs(form):
    kept = reencode(encoded(form=form))
    large, small = opened(kept.large), opened(kept.small)
    assert (large.format, small.format) == ("JPEG", "JPEG")
    assert large.size == (kept.width, kept.height) == (1600, 1200)
    assert small.size == (400, 300)
    assert all(abs(got - want) < 6 for got, want in zip(large.getpixel((800, 600)), (180, 140, 90), strict=True))


def test_a_small_picture_is_not_blown_up():
    kept = reencode(encoded(size=(300, 200)))
    assert (kept.width, kept.height) == (300, 200)
    assert opened(kept.small).size == (300, 200)


def test_a_thread_of_a_picture_keeps_a_pixel_of_width():
    kept = reencode(encoded(size=(20_000, 3), form="PNG"))
    assert (kept.width, kept.height) == (LARGE, 1)
    assert opened(kept.small).size == (SMALL, 1)


@pytest.mark.parametrize(
    ("orientation", "size", "red_at", "blue_at"),
    [  # TIFF 6.0 / Exif 2.32, tag 274: 3 turned half, 6 needs a quarter turn clockwise, 8 counter-clockwise
        (1, (600, 400), (50, 200), (550, 200)),
        (3, (600, 400), (550, 200), (50, 200)),
        (6, (400, 600), (200, 50), (200, 550)),
        (8, (400, 600), (200, 550), (200, 50)),
    ],
)
def test_a_photo_stands_upright_whichever_way_the_phone_was_held(orientation, size, red_at, blue_at):
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    written = io.BytesIO()
    halves().save(written, "JPEG", exif=exif, quality=95)
    picture = opened(reencode(written.getvalue()).large)
    assert picture.size == size
    assert picture.getpixel(red_at)[0] > 200 > picture.getpixel(red_at)[2]
    assert picture.getpixel(blue_at)[2] > 200 > picture.getpixel(blue_at)[0]


def test_nothing_the_camera_added_survives():
    exif = Image.Exif()
    exif[0x010F] = "SECRET-MAKER"
    exif.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
    data = io.BytesIO()
    halves().save(data, "JPEG", exif=exif, comment=b"SECRET-COMMENT", icc_profile=b"SECRET-PROFILE")
    polyglot = data.getvalue() + b"<script>SECRET-TAIL</script>"
    assert b"SECRET-MAKER" in polyglot
    kept = reencode(polyglot)
    for written in (kept.large, kept.small):
        assert b"SECRET" not in written
        assert not opened(written).getexif()
        assert {"exif", "icc_profile", "comment", "xmp"}.isdisjoint(opened(written).info)


def test_see_through_parts_become_white():
    data = io.BytesIO()
    Image.new("RGBA", (50, 50), (0, 0, 0, 0)).save(data, "PNG")
    assert opened(reencode(data.getvalue()).large).getpixel((25, 25)) == (255, 255, 255)


@pytest.mark.parametrize("mode", ["1", "L", "P", "LA", "CMYK", "I;16"])
def test_every_kind_of_pixel_is_read(mode):
    data = io.BytesIO()
    middle = {"I;16": 32_768, "CMYK": (0, 0, 0, 128), "LA": (128, 255), "1": 1}.get(mode, 128)
    Image.new(mode, (64, 64), middle).save(data, "JPEG" if mode == "CMYK" else "PNG")
    shade = opened(reencode(data.getvalue()).large).getpixel((32, 32))
    expected = {"1": 255, "P": None}.get(mode, 128)
    assert expected is None or all(abs(part - expected) < 5 for part in shade)


def png_header(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(9_000, 9_000), (12_000, 12_000), (60_000, 60_000)])
def test_a_small_file_of_a_huge_picture_is_turned_away_before_it_is_decoded(size):
    assert size[0] * size[1] > MOST_PIXELS
    with pytest.raises(NotAPicture, match="million pixels"):
        reencode(png_header(*size))


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_a_truncated_file_is_turned_away_even_after_papers_were_made(form, monkeypatch):
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)  # what importing WeasyPrint does
    noisy = Image.effect_noise((900, 700), 80).convert("RGB")
    data = io.BytesIO()
    noisy.save(data, form)
    whole = data.getvalue()
    reencode(whole)
    for part in (0.97, 0.5, 0.05):
        with pytest.raises(NotAPicture):
            reencode(whole[: int(len(whole) * part)])


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\0" * 100,
        b"GIF89a\x01\x00\x01\x00\x00\x00\x00;",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"%PDF-1.7 not a photo",
        b"\xff\xd8\xff\xe0" + b"\xff" * 300,
        b"\x89PNG\r\n\x1a\n" + b"\0" * 300,
        b"RIFF\x00\x00\x00\x00WEBPVP8 " + b"\0" * 300,
        b"\0\0\0\x18ftypheic" + b"\0" * 300,
    ],
)
def test_what_is_no_photo_is_turned_away_with_a_sentence(data):
    with pytest.raises(NotAPicture, match=r"\.$"):
        reencode(data)


def test_a_file_beyond_the_limit_is_turned_away_unread():
    with pytest.raises(NotAPicture, match="25 MB"):
        reencode(b"\xff\xd8" + b"\0" * (25 * 1024 * 1024))

"""Files and bodies that nobody should be sent: damaged, larger than they look, two kinds at once, wrongly named."""

import hashlib
import io
import json
import random
import struct
import warnings
import zipfile
import zlib
from typing import Any

from PIL import Image


def picture(kind: str = "PNG", size: tuple[int, int] = (64, 48)) -> bytes:
    """A whole picture."""
    written = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").save(written, kind)
    return written.getvalue()


def bomb(width: int = 60_000, height: int = 60_000) -> bytes:
    """A PNG of a few kB that says it has 3.6 thousand million pixels, and holds rows of black for them."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes(1_000_000), 9)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def zipped(contents: bytes = bytes(20_000_000)) -> bytes:
    """An archive of 20 kB that unfolds to 20 MB."""
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", contents)
    return written.getvalue()


def flipped(data: bytes, at: int) -> bytes:
    """The same with one bit changed."""
    return data[:at] + bytes([data[at] ^ 16]) + data[at + 1 :]


_TOKENS = [
    b"\x00",
    b"\xff\xfe",
    b'"',
    b"\r",
    b"\n",
    b";",
    b",",
    b"NaN",
    b"-1",
    b"1e999",
    b"9" * 400,
    b"\xef\xbb\xbf",
    b"../",
]


def hurt(data: bytes, chance: random.Random) -> bytes:
    """The same with one to four damages: bits, pieces gone, doubled, blank or of something else, an end cut off."""
    for _again in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(data) + 1)
        end = min(len(data), at + chance.choice((1, 8, 300)))
        match chance.randrange(7):
            case 0 if at < len(data):
                data = flipped(data, at)
            case 1 if chance.random() < 0.5:
                data = data[:at]
            case 2:
                data = data[:at] + data[end:]
            case 3:
                data = data[:end] + data[at:]
            case 4:
                data = data[:at] + bytes(end - at) + data[end:]
            case 5:
                data = data[:at] + chance.randbytes(end - at) + data[end:]
            case _:
                data = data[:at] + chance.choice(_TOKENS) + data[at:]
    return data


_NO_VALUES = [None, True, -1, 1.5, 10**30, "", "x", "\x00", [], {}, [[["shop"]]], "9" * 400, 2**63]
_NAMES = ["../out.txt", "media/../../out.txt", "/etc/out.txt", "media/a\\b", "rows/../x.jsonl", "media/\x01"]


def _anywhere(value: Any, chance: random.Random) -> None:
    """Something else in one place of a JSON value."""
    while isinstance(value, dict | list) and value:
        key = chance.choice(list(value)) if isinstance(value, dict) else chance.randrange(len(value))
        if not isinstance(value[key], dict | list) or not value[key] or chance.random() < 0.1:
            value[key] = chance.choice(_NO_VALUES)
            return
        value = value[key]


def repacked(archive: bytes, chance: random.Random, *, summed: Any = None) -> bytes:
    """The archive with its members, its manifest or its names changed, as a whole zip again.

    summed(manifest, members) puts right sums in, what a forger would do; then rows alone are changed.
    """
    with zipfile.ZipFile(io.BytesIO(archive)) as opened:
        members = {name: opened.read(name) for name in opened.namelist()}
    manifest = json.loads(members.pop("manifest.json"))
    packed = list(members.items())
    full = [number for number, (name, data) in enumerate(packed) if name.endswith(".jsonl") and data]
    for _again in range(chance.choice((1, 1, 2))):
        number = chance.choice(full) if summed else chance.randrange(len(packed))
        name, data = packed[number]
        match 9 if summed else chance.randrange(9):
            case 0:
                _anywhere(manifest, chance)
            case 1 if data:
                packed[number] = name, flipped(data, chance.randrange(len(data)))
            case 2:
                packed[number] = f"{name}x", data
            case 3:
                packed.append((name, hurt(data, chance)))  # the name twice
            case 4:
                packed.append((strange := chance.choice(_NAMES), b"x"))
                manifest["members"][strange] = {"sha256": hashlib.sha256(b"x").hexdigest(), "bytes": 1}
            case 5:
                packed[number] = name, bytes(3_000_000)
            case 6:
                told = chance.choice([*manifest["tables"].values(), *manifest["members"].values()])
                told[chance.choice(list(told))] = chance.choice(_NO_VALUES)
            case 7:
                packed.append(("manifest.json", b"{}"))
            case 8:
                manifest["members"][f"media/{'x' * 300}"] = manifest["members"][name]
            case 9:
                line = chance.choice(data.splitlines())
                row = json.loads(line)
                _anywhere(row, chance)
                other = json.dumps(row, ensure_ascii=False, separators=(",", ":"), sort_keys=True).encode()
                other = chance.choice((other, other, other, line + b"\n" + line, hurt(line, chance)))
                packed[number] = name, data.replace(line, other)
        if not isinstance(manifest.get("members"), dict) or not isinstance(manifest.get("tables"), dict):
            break
    if summed:
        summed(manifest, packed)
    written, entries = io.BytesIO(), [*packed, ("manifest.json", json.dumps(manifest).encode())]
    with warnings.catch_warnings(), zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archived:
        warnings.simplefilter("ignore")  # a name that comes twice
        for name, data in entries:
            archived.writestr(name, data)
    return written.getvalue()


SVG = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><script>alert(1)</script></svg>'
HTML = b"<!doctype html><script>alert(1)</script><x-mark>"
PDF = b"%PDF-1.7\n1 0 obj<</Type/Catalog>>endobj\ntrailer<</Root 1 0 R>>"

# name, contents, what the browser says it is
NO_PICTURES = [
    ("empty.png", b"", "image/png"),
    ("bomb.png", bomb(), "image/png"),
    ("cut.png", picture()[:-40], "image/png"),
    ("cut.jpg", picture("JPEG")[:200], "image/jpeg"),
    ("drawing.png", SVG, "image/png"),
    ("paper.jpg", PDF, "image/jpeg"),
    ("page.gif", b"GIF89a" + HTML, "image/gif"),
    ("whole.gif", picture("GIF") + HTML, "image/gif"),
    ("archive.png", zipped(), "image/png"),
    ("text.png", b"\x89PNG\r\n\x1a\n" + b"not a picture" * 40, "image/png"),
    ("photo.tiff", picture("TIFF"), "image/tiff"),
    ("photo.eps", b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n", "application/postscript"),
]
# Pictures that are whole, with something in front of, behind or around them; what is kept must be pixels alone.
TWO_AT_ONCE = [
    ("picture-and-page.png", picture() + HTML, "image/png"),
    ("picture-and-archive.jpg", picture("JPEG") + zipped(b"x"), "image/jpeg"),
    ("picture-and-script.png", picture().replace(b"IEND", b"IEND", 1) + SVG, "image/png"),
    ("../../up.png", picture(), "text/html"),
    ("a\x00b.png", picture(), "image/png"),
]
TABLES = [
    ("readings.csv", b"key,balance mortise\n1,5.55\n2,NaN\n3,1e400\n99,5.5\n", "text/csv"),
    ("nul.csv", b"key,balance mortise\n1,5.\x0055\n\x00", "text/csv"),
    ("wide.csv", b"," * 20_000, "text/csv"),
    ("long.csv", b"1,5.55\n" * 20_000, "text/csv"),
    ("quote.csv", b'"key,"x\n1,"' + b"y" * 200_000, "text/csv"),
    ("utf16.csv", "key;balance mortise\n1;5,55\n".encode("utf-16"), "text/csv"),
    ("latin.csv", b"key;B\xe4lge\n1;\xff\n", "text/csv"),
    ("binary.csv", bytes(range(256)) * 40, "text/csv"),
    ("book.xlsx", zipped(), "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    ("digits.csv", "key,balance mortise\n١,٥.٥\n1,５.５５\n".encode(), "text/csv"),
    ("prices.csv", b"code,title,minutes,material\ncloth,<x-mark>,99999999999999,1e9\n,,,\n", "text/csv"),
]
FILES = [
    *NO_PICTURES,
    *TWO_AT_ONCE,
    *TABLES,
    ("whole.png", picture(), "image/png"),
    ("whole.jpg", picture("JPEG"), "image/jpeg"),
]

_FORM = "application/x-www-form-urlencoded"
BODIES = [
    (b"", "application/json"),
    (b"{", "application/json"),
    (b"[" * 100_000, "application/json"),
    (b'{"operations": NaN}', "application/json"),
    (b'{"operations": [{"op": 1e999}], "person": 1' + b"0" * 5000 + b"}", "application/json"),
    (b"\xff\xfe{}", "application/json; charset=utf-16"),
    (b"a=b", "application/x-www-form-urlencoded; charset=no-such-charset"),
    (b"a=b&" * 3000, _FORM),
    (b"x" * 6_000_000, _FORM),
    (b"%00=%00&%FF=%FF&=&&&===", _FORM),
    (b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n', "multipart/form-data; boundary=x"),
    (b'--x\r\nContent-Disposition: form-data; name="f"; filename="', "multipart/form-data; boundary=x"),
    (b"anything", "multipart/form-data"),
    (b"anything", "multipart/form-data; boundary=\xc3\xa9"[:35]),
    (b"<a/>", "text/xml"),
    (bytes(1000), "application/octet-stream"),
]

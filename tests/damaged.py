"""Files and bodies that nobody should be sent: damaged, larger than they look, two kinds at once, wrongly named."""

import io
import struct
import zipfile
import zlib

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

"""The readings of a check as a file of comma-separated values, out and in again.

One fact a line under the header key,quantity,value,unit,finding,severity,note (RFC 4180, with a line break as the end
of a line). Coming in, the file may be parted by commas, semicolons or tabs, in UTF-8, UTF-16 with its mark or Latin-1,
with its columns in any order, and a line may hold a reading, a finding and a note together. No line is dropped: each
is either changes for the check or named with its Problem.
"""

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from keyboards.core.entries import Problem, printable
from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass
from keyboards.core.quantities import QUANTITIES

HEADER = ("key", "quantity", "value", "unit", "finding", "severity", "note")
LARGEST = 5_000_000  # bytes
MOST_LINES = 20_000
_DELIMITERS = (",", ";", "\t")
_UNITS = {"": "", "°": "deg", "degree": "deg", "degrees": "deg", "inch": "in", '"': "in", "gram": "g", "grams": "g"}

# A spreadsheet takes a cell that begins so for a formula (OWASP, "CSV injection").
_FORMULA = re.compile(r"'*[=+\-@\t\r\n]")
_GUARDED = re.compile(r"'+[=+\-@\t\r\n]")


@dataclass(frozen=True, slots=True)
class Fact:
    """One line to write: a reading (quantity, value, unit), a finding (finding, severity) or a note."""

    key: int
    quantity: str = ""
    value: str = ""
    unit: str = ""
    finding: str = ""
    severity: int | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One line that was read: its number in the file, its text as it stood, its changes or its problem."""

    number: int
    text: str
    changes: tuple[Mapping[str, Any], ...] = ()
    problem: Problem | None = None


@dataclass(frozen=True, slots=True)
class SheetFile:
    """A file that was read: the line of its header, its other lines, or what is wrong with the whole of it."""

    header: str = ""
    lines: tuple[Line, ...] = ()
    problem: Problem | None = None


def write_sheet(facts: Iterable[Fact]) -> str:
    """The file's text. Texts that a spreadsheet would reckon as a formula get an apostrophe in front."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    for fact in facts:
        severity = "" if fact.severity is None else fact.severity
        note = guarded(_one_line_end(fact.note))
        writer.writerow([fact.key, fact.quantity, fact.value, fact.unit, guarded(fact.finding), severity, note])
    return out.getvalue()


def _one_line_end(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula; `unguarded` gives it back as it was."""
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(text: str) -> str:
    return text[1:] if _GUARDED.match(text) else text


def decode(data: bytes) -> str | Problem:
    """The text of a file, whatever wrote it: UTF-8 with or without its mark, UTF-16 with it, else Latin-1."""
    if len(data) > LARGEST:
        return Problem("file_too_large", {"size": LARGEST // 1_000_000})
    marked = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    for encoding in ("utf-16",) if marked else ("utf-8-sig", "latin-1"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return Problem("file_not_text")


def read_sheet(text: str, compass: Compass) -> SheetFile:
    """Reads the text of a file line by line. Values are checked by whoever keeps them; here, that they can be asked."""
    records = records_of(text)
    if isinstance(records, Problem):
        return SheetFile(problem=records)
    (_first, header_text, header), *rest = records
    names = [name.strip().lower() for name in header]
    if "key" not in names:
        return SheetFile(problem=Problem("no_header", {"header": ",".join(HEADER)}))
    strange = next((name for name in names if name and name not in HEADER), None)
    if strange is not None:
        return SheetFile(problem=Problem("unknown_column", {"name": printable(strange[:40])}))
    if len(set(names)) < len(names) and any(names.count(name) > 1 for name in names if name):
        return SheetFile(problem=Problem("column_twice"))
    seen: dict[tuple[object, ...], int] = {}
    lines = [line_of(number, line, cells, names, compass, seen) for number, line, cells in rest]
    return SheetFile(header=header_text, lines=tuple(lines))


def records_of(text: str) -> list[tuple[int, str, list[str]]] | Problem:
    """(number of its first line, text, cells) of every record that is not blank; at least one, or the Problem."""
    if "\0" in text:
        return Problem("file_not_text")
    text = text.lstrip("\ufeff")
    if not text.strip():
        return Problem("file_empty")
    source = _one_line_end(text)
    lines = source.split("\n")
    first = next(line for line in lines if line.strip())
    delimiter = max(_DELIMITERS, key=first.count)
    reader = csv.reader(io.StringIO(source, newline=""), delimiter=delimiter)
    found: list[tuple[int, str, list[str]]] = []
    before = 0
    try:
        for cells in reader:
            start, before = before + 1, reader.line_num
            if any(cell.strip() for cell in cells):
                found.append((start, "\n".join(lines[start - 1 : before]), cells))
            if len(found) > MOST_LINES + 1:
                return Problem("too_many_lines", {"most": MOST_LINES})
    except csv.Error:  # a cell that never ends
        return Problem("cell_never_ends", {"line": before + 1})
    return found or Problem("file_empty")


def line_of(
    number: int,
    text: str,
    cells: Sequence[str],
    names: Sequence[str],
    compass: Compass,
    seen: dict[tuple[object, ...], int],
) -> Line:
    """One line of a sheet with its changes, or with its problem. seen: what earlier lines said, kept up here."""
    if any(cell.strip() for cell in cells[len(names) :]):
        return Line(number, text, problem=Problem("too_many_cells"))
    cell = {name: value.strip() for name, value in zip(names, cells, strict=False) if name}
    key = key_of(cell.get("key", ""), compass)
    if isinstance(key, Problem):
        return Line(number, text, problem=key)
    changes = _changes(key, cell)
    if not changes:
        return Line(number, text, problem=Problem("says_nothing"))
    for change in changes:
        what = (key, change["kind"], change.get("quantity"), change.get("finding"))
        if what in seen:
            return Line(number, text, problem=Problem("line_twice", {"line": seen[what]}))
        seen[what] = number
    return Line(number, text, tuple(changes))


def key_of(text: str, compass: Compass) -> int | Problem:
    """The key that a cell names by its number or its note. Whether the set has it is for whoever keeps the line."""
    if re.fullmatch(r"[0-9]{1,4}", text):
        return int(text)
    try:
        return compass.named(text)
    except MeasurementError:
        return Problem("no_key_named", {"text": printable(text[:20])})


def _changes(key: int, cell: Mapping[str, str]) -> list[dict[str, Any]]:
    changes: list[dict[str, Any]] = []
    quantity = re.sub(r"[\s-]+", "_", cell.get("quantity", "").lower())
    if quantity or cell.get("value"):
        unit = cell.get("unit", "").lower()
        usual = QUANTITIES[quantity].dimension if quantity in QUANTITIES else ""
        changes.append(
            {
                "kind": "reading",
                "key": key,
                "quantity": quantity,
                "value": cell.get("value", ""),
                "unit": _UNITS.get(unit, unit) or usual,
            }
        )
    if cell.get("finding") or cell.get("severity"):
        severity = cell.get("severity", "")
        changes.append(
            {
                "kind": "finding",
                "key": key,
                "finding": unguarded(cell.get("finding", "")),
                "severity": int(severity) if re.fullmatch(r"[0-9]", severity, re.ASCII) else severity,
            }
        )
    if cell.get("note"):
        changes.append({"kind": "note", "key": key, "text": unguarded(cell["note"])})
    return changes

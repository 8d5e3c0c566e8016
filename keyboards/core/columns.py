"""A spreadsheet of readings kept by hand: a key a row, a quantity a column, each column with its own unit.

The person says what each column means (`guess` makes a proposal from its name); `read_columns` turns the rows into
the lines of a sheet (core/sheet.py), one a cell, so that what is wrong is named and put right there.
"""

import csv
import io
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from keyboards.core.entries import Problem
from keyboards.core.keys import Compass
from keyboards.core.quantities import LENGTH, QUANTITIES
from keyboards.core.sheet import HEADER, Line, SheetFile, key_of, line_of, records_of

MOST_COLUMNS = 60
KEY = "key"
NOTE = "note"
MIL = "mil"  # a thousandth of an inch
# What a hand writes into a cell to say "nothing read here".
BLANKS = {"", "-", "–", "—", "n/a", "na", "?", "."}
_UNIT_IN_NAME = (
    (MIL, r"mils?|thou|thousandths?|1/1000\s*(?:in|inch)"),
    ("in", r'in|inch|inches|"'),
    ("mm", r"mm|millimet(?:er|re)s?"),
    ("deg", r"°|deg|degrees?"),
    ("g", r"g|grams?"),
)
# Words that together name a quantity, the closest first. Common abbreviations of the trade, no source.
_NAMES: Sequence[tuple[str, Sequence[str]]] = (
    ("button_length", ("button", "length")),
    ("button_width", ("button", "width")),
    ("button_height", ("button", "height")),
    ("slot_length", ("slot",)),
    ("mortise_offset", ("offset",)),
    ("balance_mortise_width", ("balance", "mortise")),
    ("front_mortise_width", ("front", "mortise")),
    ("balance_pin", ("balance", "pin")),
    ("front_pin", ("front", "pin")),
    ("side_play", ("play",)),
    ("skew", ("skew",)),
    ("splay", ("splay",)),
    ("dip", ("dip",)),
    ("level", ("level",)),
    ("down_weight", ("down",)),
    ("up_weight", ("up",)),
    ("balance_mortise_width", ("mortise",)),
)


@dataclass(frozen=True, slots=True)
class Table:
    """names: of the columns, as they stand; rows: (number of the line, cells)."""

    names: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def read_table(text: str) -> Table | Problem:
    """The columns of a file whose first line names them, parted by commas, semicolons or tabs."""
    records = records_of(text)
    if isinstance(records, Problem):
        return records
    (_first, _text, header), *rest = records
    if len(header) > MOST_COLUMNS:
        return Problem("too_many_columns", {"most": MOST_COLUMNS})
    if not rest:
        return Problem("no_rows")
    names = tuple(name.strip() for name in header)
    return Table(names, tuple((number, tuple(cell.strip() for cell in cells)) for number, _line, cells in rest))


def guess(name: str, findings: Mapping[str, str] | None = None) -> str:
    """What a column called so may mean: "key", "note", "side_play:mm", "finding:moth" (code -> title) or "" """
    words = " ".join(re.findall(r"[a-z]+|[\"°]", name.lower()))
    if re.fullmatch(r"(?:key|keys|no|nr|number|note name|key no|key number)", words):
        return KEY
    if re.fullmatch(r"(?:notes?|remarks?|comments?)", words):
        return NOTE
    for code, title in (findings or {}).items():
        if name.strip().casefold() in (code.casefold(), title.casefold()):
            return f"finding:{code}"
    for slug, parts in _NAMES:
        if all(re.search(rf"\b{part}", words) for part in parts):
            return f"{slug}:{_unit_in(name, slug)}"
    return ""


def guesses(table: Table, compass: Compass, findings: Mapping[str, str] | None = None) -> list[str]:
    """A proposal for each column. Where no name says which one names the key, what stands in the columns may."""
    found = [guess(name, findings) for name in table.names]
    if KEY not in found:
        for number, meaning in enumerate(found):
            cells = [row[number] for _line, row in table.rows if number < len(row) and row[number]]
            if meaning in ("", NOTE) and cells and all(isinstance(key_of(cell, compass), int) for cell in cells):
                found[number] = KEY
                break
    return found


def _unit_in(name: str, slug: str) -> str:
    dimension = QUANTITIES[slug].dimension
    if dimension != LENGTH:
        return dimension
    for unit, pattern in _UNIT_IN_NAME:
        if unit in ("mm", "in", MIL) and re.search(rf"(?:^|[\s(\[,_/])(?:{pattern})(?:$|[\s)\].,])", name.lower()):
            return unit
    return LENGTH


def read_columns(table: Table, meanings: Sequence[str], compass: Compass) -> SheetFile:
    """Every cell that says something as a line of a sheet, under the number of its row.

    meanings: of each column, as `guess` writes them ("" leaves it out). The column of keys is wanted; a Problem of
    the whole says so. Cells behind the last named column are named, not dropped.
    """
    if KEY not in meanings:
        return SheetFile(problem=Problem("no_key_column"))
    if any(meanings.count(meaning) > 1 for meaning in meanings if meaning):
        return SheetFile(problem=Problem("column_twice"))
    quantities = [meaning.partition(":")[0] for meaning in meanings if ":" in meaning and _is_reading(meaning)]
    if len(set(quantities)) < len(quantities):  # the same quantity in two units
        return SheetFile(problem=Problem("column_twice"))
    at = list(meanings).index(KEY)
    lines: list[Line] = []
    seen: dict[tuple[object, ...], int] = {}
    for number, cells in table.rows:
        key = cells[at] if at < len(cells) else ""
        found = [
            (meaning, cell)
            for meaning, cell in zip(meanings, cells, strict=False)
            if meaning not in ("", KEY) and cell.lower() not in BLANKS
        ]
        if any(cells[len(table.names) :]):
            lines.append(Line(number, _text(cells), problem=Problem("too_many_cells")))
        elif not key and found:
            lines.append(Line(number, _text(cells), problem=Problem("no_key_named", {"text": ""})))
        else:
            lines += [_line(number, key, meaning, cell, compass, seen) for meaning, cell in found]
    if not lines:
        return SheetFile(problem=Problem("file_empty"))
    return SheetFile(header=",".join(HEADER), lines=tuple(lines))


def _is_reading(meaning: str) -> bool:
    return not meaning.startswith("finding:")


def _line(
    number: int, key: str, meaning: str, cell: str, compass: Compass, seen: dict[tuple[object, ...], int]
) -> Line:
    what, _colon, unit = meaning.partition(":")
    row = dict.fromkeys(HEADER, "") | {"key": key}
    if meaning == NOTE:
        row["note"] = cell
    elif what == "finding":
        row |= {"finding": unit, "severity": _severity(cell)}
    else:
        value, unit = _in_inches(cell) if unit == MIL else (cell, unit)
        row |= {"quantity": what, "value": value, "unit": unit}
    return line_of(number, _text(row.values()), list(row.values()), HEADER, compass, seen)


def _text(cells: Iterable[str]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()[:-1]


def _in_inches(cell: str) -> tuple[str, str]:
    """(text, unit) of thousandths of an inch. What is no number stays as it is, to be named as that."""
    try:
        value = Decimal(cell.replace(",", "."))
        return (f"{(value / 1000).normalize():f}" if value.is_finite() and abs(value) < 10**6 else cell), "in"
    except InvalidOperation:
        return cell, "in"


def _severity(cell: str) -> str:
    """A mark in a column of findings ("x", "yes") is a plain finding; a figure is its severity."""
    return "2" if cell.lower() in ("x", "yes", "y", "✓", "+") else cell


def quantities_of(meanings: Collection[str]) -> list[str]:
    """The quantities that columns hold, in the house's order."""
    named = {meaning.partition(":")[0] for meaning in meanings}
    return [slug for slug in QUANTITIES if slug in named]

"""Spreadsheets kept by hand: what a column means, and no cell lost on the way in."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.columns import BLANKS, Table, guess, guesses, quantities_of, read_columns, read_table
from keyboards.core.entries import Problem
from keyboards.core.keys import Compass
from keyboards.core.quantities import QUANTITIES

PIANO = Compass()


@pytest.mark.parametrize(
    ("name", "meaning"),
    [
        ("Key", "key"),
        ("Note", "note"),
        ("no.", "key"),
        ("Remarks", "note"),
        ("Balance mortise (mm)", "balance_mortise_width:mm"),
        ("Balance rail mortise, thou", "balance_mortise_width:mil"),
        ("front pin in", "front_pin:in"),
        ("Side play [inch]", "side_play:in"),
        ("Skew °", "skew:deg"),
        ("mortise skew", "skew:deg"),
        ("Key dip", "dip:mm"),
        ("Down weight g", "down_weight:g"),
        ("Torn wood", "finding:torn"),
        ("torn", "finding:torn"),
        ("colour of the box", ""),
        ("", ""),
    ],
)
def test_a_column_is_proposed_from_its_name(name, meaning):
    assert guess(name, {"torn": "Torn wood"}) == meaning


def table(text: str) -> Table:
    found = read_table(text)
    assert isinstance(found, Table)
    return found


def test_each_cell_that_says_something_becomes_a_line_under_the_number_of_its_row():
    found = table("Key;Mortise;Moth;Said;Box\n1;5,62;x;loose;a\nC4;–;2;;b\n\n3;;;;c\n")
    meanings = ["key", "balance_mortise_width:mm", "finding:moth", "note", ""]
    sheet = read_columns(found, meanings, PIANO)
    assert sheet.problem is None
    assert [(line.number, line.text) for line in sheet.lines] == [
        (2, '1,balance_mortise_width,"5,62",mm,,,'),
        (2, "1,,,,moth,2,"),
        (2, "1,,,,,,loose"),
        (3, "C4,,,,moth,2,"),
    ]
    assert sheet.lines[0].changes[0]["value"] == "5,62"
    assert sheet.lines[3].changes[0] == {"kind": "finding", "key": 40, "finding": "moth", "severity": 2}
    assert quantities_of(meanings) == ["balance_mortise_width"]


@pytest.mark.parametrize(
    ("typed", "value"), [("146", "0.146"), ("146,5", "0.1465"), ("1000", "1"), ("?7", "?7"), ("1e99", "1e99")]
)
def test_thousandths_of_an_inch_are_exact_inches_and_what_is_no_number_stays(typed, value):
    found = table(f'key,pin\n1,"{typed}"\n')
    (line,) = read_columns(found, ["key", "balance_pin:mil"], PIANO).lines
    assert (line.changes[0]["value"], line.changes[0]["unit"]) == (value, "in")


@pytest.mark.parametrize(
    ("text", "meanings", "reason"),
    [
        ("a,b\n1,2\n", ["", "dip:mm"], "no_key_column"),
        ("a,b,c\n1,2,3\n", ["key", "dip:mm", "dip:mm"], "column_twice"),
        ("a,b,c\n1,2,3\n", ["key", "dip:mm", "dip:in"], "column_twice"),
        ("a,b\n1,\n", ["key", "dip:mm"], "file_empty"),
    ],
)
def test_what_is_wrong_with_the_whole_is_named(text, meanings, reason):
    sheet = read_columns(table(text), meanings, PIANO)
    assert sheet.problem is not None
    assert sheet.problem.reason == reason


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "file_empty"),
        ("key,dip\n", "no_rows"),
        ("a\0b", "file_not_text"),
        (",".join("abcdefghij" * 7) + "\n1\n", "too_many_columns"),
    ],
)
def test_a_file_that_is_no_table_is_refused(text, reason):
    found = read_table(text)
    assert isinstance(found, Problem)
    assert found.reason == reason


@pytest.mark.parametrize("row", ["x,5", ",5", "1,5,6"])
def test_a_row_that_cannot_be_placed_is_named_and_kept(row):
    (line,) = read_columns(table(f"key,dip\n{row}\n"), ["key", "dip:mm"], PIANO).lines
    assert line.problem is not None
    assert line.number == 2
    for cell in filter(None, row.split(",")):
        assert cell in line.text


_cells = st.text(st.characters(codec="utf-8", exclude_characters="\r\0"), max_size=12)


@given(st.lists(st.tuples(_cells, _cells, _cells), min_size=1, max_size=8))
def test_no_cell_is_lost(rows):
    """Every cell that says something is in a line, good or bad; with nothing said at all the whole is refused."""
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL).writerows([("key", "dip", "said"), *rows])
    found = read_table(out.getvalue())
    if isinstance(found, Problem):
        assert not any(cell.strip() for row in rows for cell in row)
        return
    lines = read_columns(found, ["key", "dip:mm", "note"], PIANO).lines
    held = [cell for line in lines for cell in next(csv.reader(io.StringIO(line.text, newline="")))]
    wanted = 0
    for key, *cells in rows:
        said = [cell.strip() for cell in cells if cell.strip().lower() not in BLANKS]
        wanted += len(said) if key.strip() else bool(said)
        assert all(cell in held for cell in said)
    assert len(lines) == wanted


def test_every_quantity_has_a_column_that_is_recognised():
    for slug in QUANTITIES:
        assert guess(slug.replace("_", " ")).partition(":")[0] == slug


def test_where_no_name_says_which_column_names_the_key_its_cells_may():
    assert guesses(table("Note,dip\nA0,10\nA♯0,10\n"), PIANO) == ["key", "dip:mm"]
    assert guesses(table("Note,dip\nloose,10\n"), PIANO) == ["note", "dip:mm"]

"""Readings written to a file and read back; files from anywhere, with no line lost."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.keys import Compass
from keyboards.core.sheet import Fact, Line, decode, guarded, read_sheet, unguarded, write_sheet

KEYS = Compass()


def lines(text: str) -> tuple[Line, ...]:
    found = read_sheet(text, KEYS)
    assert found.problem is None, found.problem
    return found.lines


def reading(key=41, quantity="balance_mortise_width", value="5.62", unit="mm") -> dict:
    return {"kind": "reading", "key": key, "quantity": quantity, "value": value, "unit": unit}


# --- out ---


def test_the_file_has_a_header_and_a_line_a_fact():
    text = write_sheet(
        [
            Fact(41, quantity="skew", value="-1.5", unit="deg"),
            Fact(41, finding="cloth_worn", severity=2),
            Fact(41, note='glue, "old"\nand dust'),
        ]
    )
    assert text == (
        "key,quantity,value,unit,finding,severity,note\n"
        "41,skew,-1.5,deg,,,\n"
        "41,,,,cloth_worn,2,\n"
        '41,,,,,,"glue, ""old""\nand dust"\n'
    )


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "'=1", "''@x"])
def test_no_spreadsheet_takes_a_note_for_a_formula(text):
    row = list(csv.reader(io.StringIO(write_sheet([Fact(1, note=text)]), newline="")))[1]
    assert row[6].startswith("'")
    assert unguarded(row[6]) == text.replace("\r", "\n")


@pytest.mark.parametrize("text", ["", "'", "'tis loose", "a=b", "5.62", "'''"])
def test_other_notes_stay_as_they_are(text):
    assert guarded(text) == text == unguarded(text)


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_guarding_a_text_can_always_be_undone(text):
    assert unguarded(guarded(text)) == text


texts = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=30).map(str.strip).filter(bool)
facts = st.one_of(
    st.builds(
        Fact,
        key=st.integers(1, 88),
        quantity=st.sampled_from(["balance_pin", "skew"]),
        value=st.sampled_from(["3.70", "-1.5", "0"]),
        unit=st.just("deg"),
    ),
    st.builds(
        Fact,
        key=st.integers(1, 88),
        finding=st.from_regex(r"[a-z_-]{1,20}", fullmatch=True),
        severity=st.integers(0, 3),
    ),
    st.builds(Fact, key=st.integers(1, 88), note=texts),
)


@given(st.lists(facts, unique_by=lambda fact: (fact.key, fact.quantity, fact.finding)))
def test_what_was_written_is_read_back(written):
    expected = []
    for fact in written:
        if fact.quantity:
            expected.append(reading(fact.key, fact.quantity, fact.value, fact.unit))
        elif fact.finding:
            expected.append({"kind": "finding", "key": fact.key, "finding": fact.finding, "severity": fact.severity})
        else:
            expected.append({"kind": "note", "key": fact.key, "text": fact.note})
    assert [change for line in lines(write_sheet(written)) for change in line.changes] == expected


# --- in ---


def test_a_line_may_hold_a_reading_a_finding_and_a_note():
    (line,) = lines(
        "key,quantity,value,unit,finding,severity,note\n41,balance_mortise_width,5.62,mm,cloth_worn,2,dusty\n"
    )
    assert line.changes == (
        reading(),
        {"kind": "finding", "key": 41, "finding": "cloth_worn", "severity": 2},
        {"kind": "note", "key": 41, "text": "dusty"},
    )


@pytest.mark.parametrize(
    "text",
    [
        "key,quantity,value,unit\n41,balance_mortise_width,5.62,mm\n",
        "key;quantity;value;unit\r\n41;balance_mortise_width;5.62;mm\r\n",
        "key\tquantity\tvalue\tunit\r41\tbalance_mortise_width\t5.62\tmm",
        "\ufeffkey,quantity,value,unit\n\n41,balance_mortise_width,5.62,mm\n,,,\n",
        " Key , Value , UNIT , Quantity \n41,5.62,mm,Balance mortise width\n",
        'key,quantity,value,unit\nC♯4,"balance_mortise_width", 5.62 ,mm\n',
        "key,quantity,value\n41,balance_mortise_width,5.62\n",
        "key,quantity,value,unit,,\n41,balance_mortise_width,5.62,mm,,\n",
    ],
)
def test_files_from_anywhere_say_the_same(text):
    assert [change for line in lines(text) for change in line.changes] == [reading()]


def test_a_decimal_comma_stands_in_a_file_parted_by_semicolons():
    (line,) = lines("key;quantity;value;unit\n41;balance_mortise_width;5,62;mm\n")
    assert line.changes == (reading(value="5,62"),)


@pytest.mark.parametrize(("written", "unit"), [("°", "deg"), ("Degrees", "deg"), ("", "deg"), ("mm", "mm")])
def test_units_are_taken_as_people_write_them(written, unit):
    (line,) = lines(f"key,quantity,value,unit\n41,skew,1.5,{written}\n")
    assert line.changes[0]["unit"] == unit


@pytest.mark.parametrize(
    "data",
    ["Größe".encode(), "Größe".encode("utf-8-sig"), "Größe".encode("latin-1"), "Größe".encode("utf-16")],
)
def test_every_usual_encoding_is_read(data):
    assert decode(data).lstrip("\ufeff") == "Größe"


def test_a_file_beyond_the_limit_is_not_read():
    assert decode(b"x" * 5_000_001).reason == "file_too_large"
    assert decode(b"\xff\xfe\x00").reason == "file_not_text"


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "file_empty"),
        ("\n \n", "file_empty"),
        ("key\0,note\n", "file_not_text"),
        ("41,balance_pin,3.70,mm\n", "no_header"),
        ("quantity,value\nbalance_pin,3.70\n", "no_header"),
        ("key,quantity,value,price\n", "unknown_column"),
        ("key,quantity,value,value\n", "column_twice"),
        ("key,note\n" + "1,x\n" * 20_001, "too_many_lines"),
        ('key,note\n1,"' + "x" * 200_000, "cell_never_ends"),
    ],
)
def test_a_file_that_cannot_be_read_has_a_reason(text, reason):
    assert read_sheet(text, KEYS).problem.reason == reason


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("x,balance_pin,3.70,mm,,,", "no_key_named"),
        (",balance_pin,3.70,mm,,,", "no_key_named"),
        ("41.0,balance_pin,3.70,mm,,,", "no_key_named"),
        ("C9,balance_pin,3.70,mm,,,", "no_key_named"),
        ("41,,,,,,", "says_nothing"),
        ("41,,,mm,,,", "says_nothing"),
        ("41,balance_pin,3.70,mm,,,,more", "too_many_cells"),
        ("40,balance_pin,3.71,mm,,,", "line_twice"),
        ("40,,,,,,other", "line_twice"),
    ],
)
def test_a_bad_line_is_named_and_its_neighbours_are_kept(row, reason):
    head = "key,quantity,value,unit,finding,severity,note"
    first, bad, last = lines(f"{head}\n40,balance_pin,3.70,mm,,,first\n{row}\n42,balance_pin,3.70,mm,,,\n")
    assert (bad.number, bad.text, bad.problem.reason, bad.changes) == (3, row, reason, ())
    assert (first.problem, last.problem) == (None, None)


def test_lines_are_numbered_as_an_editor_shows_them():
    found = lines('key,note\n\n1,"two\nlines"\n2,x\n')
    assert [(line.number, line.text) for line in found] == [(3, '1,"two\nlines"'), (5, "2,x")]


@given(st.text(alphabet=st.sampled_from("key,;\t\n\"' 41=note")))
def test_no_text_breaks_the_reading(text):
    read_sheet(text, KEYS)
    found = read_sheet("key,note\n" + text, KEYS)
    if found.problem is None:
        assert all(bool(line.changes) != bool(line.problem) for line in found.lines)

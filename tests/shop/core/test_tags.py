"""Numbers on boxes and paper: written one way, read however a person writes them, and nothing else."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.core import tags
from shop.core.errors import MeasurementError

KINDS = [
    ("K", tags.job_tag, tags.parse_job_tag),
    ("E", tags.estimate_number, tags.parse_estimate_number),
    ("B", tags.bill_number, tags.parse_bill_number),
]
each_kind = pytest.mark.parametrize(("letter", "write", "read"), KINDS, ids=["job", "estimate", "bill"])


def test_the_three_kinds_have_their_letters():
    assert tags.job_tag(147) == "K-0147"
    assert tags.estimate_number(312) == "E-0312"
    assert tags.bill_number(1) == "B-0001"


@each_kind
def test_a_number_has_four_digits_and_grows_beyond(letter, write, read):
    assert [write(number) for number in (1, 9999, 10000, 999_999_999)] == [
        f"{letter}-0001",
        f"{letter}-9999",
        f"{letter}-10000",
        f"{letter}-999999999",
    ]


@each_kind
@pytest.mark.parametrize(
    "text",
    ["{}-0147", "{}0147", "{}147", "{} 0147", "{} - 147", "{}–0147", "{}.147", "{}_147", " {}-0147 \n", "0147", "147"],
)
def test_what_people_type_is_understood(letter, write, read, text):
    assert read(text.format(letter)) == 147
    assert read(text.format(letter.lower())) == 147


@each_kind
@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "-",
        "147K",
        "K-",
        "KK147",
        "K-14 7",
        "K-1.5",
        "K--1e3",
        "١٤٧",
        "K-１４７",
        "147\x00",
        "<147>",
        "147" * 40,
        pytest.param("9" * 10_000_000, id="10 MB"),
    ],
)
def test_garbage_is_refused_with_an_example_and_without_repeating_it_at_length(letter, write, read, text):
    with pytest.raises(MeasurementError, match=rf"such as {letter}-0147") as refused:
        read(text)
    assert len(str(refused.value)) < 120


@each_kind
def test_zero_and_numbers_with_too_many_digits_are_refused(letter, write, read):
    with pytest.raises(MeasurementError, match="from 1 up"):
        read(f"{letter}-0000")
    with pytest.raises(MeasurementError, match="too many digits"):
        read(f"{letter}-1000000000")


def test_the_number_of_another_kind_is_named_as_such():
    with pytest.raises(MeasurementError, match="E-0312 is the number of an estimate"):
        tags.parse_job_tag("E-0312")
    with pytest.raises(MeasurementError, match="K-0147 is the number of a job"):
        tags.parse_bill_number("k-0147")
    with pytest.raises(MeasurementError, match="letter X is not known"):
        tags.parse_job_tag("X-1")


@each_kind
@pytest.mark.parametrize("bad", [None, 147, b"K-0147", ["K-0147"], True])
def test_only_text_is_read(letter, write, read, bad):
    with pytest.raises(MeasurementError, match="text"):
        read(bad)


@each_kind
@pytest.mark.parametrize("bad", [0, -1, 10**9, pytest.param(10**5000, id="5001 digits"), 1.0, True, "147", None])
def test_only_whole_numbers_from_1_up_are_written(letter, write, read, bad):
    with pytest.raises(MeasurementError, match="number"):
        write(bad)


@given(st.integers(1, 999_999_999), st.sampled_from(KINDS))
def test_what_is_written_is_read_back(number, kind):
    _, write, read = kind
    assert read(write(number)) == number


@given(st.text(max_size=60), st.sampled_from(KINDS))
def test_any_text_is_a_number_or_a_sentence(text, kind):
    _letter, write, read = kind
    try:
        number = read(text)
    except MeasurementError:
        return
    assert 1 <= number <= 999_999_999
    assert read(write(number)) == number

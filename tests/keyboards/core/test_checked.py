"""No value that cannot be used gets past the check, and the message says which one and why."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.checked import LARGEST, number, numbers, whole, wholes
from keyboards.core.errors import MeasurementError

NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize(
    ("value", "why"),
    [
        (NAN, "finite"),
        (INF, "finite"),
        (-INF, "finite"),
        (True, "yes or no"),
        ("5.5", "text"),
        (None, "nothing"),
        pytest.param(10**400, "too large", id="huge"),
        (1.01e12, "too large"),
        (-1.01e12, "too large"),
        (Decimal("5.5"), "Decimal"),
        (Fraction(11, 2), "Fraction"),
        (5 + 0j, "complex"),
        ([5.5], "list"),
        (b"5", "bytes"),
    ],
)
def test_a_number_is_finite_and_a_number(value, why):
    with pytest.raises(MeasurementError, match="^mortise .*" + why):
        number("mortise", value)


@given(st.one_of(st.integers(-(10**12), 10**12), st.floats(-LARGEST, LARGEST)))
def test_a_good_number_comes_back_unchanged_as_a_float(value):
    assert number("mortise", value) == value
    assert type(number("mortise", value)) is float


@pytest.mark.parametrize(
    ("limits", "good", "bad", "why"),
    [
        ({"minimum": 0}, 0, -0.001, "at least 0"),
        ({"above": 0}, 0.001, 0, "above 0"),
        ({"maximum": 0.6}, 0.6, 0.61, "at most 0.6"),
        ({"below": 1}, 0.999, 1, "below 1"),
    ],
)
def test_limits_hold_and_say_their_value(limits, good, bad, why):
    assert number("c", good, **limits) == good
    with pytest.raises(MeasurementError, match=f"^c must be {why}"):
        number("c", bad, **limits)
    assert numbers("c", [good, good], **limits) == (good, good)
    with pytest.raises(MeasurementError, match=rf"^c\[1\] must be {why}"):
        numbers("c", [good, bad], **limits)


@pytest.mark.parametrize("value", [1.0, True, "3", None, NAN, Decimal(3)])
def test_a_whole_number_is_an_int(value):
    with pytest.raises(MeasurementError, match=r"^count must be a whole number"):
        whole("count", value)


@pytest.mark.parametrize(
    ("value", "why"),
    [(0, "at least 1, not 0"), (89, "at most 88, not 89"), pytest.param(10**5000, "too large", id="huge")],
)
def test_a_whole_number_keeps_its_limits(value, why):
    assert whole("key", 88, 1, 88) == 88
    with pytest.raises(MeasurementError, match=why):
        whole("key", value, 1, 88)


@pytest.mark.parametrize("values", [None, 5, "1, 2", b"12", {1: 2}, {1, 2}, frozenset({1}), True])
@pytest.mark.parametrize("check", [numbers, wholes])
def test_a_list_is_a_list_in_order(check, values):
    with pytest.raises(MeasurementError, match=r"^values must be a list, not "):
        check("values", values)


@pytest.mark.parametrize("check", [numbers, wholes])
def test_an_empty_list_is_refused_and_a_short_one_too(check):
    with pytest.raises(MeasurementError, match=r"^values must not be empty$"):
        check("values", [])
    with pytest.raises(MeasurementError, match=r"^values must hold at least 3 values, not 2$"):
        check("values", [1, 2], at_least=3)
    assert check("values", iter([1, 2, 3]), at_least=3) == (1, 2, 3)
    assert check("values", {7: "a", 8: "b"}.keys()) == (7, 8)


def test_a_bad_value_in_a_list_is_named_by_its_place():
    with pytest.raises(MeasurementError, match=r"^values\[2\] must be a finite number, not nan$"):
        numbers("values", [1, 2, NAN])
    with pytest.raises(MeasurementError, match=r"^keys\[0\] must be at least 1, not 0$"):
        wholes("keys", [0], 1)


def test_a_key_given_twice_is_named():
    with pytest.raises(MeasurementError, match=r"^keys has 7 twice$"):
        wholes("keys", [3, 7, 8, 7], 1, distinct=True)


def test_the_message_stays_short_whatever_was_given():
    for value in ("9" * 10_000_000, 10**5000, "\x00"):
        for check in (number, whole):
            with pytest.raises(MeasurementError) as refused:
                check("key", value)
            assert len(str(refused.value)) < 80


def test_a_measurement_error_is_a_value_error():
    assert issubclass(MeasurementError, ValueError)

"""Money: rounded in one place, exact everywhere else, and what is printed adds up."""

import math
from decimal import Context, Decimal, localcontext
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.core import money
from shop.core.errors import MeasurementError

D = Decimal
currencies = st.sampled_from(["EUR", "JPY", "KWD", "CLF"])
amounts = st.decimals(-100_000, 100_000, places=4)
rates = st.decimals(0, 100, places=3)
units = {"EUR": D("0.01"), "JPY": D(1), "KWD": D("0.001"), "CLF": D("0.0001")}


@pytest.mark.parametrize(
    ("amount", "currency", "rounded"),
    [
        ("2.344", "EUR", "2.34"),
        ("2.345", "EUR", "2.35"),
        ("2.335", "EUR", "2.34"),  # to even would give 2.34 and 2.34
        ("0.125", "EUR", "0.13"),  # to even would give 0.12
        ("-0.125", "EUR", "-0.13"),
        ("7", "EUR", "7.00"),
        ("1234.5", "JPY", "1235"),
        ("1234.4999", "KRW", "1234"),
        ("1.0005", "KWD", "1.001"),
        ("1.00005", "CLF", "1.0001"),
        ("0.5", "ISK", "1"),
    ],
)
def test_halves_go_away_from_zero_at_the_currencys_decimals(amount, currency, rounded):
    assert str(money.round_money(amount=D(amount), currency=currency)) == rounded


@pytest.mark.parametrize(
    ("currency", "decimals"),
    [("EUR", 2), ("USD", 2), ("JPY", 0), ("KRW", 0), ("ISK", 0), ("CLP", 0), ("VND", 0), ("KWD", 3), ("BHD", 3)],
)
def test_the_decimals_of_a_currency(currency, decimals):
    assert money.decimals(currency=currency) == decimals


def test_a_credit_that_rounds_to_nothing_is_not_printed_as_minus_zero():
    assert str(money.round_money(D("-0.004"), "EUR")) == "0.00"


def test_a_line_is_rounded_once_after_multiplying():
    assert money.line_total(quantity=D("3"), unit_price=D("0.335"), currency="EUR") == D("1.01")
    assert money.line_total(88, D("4.25"), "EUR") == D("374.00")
    assert money.line_total(D("1.5"), D("99"), "JPY") == D("149")


def test_a_unit_price_is_time_and_material():
    assert money.unit_price(minutes=D(20), hourly_rate=D(50), material=D("1.005"), currency="EUR") == D("17.67")
    assert money.unit_price(D(10), D(1), D(0), "EUR") == D("0.17")
    assert money.unit_price(D(0), D(60), D("0.25"), "EUR") == D("0.25")


def test_tax_and_shares_are_in_percent():
    assert money.tax(amount=D("100.10"), rate=D(20), currency="EUR") == D("20.02")
    assert money.tax(D("100.10"), D("5.5"), "EUR") == D("5.51")
    assert money.share(amount=D("1709.60"), percent=D(30), currency="EUR") == D("512.88")
    assert money.share(D("10.05"), D(50), "EUR") == D("5.03")


def test_a_hand_checked_foot():
    foot = money.totals(lines=[D("374"), D("126.335"), D("-10")], tax_rate=D(19), deposit_rate=D(30), currency="EUR")
    assert foot == money.Totals(net=D("490.34"), tax=D("93.16"), gross=D("583.50"), deposit=D("175.05"))
    assert foot.rest == D("408.45")


def test_lines_are_rounded_before_they_are_added():
    foot = money.totals([D("0.004")] * 10, D(0), D(0), "EUR")
    assert foot.net == 0


def test_no_lines_are_zeros_with_the_currencys_decimals():
    foot = money.totals([], D(20), D(30), "EUR")
    assert [str(amount) for amount in (foot.net, foot.tax, foot.gross, foot.deposit)] == ["0.00"] * 4


def test_a_credit_takes_no_deposit_but_its_tax_goes_back():
    foot = money.totals([D("-50")], D(20), D(30), "EUR")
    assert (foot.tax, foot.gross, foot.deposit) == (D("-10.00"), D("-60.00"), D("0.00"))


def test_the_callers_decimal_context_changes_nothing():
    with localcontext(Context(prec=3, rounding="ROUND_DOWN")):
        assert money.line_total(D("12345.67"), D("10.005"), "EUR") == D("123518.43")
        assert money.totals([D("12345.675"), D("0.005")], D(20), D(30), "EUR").net == D("12345.69")
        assert money.unit_price(D(50), D("1234.56"), D("0.005"), "EUR") == D("1028.81")


CALLS = {
    "amount": [
        lambda bad: money.round_money(bad, "EUR"),
        lambda bad: money.tax(bad, D(20), "EUR"),
        lambda bad: money.share(bad, D(20), "EUR"),
    ],
    "quantity": [lambda bad: money.line_total(bad, D(1), "EUR")],
    "unit_price": [lambda bad: money.line_total(D(1), bad, "EUR")],
    "rate": [lambda bad: money.tax(D(1), bad, "EUR")],
    "percent": [lambda bad: money.share(D(1), bad, "EUR")],
    "minutes": [lambda bad: money.unit_price(bad, D(1), D(1), "EUR")],
    "hourly_rate": [lambda bad: money.unit_price(D(1), bad, D(1), "EUR")],
    "material": [lambda bad: money.unit_price(D(1), D(1), bad, "EUR")],
    "lines": [lambda bad: money.totals([D(1), bad], D(20), D(30), "EUR")],
    "tax_rate": [lambda bad: money.totals([D(1)], bad, D(30), "EUR")],
    "deposit_rate": [lambda bad: money.totals([D(1)], D(20), bad, "EUR")],
}


@pytest.mark.parametrize("name", CALLS)
@pytest.mark.parametrize(
    ("bad", "says"),
    [
        (1.5, "must be a Decimal, not float"),
        (math.nan, "must be a Decimal"),
        ("1.50", "must be a Decimal, not str"),
        (None, "must be a Decimal, not nothing"),
        (True, "must be a Decimal"),
        (D("NaN"), "finite"),
        (D("sNaN"), "finite"),
        (D("Infinity"), "finite"),
        (D("1e13"), "too large"),
        (D("1e9999999"), "too large"),
        pytest.param(10**5000, "too large", id="5001 digits"),
        (D("1e-13"), "at most 12 decimals"),
    ],
)
def test_what_is_no_amount_is_refused_by_name(name, bad, says):
    for call in CALLS[name]:
        with pytest.raises(MeasurementError, match=rf"{name}.*{says}"):
            call(bad)


@pytest.mark.parametrize("name", ["rate", "percent", "tax_rate", "deposit_rate"])
def test_a_percentage_lies_between_0_and_100(name):
    for bad in (D("-0.01"), D("100.01")):
        with pytest.raises(MeasurementError, match=name):
            CALLS[name][0](bad)


@pytest.mark.parametrize("name", ["minutes", "hourly_rate", "material"])
def test_work_and_material_are_never_negative(name):
    with pytest.raises(MeasurementError, match=name):
        CALLS[name][0](D("-0.01"))


@pytest.mark.parametrize("bad", ["eur", "EURO", "E", "", "E1R", "ÄÖÜ", None, 978])
def test_a_currency_is_three_capital_letters(bad):
    with pytest.raises(MeasurementError, match="currency"):
        money.round_money(D(1), bad)
    with pytest.raises(MeasurementError, match="currency"):
        money.totals([], D(20), D(30), bad)


def test_products_and_sums_beyond_all_reason_are_refused():
    with pytest.raises(MeasurementError, match="too large"):
        money.line_total(D("1e12"), D(2), "EUR")
    with pytest.raises(MeasurementError, match="too large"):
        money.totals([D("1e12")] * 2, D(0), D(0), "EUR")
    with pytest.raises(MeasurementError, match="too large"):
        money.totals([D("1e12")], D(20), D(0), "EUR")
    with pytest.raises(MeasurementError, match="lines"):
        money.totals("12", D(20), D(30), "EUR")


@given(st.lists(amounts, max_size=30), rates, rates, currencies)
def test_the_paper_adds_up(lines, tax_rate, deposit_rate, currency):
    foot = money.totals(lines, tax_rate, deposit_rate, currency)
    printed = [str(money.round_money(line, currency)) for line in lines]
    assert D(str(foot.net)) == sum((D(text) for text in printed), D(0))
    assert D(str(foot.gross)) == D(str(foot.net)) + D(str(foot.tax))
    assert foot.deposit + foot.rest == foot.gross
    assert 0 <= foot.deposit <= max(foot.gross, D(0))
    for amount in (foot.net, foot.tax, foot.gross, foot.deposit):
        assert amount.as_tuple().exponent == -money.decimals(currency)


@given(st.lists(amounts, max_size=12), rates, currencies, st.randoms())
def test_the_order_of_the_lines_changes_nothing(lines, rate, currency, random):
    shuffled = random.sample(lines, len(lines))
    assert money.totals(lines, rate, rate, currency) == money.totals(shuffled, rate, rate, currency)


@given(amounts, currencies)
def test_rounding_moves_by_at_most_half_a_unit_and_only_once(amount, currency):
    rounded = money.round_money(amount, currency)
    assert abs(rounded - amount) <= units[currency] / 2
    assert money.round_money(rounded, currency) == rounded
    assert money.round_money(-amount, currency) == -rounded


@given(amounts, st.decimals(0, 10_000, places=3), currencies)
def test_a_line_is_the_exact_product_rounded_half_away_from_zero(quantity, price, currency):
    exact = Fraction(quantity) * Fraction(price)
    scale = 10 ** money.decimals(currency)
    nearest = math.floor(abs(exact) * scale + Fraction(1, 2))
    expected = Fraction(nearest, scale) * (1 if exact >= 0 else -1)
    assert Fraction(money.line_total(quantity, price, currency)) == expected


@given(st.decimals(0, 10_000, places=2), st.decimals(0, 500, places=2), st.decimals(0, 500, places=3), currencies)
def test_a_unit_price_is_the_exact_price_rounded(minutes, rate, material, currency):
    exact = Fraction(minutes) * Fraction(rate) / 60 + Fraction(material)
    scale = 10 ** money.decimals(currency)
    assert Fraction(money.unit_price(minutes, rate, material, currency)) == Fraction(
        math.floor(exact * scale + Fraction(1, 2)), scale
    )


CLASSES = st.lists(
    st.tuples(
        st.decimals(min_value=-9999, max_value=9999, places=4),
        st.sampled_from(["standard", "reduced", "none"]),
        st.sampled_from([Decimal(20), Decimal("7.5"), Decimal(0)]),
    ),
    max_size=12,
)


@given(CLASSES, st.sampled_from(["EUR", "JPY", "KWD"]))
def test_the_printed_lines_make_the_net_and_net_and_taxes_make_the_gross(lines, currency):
    totals = money.totals_by_class(lines, Decimal(30), currency)
    assert totals.net == sum((money.round_money(amount, currency) for amount, _name, _rate in lines), Decimal(0))
    assert totals.net == sum((part.net for part in totals.parts), Decimal(0))
    assert totals.tax == sum((part.tax for part in totals.parts), Decimal(0))
    assert totals.gross == totals.net + totals.tax
    places = {"JPY": 0, "KWD": 3}.get(currency, 2)
    for part in totals.parts:
        assert part.tax == money.tax(part.net, part.rate, currency)  # rounded once a class, never a line
        assert {-part.net.as_tuple().exponent, -part.tax.as_tuple().exponent} == {places}
    assert len({(part.name, part.rate) for part in totals.parts}) == len(totals.parts)


@given(CLASSES, st.randoms())
def test_the_order_of_lines_of_several_taxes_changes_nothing(lines, random):
    mixed = random.sample(lines, len(lines))
    assert money.totals_by_class(mixed, Decimal(30), "EUR") == money.totals_by_class(lines, Decimal(30), "EUR")


@given(
    st.lists(st.decimals(min_value=-999, max_value=999, places=3), max_size=8), st.sampled_from(["EUR", "JPY", "KWD"])
)
def test_one_class_is_the_sum_without_classes(amounts, currency):
    rate = Decimal("7.5")
    by_class = money.totals_by_class([(amount, "standard", rate) for amount in amounts], Decimal(30), currency)
    plain = money.totals(amounts, rate, Decimal(30), currency)
    assert (by_class.net, by_class.tax, by_class.gross, by_class.deposit) == (
        plain.net,
        plain.tax,
        plain.gross,
        plain.deposit,
    )

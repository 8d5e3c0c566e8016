"""The decimals of every currency against the standard's own table.

ISO 4217:2015, Codes for the representation of currencies, Table A.1 (current currency and funds codes) as published by
the maintenance agency, SIX Financial Information, on 2026-01-01; carried unchanged by the Python package `iso4217`
(Hong Minhee), which is used here as the copy of that table and for nothing else.
"""

from decimal import Decimal

import pytest
from iso4217 import Currency

from shop.core.money import decimals, round_money

WITH_MINOR_UNITS = sorted({currency.code: currency.exponent for currency in Currency}.items())


@pytest.mark.parametrize("exponent", [0, 2, 3, 4])
def test_every_currency_of_the_table_has_its_minor_unit(exponent):
    codes = {code for code, digits in WITH_MINOR_UNITS if digits == exponent}
    assert codes
    assert {code for code in codes if decimals(code) != exponent} == set()


def test_the_table_knows_no_other_exponents_and_is_whole():
    assert {digits for _, digits in WITH_MINOR_UNITS} == {None, 0, 2, 3, 4}  # None: metals, funds, tests
    assert len(WITH_MINOR_UNITS) > 150


@pytest.mark.parametrize(("code", "digits"), [pair for pair in WITH_MINOR_UNITS if pair[1] not in (None, 2)])
def test_an_amount_is_printed_with_as_many_decimals_as_the_table_says(code, digits):
    assert round_money(Decimal(1234), code).as_tuple().exponent == -digits

"""Money: Decimal only, rounded in one place.

Amounts are in the currency's main unit. Rates and shares are in percent: 20 means 20 %. What is printed is rounded
first and added up afterwards, so that a client who adds up the paper finds the paper's sum.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal, localcontext

from shop.core.checked import items
from shop.core.errors import MeasurementError

LARGEST = Decimal(10) ** 12
MOST_DECIMALS = 12
# Two amounts or rates within those limits have at most 24 digits each: their product fits, nothing is lost before
# the one rounding. A context of our own, whatever the caller's thread has set.
_EXACT = Context(prec=60)

# ISO 4217, minor units: currencies that have other than 2 decimals
_CODES = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
    3: "BHD IQD JOD KWD LYD OMR TND",
    4: "CLF UYW",
}
_DECIMALS = {code: count for count, codes in _CODES.items() for code in codes.split()}


def decimals(currency: str) -> int:
    """The decimals of a currency's amounts by its ISO 4217 code: 2 for EUR, 0 for JPY, 3 for KWD."""
    letters = isinstance(currency, str) and len(currency) == 3 and currency.isascii() and currency.isalpha()
    if not letters or not currency.isupper():
        raise MeasurementError("currency must be a code of three capital letters, such as EUR")
    return _DECIMALS.get(currency, 2)


def round_money(amount: Decimal, currency: str) -> Decimal:
    """The amount with the currency's decimals, halves away from zero."""
    return _rounded("amount", _decimal("amount", amount), currency)


def line_total(quantity: Decimal, unit_price: Decimal, currency: str) -> Decimal:
    """Quantity times price a unit, rounded. The unit price may have more decimals than the currency."""
    quantity, unit_price = _decimal("quantity", quantity), _decimal("unit_price", unit_price)
    with localcontext(_EXACT):
        product = quantity * unit_price
    return _rounded("quantity times unit_price", product, currency)


def unit_price(minutes: Decimal, hourly_rate: Decimal, material: Decimal, currency: str) -> Decimal:
    """The price of one unit of work: minutes at the hourly rate, and its material; rounded."""
    minutes = _decimal("minutes", minutes, minimum=0)
    hourly_rate = _decimal("hourly_rate", hourly_rate, minimum=0)
    material = _decimal("material", material, minimum=0)
    with localcontext(_EXACT):
        price = minutes * hourly_rate / 60 + material
    return _rounded("minutes at hourly_rate", price, currency)


def tax(amount: Decimal, rate: Decimal, currency: str) -> Decimal:
    """Tax on a net amount at `rate` percent, rounded."""
    return _percent(_decimal("amount", amount), _decimal("rate", rate, minimum=0, maximum=100), currency)


def share(amount: Decimal, percent: Decimal, currency: str) -> Decimal:
    """A part of an amount in percent, rounded: the deposit on an estimate."""
    return _percent(_decimal("amount", amount), _decimal("percent", percent, minimum=0, maximum=100), currency)


@dataclass(frozen=True)
class TaxPart:
    """What one tax class takes: its name and rate in percent, the net sum under it, the tax on that; as printed."""

    name: str
    rate: Decimal
    net: Decimal
    tax: Decimal


@dataclass(frozen=True)
class Totals:
    """The foot of an estimate or a bill, each as printed: gross = net + tax, and the deposit out of gross.

    parts: the tax by class, the highest rate first; their net and tax add up to net and tax. Empty where the lines
    all stand under one rate that the caller knows.
    """

    net: Decimal
    tax: Decimal
    gross: Decimal
    deposit: Decimal
    parts: tuple[TaxPart, ...] = ()

    @property
    def rest(self) -> Decimal:
        """What remains to be paid after the deposit."""
        return self.gross - self.deposit


def totals(lines: Iterable[Decimal], tax_rate: Decimal, deposit_rate: Decimal, currency: str) -> Totals:
    """The foot under line amounts (credits are negative); rates in percent.

    Each line is rounded as it is printed before it is added; tax is taken once, on the net sum. A sum of zero or
    less takes no deposit. No lines: all zeros.
    """
    tax_rate = _decimal("tax_rate", tax_rate, minimum=0, maximum=100)
    deposit_rate = _decimal("deposit_rate", deposit_rate, minimum=0, maximum=100)
    with localcontext(_EXACT):
        printed = [
            round_money(_decimal(f"lines[{position}]", line), currency)
            for position, line in enumerate(items("lines", lines))
        ]
        net = _rounded("lines together", sum(printed, Decimal(0)), currency)
        taxed = tax(net, tax_rate, currency)
        gross = _rounded("lines with tax", net + taxed, currency)
    return Totals(net, taxed, gross, share(max(gross, Decimal(0)), deposit_rate, currency))


def totals_by_class(lines: Iterable[tuple[Decimal, str, Decimal]], deposit_rate: Decimal, currency: str) -> Totals:
    """The foot under lines of several tax classes: (amount, name of the tax, rate in percent) each.

    As in totals(); tax is taken once a class, on the net sum of its lines. Lines of equal name and rate are one class.
    """
    deposit_rate = _decimal("deposit_rate", deposit_rate, minimum=0, maximum=100)
    classes: dict[tuple[Decimal, str], list[Decimal]] = {}
    for position, (amount, name, rate) in enumerate(items("lines", lines)):
        rate = _decimal(f"rate of lines[{position}]", rate, minimum=0, maximum=100)
        classes.setdefault((rate, name), []).append(amount)
    parts = []
    for (rate, name), amounts in sorted(classes.items(), key=lambda item: (-item[0][0], item[0][1])):
        sums = totals(amounts, rate, Decimal(0), currency)
        parts.append(TaxPart(name, rate, sums.net, sums.tax))
    with localcontext(_EXACT):
        net = _rounded("lines together", sum((part.net for part in parts), Decimal(0)), currency)
        taxed = _rounded("taxes together", sum((part.tax for part in parts), Decimal(0)), currency)
        gross = _rounded("lines with tax", net + taxed, currency)
    return Totals(net, taxed, gross, share(max(gross, Decimal(0)), deposit_rate, currency), tuple(parts))


def owed(gross: Decimal, payments: Iterable[Decimal], currency: str) -> Decimal:
    """What is still to be paid: gross less payments, refunds being below zero; below zero where too much was paid.

    Nothing is rounded: an amount that the currency has no coins for is refused, so that no cent goes astray.
    """
    with localcontext(_EXACT):
        rest = exact("gross", gross, currency)
        for position, payment in enumerate(items("payments", payments)):
            rest -= exact(f"payments[{position}]", payment, currency)
    return _rounded("what is owed", rest, currency)


def exact(name: str, amount: Decimal, currency: str) -> Decimal:
    """The amount, unless it has more decimals than the currency."""
    amount = _decimal(name, amount)
    if amount != _rounded(name, amount, currency):
        places = decimals(currency)
        raise MeasurementError(f"{name} must have at most {places} decimals in {currency}, not {amount}")
    return amount


def _percent(amount: Decimal, percent: Decimal, currency: str) -> Decimal:
    with localcontext(_EXACT):
        part = amount * percent / 100
    return _rounded("amount", part, currency)


def _rounded(name: str, amount: Decimal, currency: str) -> Decimal:
    """The one place where money is rounded.

    Half up is what people do by hand and what an invoice is checked against, and it treats a credit like the bill
    it takes back. Rounding halves to even is fairer to long columns, but nobody expects 0.125 to become 0.12.
    """
    if abs(amount) > LARGEST:
        raise MeasurementError(f"{name} is too large")
    with localcontext(_EXACT):
        # + 0 because a rounded-away credit would be printed as -0.00
        return amount.quantize(Decimal(1).scaleb(-decimals(currency)), rounding=ROUND_HALF_UP) + 0


def _decimal(name: str, value: object, minimum: int | None = None, maximum: int | None = None) -> Decimal:
    """The value as a finite Decimal within the limits. Whole numbers are exact and welcome; floats are not."""
    if isinstance(value, bool) or not isinstance(value, Decimal | int):
        kind = "nothing" if value is None else type(value).__name__
        raise MeasurementError(f"{name} must be a Decimal, not {kind}")
    if isinstance(value, Decimal) and not value.is_finite():
        raise MeasurementError(f"{name} must be a finite amount, not {value}")
    found = Decimal(value)
    if found.copy_abs() > LARGEST:
        raise MeasurementError(f"{name} is too large")
    exponent = found.as_tuple().exponent
    if isinstance(exponent, int) and exponent < -MOST_DECIMALS:
        raise MeasurementError(f"{name} must have at most {MOST_DECIMALS} decimals")
    if minimum is not None and found < minimum:
        raise MeasurementError(f"{name} must be at least {minimum}, not {found}")
    if maximum is not None and found > maximum:
        raise MeasurementError(f"{name} must be at most {maximum}, not {found}")
    return found

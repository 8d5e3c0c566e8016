"""The price list: operations with their unit, minutes and material; prices from a day on; classes of tax."""

import datetime
from collections.abc import Iterable
from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.formats import number_format
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from shop.models.stages import STAGE_TITLES


class Unit(models.TextChoices):
    KEY = "key", _("key")
    SET = "set", _("set")
    HOUR = "hour", _("hour")
    METRE = "metre", _("metre")
    PIECE = "piece", _("piece")


class Proves(models.TextChoices):
    """What work may promise that the final check shows on every key, beside what that check always shows."""

    LEVEL = "level", _("level")
    DIP = "dip", _("key dip")
    DROP = "drop", _("drop test")


def proves_in_words(proves: Iterable[str]) -> str:
    """ "level, drop test"."""
    return ", ".join(str(Proves(slug).label) for slug in Proves.values if slug in proves)


class TaxClass(models.Model):
    """A tax that work may stand under instead of the workshop's usual one: a reduced rate, none."""

    name = models.CharField(_("name of the tax"), max_length=30)
    rate = models.DecimalField(
        _("tax, %"), max_digits=5, decimal_places=2, validators=[MinValueValidator(0), MaxValueValidator(100)]
    )

    class Meta:
        ordering = ["-rate", "name"]
        constraints = [models.UniqueConstraint(fields=["name", "rate"], name="tax_class_once")]

    def __str__(self):
        return f"{self.name} {plain_number(self.rate)} %"


class OperationQuerySet(models.QuerySet):
    def in_use(self):
        return self.filter(retired_at__isnull=True)

    def as_of(self, day: datetime.date) -> "list[Operation]":
        """The operations with the minutes and material price that hold on a day. Two queries. Never save these rows."""
        rows = list(self.select_related("tax").prefetch_related("prices"))
        for row in rows:
            row.minutes, row.material_price, row.since = row.price_on(day)
        return rows


class Operation(models.Model):
    """One kind of work with its price. The code is how the advice finds it; the owner edits all the rest.

    unit price = minutes x hourly rate / 60 + material, rounded to the currency (shop/core/money.py).
    minutes and material_price are those of the first day; what holds later stands in Price (see as_of()).
    """

    since: datetime.date | None = None  # set by as_of(): the day its price holds from, None from the beginning

    code = models.SlugField(_("code"), max_length=30, unique=True)
    title = models.CharField(_("work"), max_length=120)
    unit = models.CharField(_("unit"), max_length=6, choices=Unit, default=Unit.KEY)
    minutes = models.DecimalField(
        _("minutes"), max_digits=8, decimal_places=2, default=0, validators=[MinValueValidator(Decimal(0))]
    )
    material = models.CharField(_("material"), max_length=120, blank=True)
    material_price = models.DecimalField(
        _("material, price per unit"),
        max_digits=10,
        decimal_places=3,
        default=0,
        validators=[MinValueValidator(Decimal(0))],
    )
    stage = models.CharField(_("done at"), max_length=20, choices=list(STAGE_TITLES.items()), default="other")
    wait_hours = models.PositiveSmallIntegerField(_("then waits, hours"), default=0)
    cautions = models.JSONField(_("cautions"), default=list, blank=True)
    proves = models.JSONField(_("shown at the final check"), default=list, blank=True)
    tax = models.ForeignKey(
        TaxClass, verbose_name=_("tax"), null=True, blank=True, on_delete=models.PROTECT, related_name="operations"
    )
    position = models.PositiveSmallIntegerField(_("place in the list"), default=100)
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = OperationQuerySet.as_manager()

    class Meta:
        ordering = ["position", "id"]

    def __str__(self):
        return self.title

    @property
    def proves_words(self) -> str:
        """ "level, drop test"."""
        return proves_in_words(self.proves)

    def price_on(self, day: datetime.date) -> tuple[Decimal, Decimal, datetime.date | None]:
        """Minutes, material price and since when they hold, on a day. Reads prices.all()."""
        last = newest(self.prices.all(), day)
        return (
            (last.minutes, last.material_price, last.starts_on) if last else (self.minutes, self.material_price, None)
        )


class Price(models.Model):
    """What one unit takes from a day on. Those whose day has come are history and stay."""

    operation = models.ForeignKey(Operation, on_delete=models.CASCADE, related_name="prices")
    starts_on = models.DateField(_("from"))
    minutes = models.DecimalField(_("minutes"), max_digits=8, decimal_places=2)
    material_price = models.DecimalField(_("material, price per unit"), max_digits=10, decimal_places=3)

    class Meta:
        ordering = ["starts_on"]
        constraints = [models.UniqueConstraint(fields=["operation", "starts_on"], name="price_one_a_day")]

    def __str__(self):
        return f"{self.operation} from {self.starts_on}"


def newest(prices: Iterable[Price], day: datetime.date) -> Price | None:
    """The price of the rows that began last, at the latest on the day."""
    return max((row for row in prices if row.starts_on <= day), key=lambda row: row.starts_on, default=None)


def plain_number(quantity: Decimal) -> str:
    """A quantity without needless zeros: 88, 1.5, 0.25."""
    whole = quantity == quantity.to_integral_value()
    return number_format(quantity.quantize(Decimal(1)) if whole else quantity.normalize(), use_l10n=True)


def percent_in_words(rate: Decimal) -> str:
    """A rate without needless zeros: 20 %, 7.5 %."""
    return f"{number_format(rate.normalize() if rate % 1 else rate.quantize(Decimal(1)), use_l10n=True)} %"


def units_in_words(quantity: Decimal, unit: str) -> str:
    """ "88 keys", "1 set", "1.5 hours"."""
    plural = 1 if quantity == 1 else 2
    words = {
        Unit.KEY: ngettext("%(number)s key", "%(number)s keys", plural),
        Unit.SET: ngettext("%(number)s set", "%(number)s sets", plural),
        Unit.HOUR: ngettext("%(number)s hour", "%(number)s hours", plural),
        Unit.METRE: ngettext("%(number)s metre", "%(number)s metres", plural),
        Unit.PIECE: ngettext("%(number)s piece", "%(number)s pieces", plural),
    }
    return words[Unit(unit)] % {"number": plain_number(quantity)}

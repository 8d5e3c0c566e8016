"""The price list: operations with their unit, minutes and material."""

from decimal import Decimal

from django.core.validators import MinValueValidator
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


class OperationQuerySet(models.QuerySet):
    def in_use(self):
        return self.filter(retired_at__isnull=True)


class Operation(models.Model):
    """One kind of work with its price. The code is how the advice finds it; the owner edits all the rest.

    unit price = minutes x hourly rate / 60 + material, rounded to the currency (shop/core/money.py).
    """

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
    position = models.PositiveSmallIntegerField(_("place in the list"), default=100)
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = OperationQuerySet.as_manager()

    class Meta:
        ordering = ["position", "id"]

    def __str__(self):
        return self.title


def plain_number(quantity: Decimal) -> str:
    """A quantity without needless zeros: 88, 1.5, 0.25."""
    whole = quantity == quantity.to_integral_value()
    return number_format(quantity.quantize(Decimal(1)) if whole else quantity.normalize(), use_l10n=True)


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

"""Checks: one pass over the keys of a set, and the instruments they are measured with."""

import math
from collections.abc import Iterable

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _


class GaugeKind(models.TextChoices):
    CALIPER = "caliper", _("caliper")
    MICROMETER = "micrometer", _("micrometer")
    PLUG = "plug", _("plug gauge set")
    FEELER = "feeler", _("feeler gauge")
    BEVEL = "bevel", _("bevel")
    OTHER = "other", _("other")


class Gauge(models.Model):
    """A measuring instrument of the shop. resolution and error (MPE) in micrometres (mdeg for a bevel).
    sizes: the diameters of a set of plug gauges in micrometres, as far as they are written down."""

    name = models.CharField(_("name"), max_length=80)
    kind = models.CharField(_("kind"), max_length=10, choices=GaugeKind, default=GaugeKind.CALIPER)
    resolution = models.PositiveIntegerField(_("resolution"), default=10)
    error = models.PositiveIntegerField(_("maximum error"), default=30)
    repeatability = models.PositiveIntegerField(_("repeatability"), default=0)
    sizes = models.JSONField(_("diameters"), default=list, blank=True)
    checked_on = models.DateField(_("last checked"), null=True, blank=True)
    retired_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["kind", "name"]

    def __str__(self):
        return self.name

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty in mm: MPE/sqrt 3, resolution/(2 sqrt 3) and repeatability combined (JCGM 100)."""
        return math.hypot(self.systematic, self.repeatability / 1000)

    @property
    def systematic(self) -> float:
        """The part of it that repeating does not lessen, in mm."""
        return math.hypot(self.error / math.sqrt(3), self.resolution / (2 * math.sqrt(3))) / 1000


class CheckKind(models.TextChoices):
    ARRIVAL = "arrival", _("arrival check")
    STRIPPED = "stripped", _("stripped check")
    FINAL = "final", _("final check")
    VISIT = "visit", _("check at a visit")


# What a check keeps of how many keys had the grades 0 to 3.
GRADED = ("sound", "worn", "damaged", "spent")


class CheckQuerySet(models.QuerySet):
    def closed(self):
        return self.filter(closed_at__isnull=False)

    def of_kind(self, kind: str):
        return self.filter(kind=kind).order_by("-begun_at", "-id")


class Check(models.Model):
    """One pass over the keys: who, when, with what, in which air. Closed when the person says it is done.

    sound, worn, damaged, spent: how many of its keys had the grades 0 to 3 when it was closed; mean_play: their mean
    side play in um (KeyReading.tallies()), so that what looks over all sets need not go through a million readings.
    Null while it is open.
    """

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="checks")
    kind = models.CharField(_("check"), max_length=8, choices=CheckKind, default=CheckKind.ARRIVAL)
    begun_at = models.DateTimeField(_("begun"))
    begun_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(_("closed"), null=True, blank=True)
    closed_by = models.ForeignKey("shop.Person", null=True, on_delete=models.PROTECT, related_name="+")
    gauge = models.ForeignKey(Gauge, verbose_name=_("measured with"), null=True, blank=True, on_delete=models.PROTECT)
    humidity = models.DecimalField(
        _("humidity, % RH"),
        max_digits=4,
        decimal_places=1,
        null=True,
        blank=True,
        validators=[MinValueValidator(0), MaxValueValidator(95)],
    )
    temperature = models.DecimalField(
        _("temperature, °C"),
        max_digits=4,
        decimal_places=1,
        null=True,
        blank=True,
        validators=[MinValueValidator(-10), MaxValueValidator(60)],
    )
    quantities = models.JSONField(_("measured"), default=list)
    sample = models.JSONField(_("keys in the sample"), default=list, blank=True)
    sample_random = models.BooleanField(_("the sample was drawn at random"), default=False)
    note = models.TextField(_("note"), blank=True)
    drop_tested = models.BooleanField(_("drop test made on every key"), default=False)
    released_by = models.ForeignKey("shop.Person", null=True, on_delete=models.PROTECT, related_name="+")
    release_reason = models.CharField(_("released although keys fail, because"), max_length=300, blank=True)
    sound = models.PositiveSmallIntegerField(null=True, editable=False)
    worn = models.PositiveSmallIntegerField(null=True, editable=False)
    damaged = models.PositiveSmallIntegerField(null=True, editable=False)
    spent = models.PositiveSmallIntegerField(null=True, editable=False)
    mean_play = models.IntegerField(null=True, editable=False)

    objects = CheckQuerySet.as_manager()

    class Meta:
        ordering = ["begun_at", "id"]
        indexes = [
            models.Index(fields=["job", "kind"], name="check_job_kind"),
            # For what counts over all sets, in the order of the sets, which lie so in the table.
            models.Index(
                fields=["kind", "job", *GRADED], condition=models.Q(sound__isnull=False), name="check_counted"
            ),
            models.Index(fields=["kind", "mean_play"], condition=models.Q(mean_play__isnull=False), name="check_play"),
            models.Index(fields=["begun_by", "-begun_at"], name="check_begun_by"),
        ]

    def __str__(self):
        return f"{self.get_kind_display()} {self.job}"

    @property
    def is_closed(self) -> bool:
        return self.closed_at is not None

    def wanted(self, present: Iterable[int]) -> list[int]:
        """Of the keys that are here those to be read: of the sample, where there is one."""
        return [key for key in present if not self.sample or key in self.sample]

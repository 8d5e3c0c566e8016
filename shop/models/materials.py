"""Materials and their lots: what was used on which set."""

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models.functions import RowNumber
from django.utils.translation import gettext_lazy as _


class MaterialKind(models.TextChoices):
    CLOTH = "cloth", _("bushing cloth")
    GLUE = "glue", _("glue")
    PIN = "pin", _("pins")
    WOOD = "wood", _("button wood")
    BUTTON = "button", _("bought buttons")
    OTHER = "other", _("other")


class Material(models.Model):
    """Something on the shelf. thickness is in micrometres, for cloth."""

    kind = models.CharField(_("kind"), max_length=8, choices=MaterialKind, default=MaterialKind.CLOTH)
    title = models.CharField(_("material"), max_length=120)
    thickness = models.PositiveIntegerField(_("thickness"), null=True, blank=True, validators=[MinValueValidator(1)])
    note = models.CharField(
        _("note for the next technician"),
        max_length=200,
        blank=True,
        help_text=_("For a glue: how it comes out again."),
    )
    low_since = models.DateTimeField(_("running low since"), null=True, blank=True)
    retired_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["kind", "thickness", "title"]

    def __str__(self):
        return self.title


class LotQuerySet(models.QuerySet):
    def newest(self, count: int):
        """So many of each material, those received last."""
        place = models.Window(
            RowNumber(), partition_by="material", order_by=[models.F("received_on").desc(nulls_last=True), "-id"]
        )
        return self.alias(place=place).filter(place__lte=count)


class Lot(models.Model):
    """One delivery of a material. A lot found bad stays, so that every set that has it can be found."""

    material = models.ForeignKey(Material, on_delete=models.PROTECT, related_name="lots")
    code = models.CharField(_("lot"), max_length=60)
    received_on = models.DateField(_("received"), null=True, blank=True)
    bad_since = models.DateTimeField(_("found bad"), null=True, blank=True)
    bad_reason = models.CharField(_("what is wrong with it"), max_length=200, blank=True)

    objects = LotQuerySet.as_manager()

    class Meta:
        ordering = ["-received_on", "-id"]
        constraints = [models.UniqueConstraint(fields=["material", "code"], name="lot_once_a_material")]

    def __str__(self):
        return f"{self.material} · {self.code}"


class Use(models.Model):
    """A lot used on a job."""

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="uses")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="uses")
    where = models.CharField(_("where"), max_length=120, blank=True)
    amount = models.CharField(_("how much"), max_length=60, blank=True)
    at = models.DateTimeField(_("when"))
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["lot", "job"], name="use_lot_job")]

    def __str__(self):
        return f"{self.lot} on {self.job}"

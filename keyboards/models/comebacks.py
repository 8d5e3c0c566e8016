"""Comebacks: keys of a set that came back after it had gone home, and why."""

from django.db import models
from django.utils.translation import gettext_lazy as _

from shop.models import STAGE_TITLES


class Cause(models.TextChoices):
    CLOTH_LOOSE = "cloth_loose", _("cloth came loose")
    CLOTH_WORN = "cloth_worn", _("cloth worn again")
    BINDS = "binds", _("key binds")
    RATTLES = "rattles", _("key rattles")
    BUTTON_LOOSE = "button_loose", _("button came loose")
    BUTTON_CRACKED = "button_cracked", _("button cracked")
    WOOD = "wood", _("mortise wood gave way")
    PIN = "pin", _("pin loose or worn")
    LEVEL = "level", _("dip or level off")
    OTHER = "other", _("something else")


class Comeback(models.Model):
    """What came back of one set: which keys, why, which of our work is to blame, and what was done about it.

    stage is the kind of the stage whose work gave way, "" where none did (damp, misuse, a part we did not touch).
    keys lists key numbers. visit is the set's later job here, where the keys came in again.
    """

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="comebacks")
    reported_on = models.DateField(_("came back on"))
    keys = models.JSONField(_("keys"), default=list)
    cause = models.CharField(_("what is wrong"), max_length=20, choices=Cause)
    stage = models.CharField(
        _("which of our work gave way"), max_length=20, choices=list(STAGE_TITLES.items()), blank=True
    )
    lot = models.ForeignKey(
        "shop.Lot", verbose_name=_("lot"), null=True, blank=True, on_delete=models.PROTECT, related_name="comebacks"
    )
    under_guarantee = models.BooleanField(_("under guarantee"))
    done = models.TextField(_("what was done about it"), max_length=1000, blank=True)
    visit = models.ForeignKey(
        "shop.Job",
        verbose_name=_("came in again as"),
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="puts_right",
    )
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["reported_on", "id"]

    def __str__(self):
        return f"{self.get_cause_display()} on {self.job}"

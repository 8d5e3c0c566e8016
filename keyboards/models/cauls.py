"""The caul that shaped the cloth of a set's rows."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class Rail(models.TextChoices):
    BALANCE = "balance", _("Balance rail")
    FRONT = "front", _("Front rail")


class Caul(models.Model):
    """The final caul used on a rail of a set; width in micrometres. A row is only added: the newest of a rail holds."""

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="cauls")
    rail = models.CharField(max_length=7, choices=Rail)
    width = models.PositiveIntegerField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]

    def __str__(self):
        return f"{self.get_rail_display()}: {self.width / 1000:.2f} mm"

"""Tries counted where every process of the program sees them."""

from django.db import models


class Miss(models.Model):
    """How often something failed under a name, until a moment (and, of a name and a place, whether it opened the shop
    from there of late). The name is a digest: no address is kept."""

    name = models.CharField(max_length=80, primary_key=True)
    count = models.PositiveIntegerField(default=0)
    until = models.DateTimeField(db_index=True)

    class Meta:
        verbose_name_plural = "misses"

    def __str__(self):
        return f"{self.count} of {self.name}"

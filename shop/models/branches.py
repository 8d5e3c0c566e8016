"""Branches: the places a shop with several of them works at."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class Branch(models.Model):
    """One place, with the address that papers of the sets there carry."""

    name = models.CharField(_("name"), max_length=80, unique=True)
    address = models.TextField(_("address"), max_length=500, blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)

    class Meta:
        ordering = ["name"]
        verbose_name = _("branch")

    def __str__(self):
        return self.name

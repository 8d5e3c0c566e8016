"""Specifications of buttons: bought parts held against the original."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class BoughtPart(models.Model):
    """A bought button's figures for one job, in canonical integers (um, mdeg)."""

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="bought_parts")
    title = models.CharField(_("part"), max_length=80)
    length = models.PositiveIntegerField(_("length"))
    width = models.PositiveIntegerField(_("width"))
    height = models.PositiveIntegerField(_("height"))
    mortise_width = models.PositiveIntegerField(_("mortise width"), null=True, blank=True)
    mortise_length = models.PositiveIntegerField(_("mortise length"), null=True, blank=True)
    skew = models.IntegerField(_("skew"), default=0)
    offset = models.IntegerField(_("offset of the mortise from the middle"), default=0)
    wood = models.CharField(_("wood"), max_length=30, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-at", "-id"]

    def __str__(self):
        return self.title

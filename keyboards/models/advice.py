"""Assumptions behind an advice, and the decision that was taken on it."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class Assumptions(models.Model):
    """What the advice assumes. One row without a job holds the shop's defaults; a job's row holds what differs.

    values maps the name of an assumption (keyboards/core/assumptions.py) to a number; sections is a list of
    [title, first, last], empty where the sections are found from the readings.
    """

    job = models.OneToOneField("shop.Job", null=True, blank=True, on_delete=models.PROTECT, related_name="assumptions")
    values = models.JSONField(default=dict)
    sections = models.JSONField(default=list, blank=True)

    class Meta:
        verbose_name_plural = "assumptions"

    def __str__(self):
        return f"assumptions of {self.job}" if self.job_id else "assumptions of the shop"


class Decision(models.Model):
    """What the technician or owner decided: one option a section, and a sentence where it is not the advice.

    advice and chosen are kept as they stood: a list of sections, each {"title", "first", "last", "keys",
    "failing", "advised", "chosen", "costs": {...}}; basis is the check it rests on.
    """

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="decisions")
    basis = models.ForeignKey("keyboards.Check", on_delete=models.PROTECT, related_name="decisions")
    at = models.DateTimeField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    sections = models.JSONField()
    assumptions = models.JSONField()
    overruled = models.BooleanField(_("differs from the advice"), default=False)
    reason = models.CharField(_("why"), max_length=300, blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["-at", "-id"], condition=models.Q(overruled=True), name="decision_overruled")]

    def __str__(self):
        return f"decision on {self.job}"

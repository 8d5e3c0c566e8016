"""The list of findings a technician ticks. It is the shop's to edit."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class FindingGroup(models.TextChoices):
    CLOTH = "cloth", _("cloth")
    MORTISE = "mortise", _("mortise wood")
    BUTTON = "button", _("button")
    HOLE = "hole", _("balance hole")
    PIN = "pin", _("pins")
    STICK = "stick", _("stick")
    TOP = "top", _("top")
    LEAD = "lead", _("lead")


class Finding(models.Model):
    """One word of the trade's list. grade is what the finding makes of a key at severity 2 or 3 (see grading)."""

    code = models.SlugField(_("code"), max_length=40, unique=True)
    group = models.CharField(_("group"), max_length=8, choices=FindingGroup)
    title = models.CharField(_("finding"), max_length=60)
    grade = models.PositiveSmallIntegerField(
        _("makes the key"),
        choices=[(0, _("sound")), (1, _("cloth worn")), (2, _("wood damaged")), (3, _("button spent"))],
        default=1,
    )
    position = models.PositiveSmallIntegerField(default=100)
    retired_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["position", "id"]

    def __str__(self):
        return self.title

"""The compass of a set: first note, count of keys, which are missing or broken."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from keyboards.core import keys


class Compass(models.Model):
    """What keys came in. Keys are numbered from the bass, 1 upward; missing and broken are lists of numbers."""

    job = models.OneToOneField("shop.Job", on_delete=models.PROTECT, related_name="compass")
    first_midi = models.PositiveSmallIntegerField(
        _("first note"), default=21, validators=[MinValueValidator(0), MaxValueValidator(120)]
    )
    count = models.PositiveSmallIntegerField(
        _("keys"), default=88, validators=[MinValueValidator(1), MaxValueValidator(128)]
    )
    missing = models.JSONField(_("missing keys"), default=list, blank=True)
    broken = models.JSONField(_("broken keys"), default=list, blank=True)
    stamps = models.CharField(_("numbers stamped on the keys"), max_length=120, blank=True)

    def __str__(self):
        return f"{self.count} keys of {self.job}"

    @property
    def keys(self) -> keys.Compass:
        """The arithmetic of this compass: names, sharps, sections."""
        return keys.Compass(first_midi=self.first_midi, count=self.count)

    @property
    def present(self) -> list[int]:
        """Numbers of the keys that are here."""
        gone = set(self.missing)
        return [number for number in range(1, self.count + 1) if number not in gone]

"""Counts: keys and boxes counted by hand whenever a set comes in, goes out or comes back. Only ever added."""

from django.db import models
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext


class CountKind(models.TextChoices):
    IN = "in", _("counted in")
    AWAY = "away", _("counted before it went away")
    BACK = "back", _("counted when it came back")
    AGAIN = "again", _("counted again")
    OUT = "out", _("counted out")


class Count(models.Model):
    """One count: what there was against what there had to be, who counted, and where the set went or came from."""

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="counts")
    kind = models.CharField(max_length=5, choices=CountKind)
    at = models.DateTimeField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    keys = models.PositiveSmallIntegerField(_("keys"))
    boxes = models.PositiveSmallIntegerField(_("boxes"))
    keys_due = models.PositiveSmallIntegerField()
    boxes_due = models.PositiveSmallIntegerField()
    place = models.CharField(_("where to"), max_length=120, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["job", "-at"], name="count_job_at")]

    def __str__(self):
        return f"{self.get_kind_display()}: {self.keys}, {self.boxes}"

    @property
    def words(self) -> str:
        """ "87 keys, 1 box: the top key stays for a new stick"."""
        told = ngettext("%(keys)d keys, %(boxes)d box", "%(keys)d keys, %(boxes)d boxes", self.boxes)
        told %= {"keys": self.keys, "boxes": self.boxes}
        return f"{told}: {self.note}" if self.note else told

    @property
    def keys_short(self) -> int:
        return max(self.keys_due - self.keys, 0)

    @property
    def boxes_short(self) -> int:
        return max(self.boxes_due - self.boxes, 0)

"""Which keys are done at a stage, and by whom: where hands change, results change."""

from django.db import models
from django.db.models import Q


class KeyDoneQuerySet(models.QuerySet):
    def standing(self):
        """Those that were not taken back or done again since."""
        return self.filter(undone_at__isnull=True)


class KeyDone(models.Model):
    """One key that was done at one stage. Taken back or done again, the earlier row stays, with when and by whom."""

    stage = models.ForeignKey("shop.Stage", on_delete=models.PROTECT, related_name="keys_done_by")
    key = models.PositiveSmallIntegerField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey("shop.Person", null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    objects = KeyDoneQuerySet.as_manager()

    class Meta:
        ordering = ["key", "at"]
        constraints = [
            models.UniqueConstraint(
                fields=["stage", "key"], condition=Q(undone_at__isnull=True), name="key_done_standing_once"
            )
        ]

    def __str__(self):
        return f"key {self.key} at {self.stage}"

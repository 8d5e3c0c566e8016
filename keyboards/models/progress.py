"""Which keys are done at a stage, and by whom: where hands change, results change."""

from django.db import models


class KeyDone(models.Model):
    """One key that is done at one stage. Taken off again it is gone; done again it has the later hand."""

    stage = models.ForeignKey("shop.Stage", on_delete=models.PROTECT, related_name="keys_done_by")
    key = models.PositiveSmallIntegerField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["key"]
        constraints = [models.UniqueConstraint(fields=["stage", "key"], name="key_done_once_a_stage")]

    def __str__(self):
        return f"key {self.key} at {self.stage}"

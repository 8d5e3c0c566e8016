"""Secret links for calendars: who has one reads promises and pick-ups, and nothing else."""

from django.db import models


class Feed(models.Model):
    """A calendar link. Only the hash of its token is kept; withdrawn, it opens nothing."""

    title = models.CharField(max_length=60)
    token_hash = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    last_seen_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self):
        return self.title

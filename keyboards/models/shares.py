"""Secret links to the readings of a set, for the technician it goes to."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class Share(models.Model):
    """A link on which somebody outside reads one set's readings and report. Only the hash of its token is kept."""

    job = models.ForeignKey("shop.Job", on_delete=models.CASCADE, related_name="shares")
    whom = models.CharField(_("for whom"), max_length=80)
    token_hash = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    expires_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    first_seen_at = models.DateTimeField(null=True, blank=True)
    last_seen_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self):
        return self.whom

    def is_open(self, at) -> bool:
        """Whether it still opens at this moment."""
        return self.withdrawn_at is None and self.expires_at > at

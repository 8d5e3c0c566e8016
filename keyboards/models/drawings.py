"""Working drawings of a set's buttons: each one that was taken away to be cut from, as it stood."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class Drawing(models.Model):
    """One version of a job's button drawing. contents holds all of it, so that it is drawn again the same for ever.

    contents: {"keys", "follows", "mortise_length", "blank", "kerf", "button_wood", "allowed": how far off a button may
    be cut, "groups": [{"length", "width", "height", "mortise_length", "mortise_width", "skew", "offset", "keys",
    "spares"}]}, in mm and degrees. Drawings of the first two releases have no button_wood and no allowed.
    """

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="drawings")
    version = models.PositiveSmallIntegerField(_("version"))
    made_at = models.DateTimeField(_("made"))
    made_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    contents = models.JSONField()

    class Meta:
        ordering = ["-version"]
        constraints = [models.UniqueConstraint(fields=["job", "version"], name="drawing_version_once")]

    def __str__(self):
        return f"{self.job} drawing {self.version}"

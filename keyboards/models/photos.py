"""Photos of a set, of a key, of paper: re-encoded, without what the camera adds, served only through a view."""

import uuid

from django.db import models
from django.utils.translation import gettext_lazy as _


def _photo_path(photo: "Photo", filename: str) -> str:
    return f"photos/{photo.job_id}/{photo.op}.jpg"


def _small_path(photo: "Photo", filename: str) -> str:
    return f"photos/{photo.job_id}/{photo.op}-small.jpg"


class Photo(models.Model):
    """One picture: at most 1600 px for pages and paper, and a small one of 400 px for lists."""

    op = models.UUIDField(_("entry"), unique=True, default=uuid.uuid4, editable=False)
    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="photos")
    check_done = models.ForeignKey(
        "keyboards.Check", null=True, blank=True, on_delete=models.PROTECT, related_name="photos"
    )
    stage = models.ForeignKey("shop.Stage", null=True, blank=True, on_delete=models.PROTECT, related_name="photos")
    key = models.PositiveSmallIntegerField(_("key"), null=True, blank=True)
    caption = models.CharField(_("caption"), max_length=120, blank=True)
    image = models.FileField(upload_to=_photo_path)
    small = models.FileField(upload_to=_small_path)
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    digest = models.CharField(max_length=64)
    taken_at = models.DateTimeField()
    by = models.ForeignKey("shop.Person", null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["taken_at", "id"]

    def __str__(self):
        return self.caption or f"photo of {self.job}"

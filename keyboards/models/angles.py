"""Angles read from photos: the points that were tapped, as evidence beside the reading they gave."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class PhotoAngle(models.Model):
    """How one skew was read from a photo. entry is the reading it gave.

    taps is a list of [[reference, reference], [edge, edge]], each point [x, y] in px of the photo turned clockwise by
    `turn` degrees; card is {"corners", "width", "height"} in px and mm, or empty. u is the standard uncertainty in
    thousandths of a degree, click_sd what one tapped coordinate was taken to be right to, in hundredths of a px.
    """

    photo = models.ForeignKey("keyboards.Photo", on_delete=models.PROTECT, related_name="angles")
    entry = models.OneToOneField("keyboards.Entry", on_delete=models.PROTECT, related_name="photo_angle")
    taps = models.JSONField()
    card = models.JSONField(default=dict, blank=True)
    turn = models.PositiveSmallIntegerField(default=0)
    reference_is = models.CharField(
        max_length=6, choices=[("square", _("a square laid against the rail")), ("rail", _("the rail itself"))]
    )
    bass_on = models.CharField(max_length=5, choices=[("left", _("left")), ("right", _("right"))], default="left")
    click_sd = models.PositiveIntegerField()
    u = models.PositiveIntegerField()

    class Meta:
        ordering = ["id"]

    def __str__(self):
        return f"angle from {self.photo}"

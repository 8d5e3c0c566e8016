"""Instruments: the pianos that keyboards come from, found again when one comes back."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from shop.models.clients import search_key


class InstrumentKind(models.TextChoices):
    UPRIGHT = "upright", _("upright")
    GRAND = "grand", _("grand")
    SQUARE = "square", _("square piano")
    OTHER = "other", _("other keyboard")


class Keytops(models.TextChoices):
    """What the naturals are covered with. Ivory calls for a caution."""

    IVORY = "ivory", _("ivory")
    PLASTIC = "plastic", _("plastic")
    OTHER = "other", _("other")


class InstrumentQuerySet(models.QuerySet):
    def like(self, text: str):
        """Instruments whose maker, model or serial holds the text, with or without its spaces."""
        key = search_key(text)
        return self.filter(find__contains=key) if key else self.none()


class Instrument(models.Model):
    """One piano. Its keyboards, jobs and checks hang on it over the years."""

    client = models.ForeignKey("shop.Client", on_delete=models.PROTECT, related_name="instruments")
    kind = models.CharField(_("kind"), max_length=8, choices=InstrumentKind, default=InstrumentKind.UPRIGHT)
    maker = models.CharField(_("maker"), max_length=80)
    model = models.CharField(_("model"), max_length=80, blank=True)
    year = models.PositiveSmallIntegerField(
        _("year"), null=True, blank=True, validators=[MinValueValidator(1700), MaxValueValidator(2100)]
    )
    serial = models.CharField(_("serial number"), max_length=40, blank=True)
    keytops = models.CharField(_("naturals covered with"), max_length=8, choices=Keytops, blank=True)
    note = models.TextField(_("note"), max_length=2000, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    find = models.CharField(max_length=300, editable=False, db_index=True)

    objects = InstrumentQuerySet.as_manager()

    class Meta:
        ordering = ["maker", "year", "id"]

    def __str__(self):
        return " · ".join(part for part in (self.title, self.serial and _("no. %s") % self.serial) if part)

    def save(self, *args, **kwargs):
        parts = (self.maker, self.model, self.serial, str(self.year or ""))
        self.find = "|".join(search_key(part) for part in parts)[:300]
        if kwargs.get("update_fields") is not None:
            kwargs["update_fields"] = {*kwargs["update_fields"], "find"}
        super().save(*args, **kwargs)

    @property
    def title(self) -> str:
        """ "Corvane upright · 1912"."""
        name = f"{self.maker} {self.get_kind_display()}"
        return f"{name} · {self.year}" if self.year else name

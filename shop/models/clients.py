"""Clients: owners, technicians and institutions who send keyboards in."""

import unicodedata

from django.db import models
from django.utils.translation import gettext_lazy as _


def search_key(text: str) -> str:
    """Text folded for finding: no accents, lower case, letters and digits only. "K. Müller-Ost" -> "kmullerost"."""
    if text.isascii():  # most texts: nothing to take apart, and done in less time
        lower = text.lower()
        return lower if lower.isalnum() else "".join(filter(str.isalnum, lower))
    plain = unicodedata.normalize("NFKD", text)
    return "".join(char for char in plain.casefold() if char.isalnum())


class ClientKind(models.TextChoices):
    OWNER = "owner", _("piano owner")
    TECHNICIAN = "technician", _("piano technician")
    INSTITUTION = "institution", _("school, hall or other institution")


class ClientQuerySet(models.QuerySet):
    def named_like(self, text: str):
        """Clients whose name, contact, e-mail, phone or address holds the text, however it is spelt or spaced."""
        key = search_key(text)
        return self.filter(find__contains=key) if key else self.none()


class Client(models.Model):
    """Somebody a job is done for."""

    kind = models.CharField(_("kind"), max_length=12, choices=ClientKind, default=ClientKind.OWNER)
    name = models.CharField(_("name"), max_length=120)
    contact = models.CharField(_("contact person"), max_length=120, blank=True)
    email = models.EmailField(_("e-mail"), blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    address = models.TextField(_("address"), max_length=500, blank=True)
    note = models.TextField(_("note"), max_length=2000, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    erased_at = models.DateTimeField(null=True, editable=False)
    papers_until = models.DateField(
        null=True, editable=False, help_text="Of an erased client: how long bills and agreed estimates are kept."
    )
    find = models.CharField(max_length=400, editable=False, db_index=True)

    objects = ClientQuerySet.as_manager()

    class Meta:
        ordering = ["name", "id"]

    def __str__(self):
        return self.name

    def save(self, *args, **kwargs):
        # The folded text is of this row alone, so that a search needs no function in the database.
        parts = (self.name, self.contact, self.email, self.phone, self.address)
        self.find = "|".join(search_key(part) for part in parts)[:400]
        if kwargs.get("update_fields") is not None:
            kwargs["update_fields"] = {*kwargs["update_fields"], "find"}
        super().save(*args, **kwargs)

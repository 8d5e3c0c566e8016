"""The second step of signing in: an app on a phone, and codes on paper for when the phone is lost."""

from django.db import models
from django.utils.translation import gettext_lazy as _

from shop.models.people import Person


class SecondFactor(models.Model):
    """A person's secret for codes by the clock (RFC 6238). A row is there only once a code of it was typed."""

    person = models.OneToOneField(Person, on_delete=models.CASCADE, related_name="second_factor")
    key = models.CharField(max_length=64, editable=False, help_text=_("Base32, as it was typed into the app."))
    last_step = models.BigIntegerField(
        default=-1, editable=False, help_text=_("Of the last code: only later ones count.")
    )
    since = models.DateTimeField(_("since"))

    def __str__(self):
        return str(self.person)


class RecoveryCode(models.Model):
    """A code on paper, good for one signing in. Only its SHA-256 is kept: it is too long to be guessed from that."""

    factor = models.ForeignKey(SecondFactor, on_delete=models.CASCADE, related_name="codes")
    code_hash = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["factor", "code_hash"], name="recovery_code_once")]

    def __str__(self):
        return f"{self.factor}"

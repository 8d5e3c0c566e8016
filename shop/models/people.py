"""The people of the shop and the shop itself."""

from copy import copy
from decimal import Decimal

from django.contrib.auth.models import AbstractUser
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext_lazy as _

from shop.models.branches import Branch


class Role(models.TextChoices):
    """What a person does in the shop. The owner may do everything."""

    DESK = "desk", _("front desk")
    TECHNICIAN = "technician", _("technician")
    OWNER = "owner", _("owner")


class Units(models.TextChoices):
    """Lengths as a person reads and types them."""

    MM = "mm", _("millimetres")
    INCH = "in", _("inches")


class Person(AbstractUser):
    """Somebody who signs in."""

    branch = models.ForeignKey(
        "shop.Branch", verbose_name=_("branch"), null=True, blank=True, on_delete=models.PROTECT, related_name="people"
    )
    role = models.CharField(_("role"), max_length=12, choices=Role, default=Role.TECHNICIAN)
    units = models.CharField(_("lengths in"), max_length=2, choices=Units, default=Units.MM)
    left_handed = models.BooleanField(_("key pad on the left"), default=False)
    sound = models.BooleanField(_("sounds at the bench"), default=False)
    decimal_by_position = models.BooleanField(
        _("type 562 for 5.62"), default=False, help_text=_("The point is set by the program at the bench.")
    )

    quick_pin = models.CharField(max_length=128, blank=True, editable=False, help_text=_("Its hash."))
    signed_out = models.PositiveIntegerField(default=0, editable=False, help_text=_("How often everywhere at once."))

    class Meta:
        ordering = ["first_name", "last_name", "username"]

    def __str__(self):
        return self.get_full_name() or self.username

    def _get_session_auth_hash(self, secret=None):
        """What a session must carry to be this person's: of the password, and of how often all of them were ended."""
        # As Django has it while that never happened, so that nobody is signed out by an update.
        ended = f"|{self.signed_out}" if self.signed_out else ""
        salt = "django.contrib.auth.models.AbstractBaseUser.get_session_auth_hash"
        return salted_hmac(salt, self.password + ended, secret=secret, algorithm="sha256").hexdigest()

    @property
    def short_name(self) -> str:
        """ "R. Amsel": the name as it stands on sheets and reports."""
        if self.first_name and self.last_name:
            return f"{self.first_name[0]}. {self.last_name}"
        return str(self)


class Paper(models.TextChoices):
    """Sizes of paper for everything printed."""

    A4 = "A4", "A4"
    LETTER = "Letter", "Letter"


def _working_hours():
    return [6, 6, 6, 6, 4, 0, 0]


class Workshop(models.Model):
    """The shop: one row. Name and address for paper, and the terms that estimates are made with."""

    name = models.CharField(_("name"), max_length=120)
    address = models.TextField(_("address"), max_length=500, blank=True)
    email = models.EmailField(_("e-mail"), blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    currency = models.CharField(_("currency"), max_length=3, default="EUR", help_text=_("ISO 4217, such as EUR"))
    paper = models.CharField(_("paper"), max_length=6, choices=Paper, default=Paper.A4)
    hourly_rate = models.DecimalField(
        _("hourly rate"),
        max_digits=10,
        decimal_places=3,
        default=Decimal("60"),
        validators=[MinValueValidator(0)],
    )
    tax_name = models.CharField(_("name of the tax"), max_length=30, default=_("Tax"))
    tax_rate = models.DecimalField(
        _("tax, %"),
        max_digits=5,
        decimal_places=2,
        default=Decimal("20"),
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    deposit_rate = models.DecimalField(
        _("deposit, %"),
        max_digits=5,
        decimal_places=2,
        default=Decimal("30"),
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    estimate_days = models.PositiveSmallIntegerField(_("estimates are good for, days"), default=30)
    bill_days = models.PositiveSmallIntegerField(_("bills are to be paid within, days"), default=14)
    reminder_days = models.PositiveSmallIntegerField(_("remind of an estimate after, days"), default=7)
    confirm_yes = models.BooleanField(
        _("confirm a yes by letter"),
        default=True,
        help_text=_("What was agreed, the price, the deposit and the day, with the estimate as a PDF."),
    )
    trade_discount = models.DecimalField(
        _("technicians pay less, %"),
        max_digits=4,
        decimal_places=2,
        default=0,
        validators=[MinValueValidator(0)],
        help_text=_("Taken off the price list for clients who are piano technicians."),
    )
    guarantee_months = models.PositiveSmallIntegerField(_("guarantee, months"), default=60)
    terms = models.TextField(_("terms on estimates"), max_length=4000, blank=True)
    trade_terms = models.TextField(
        _("terms on estimates for technicians"), max_length=4000, blank=True, help_text=_("Empty: the usual ones.")
    )
    logo = models.FileField(_("logo"), upload_to="logo/", blank=True)
    payment = models.TextField(
        _("how to pay"),
        max_length=1000,
        blank=True,
        help_text=_("Bank and account, or how else: printed where a deposit is asked for."),
    )
    bill_terms = models.TextField(_("terms on bills"), max_length=4000, blank=True)
    receipt_terms = models.TextField(
        _("conditions on receipts"),
        max_length=4000,
        blank=True,
        default=_("No work is done before you have agreed to an estimate. Please bring this receipt when you collect."),
    )
    care = models.TextField(_("care advice on reports"), max_length=4000, blank=True)
    benches = models.PositiveSmallIntegerField(_("benches"), default=1, validators=[MinValueValidator(1)])
    hours = models.JSONField(_("bench hours, Monday to Sunday"), default=_working_hours)
    holidays = models.JSONField(_("closed on"), default=list, blank=True)
    second_factor_for_owners = models.BooleanField(default=False, editable=False)
    promise_spread = models.FloatField(_("spread of hours"), default=0.35)
    # The step of the first day that comes next; empty once it is over.
    opening = models.CharField(max_length=12, blank=True, default="", editable=False)
    promise_bias = models.FloatField(_("hours run over by"), default=0.10)

    class Meta:
        verbose_name = _("workshop")

    def __str__(self):
        return self.name

    def at(self, branch: Branch | None) -> "Workshop":
        """The shop as papers of a set at this branch name it; itself where there is none."""
        if branch is None:
            return self
        there = copy(self)
        address = branch.address or self.address
        there.address = address if branch.name in address.splitlines() else f"{branch.name}\n{address}".strip()
        there.phone = branch.phone or self.phone
        return there

    @classmethod
    def ours(cls) -> "Workshop":
        """The shop's row; made with its defaults the first time it is asked for."""
        row = cls.objects.first()
        if row is None:
            row = cls.objects.create(name=_("Our workshop"))
        return row

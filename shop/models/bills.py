"""Bills, the payments a job has had, and what is still owed."""

import datetime
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django.core.validators import MinValueValidator
from django.db import models
from django.db.models import Q
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from shop.core import money, tags
from shop.models.jobs import Job
from shop.models.prices import Unit


class PaymentKind(models.TextChoices):
    DEPOSIT = "deposit", _("deposit")
    PAYMENT = "payment", _("payment")
    REFUND = "refund", _("paid back")
    CORRECTION = "correction", _("correction")


class PaymentMethod(models.TextChoices):
    CASH = "cash", _("cash")
    TRANSFER = "transfer", _("bank transfer")
    OTHER = "other", _("otherwise")


class Payment(models.Model):
    """Money that came in for a job, or went back. Rows are only ever added; a wrong one gets a counter entry."""

    op = models.UUIDField(unique=True, help_text="Made with the page, so that a second click takes no money twice.")
    number = models.PositiveIntegerField(unique=True)
    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="payments")
    kind = models.CharField(_("what it is"), max_length=10, choices=PaymentKind, default=PaymentKind.PAYMENT)
    method = models.CharField(_("how"), max_length=10, choices=PaymentMethod, default=PaymentMethod.TRANSFER)
    amount = models.DecimalField(_("amount"), max_digits=14, decimal_places=4, help_text="Below zero: money went back.")
    currency = models.CharField(max_length=3)
    received_on = models.DateField(_("received on"))
    note = models.CharField(_("note"), max_length=200, blank=True)
    corrects = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="corrected_by"
    )
    at = models.DateTimeField()
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["received_on", "number"]
        indexes = [models.Index(fields=["job", "amount"], name="payment_job_amount")]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=("deposit", "payment"), amount__gt=0)
                | (Q(kind="refund", amount__lt=0) & ~Q(note=""))
                | (Q(kind="correction", corrects__isnull=False) & ~Q(amount=0) & ~Q(note="")),
                name="payment_amount_fits_kind",
            ),
        ]

    def __str__(self):
        return self.title

    @property
    def title(self) -> str:
        """P-0007: the number of its receipt."""
        return tags.payment_number(self.number)


class BillKind(models.TextChoices):
    BILL = "bill", _("bill")
    CREDIT = "credit", _("credit note")


class BillQuerySet(models.QuerySet):
    def issued(self):
        """What left the shop: bills and credit notes."""
        return self.filter(issued_at__isnull=False)

    def live(self):
        """Bills that count: issued and not cancelled by a credit note."""
        # "Has a number" and "is no credit note" say the same as "issued" and "is a bill" (constraints hold that), but
        # no index answers them: SQLite would take one that nearly all bills are in, which is slower than the table.
        return self.filter(number__isnull=False, credit__isnull=True).exclude(kind=BillKind.CREDIT)

    def unsettled(self):
        """Live bills that are not paid, or paid too much: the few that lists of what is owed have to read."""
        return self.live().filter(job__in=Job.objects.filter(owed__isnull=False).order_by().values("pk"))

    def with_payments(self):
        """With what a row of a list shows: two queries however many rows."""
        return self.select_related("job__client", "credit", "cancels").prefetch_related("job__payments")


class Bill(models.Model):
    """What a job costs in the end, or the credit note that takes a bill back.

    A draft has no number. Once issued the row is never changed (a trigger in the database holds that): sums, words
    and PDF stay as they went out, and a wrong bill is cancelled by a credit note.
    """

    kind = models.CharField(max_length=6, choices=BillKind, default=BillKind.BILL)
    number = models.PositiveIntegerField(null=True, blank=True, editable=False)
    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="bills")
    estimate = models.ForeignKey("shop.Estimate", null=True, blank=True, on_delete=models.PROTECT, related_name="bills")
    cancels = models.OneToOneField("self", null=True, blank=True, on_delete=models.PROTECT, related_name="credit")
    currency = models.CharField(max_length=3)
    words = models.TextField(_("words above the lines"), max_length=2000, blank=True)
    terms = models.TextField(_("terms"), max_length=4000, blank=True)
    addressee = models.TextField(blank=True)
    due_on = models.DateField(_("to be paid by"), null=True, blank=True)
    net = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    tax = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    gross = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    pdf = models.FileField(upload_to="bills/", blank=True)
    created_at = models.DateTimeField()
    created_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    issued_at = models.DateTimeField(null=True, blank=True)
    issued_by = models.ForeignKey("shop.Person", null=True, on_delete=models.PROTECT, related_name="+")
    letters: Any = models.ManyToManyField("post_office.Email", related_name="bills")

    objects = BillQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at", "-id"]
        indexes = [models.Index(fields=["-issued_at"], name="bill_issued_at")]
        constraints = [
            models.UniqueConstraint(fields=["kind", "number"], name="bill_number_once"),
            models.UniqueConstraint(fields=["job"], condition=Q(issued_at__isnull=True), name="bill_one_draft_a_job"),
            models.CheckConstraint(
                condition=Q(issued_at__isnull=True, number__isnull=True)
                | Q(issued_at__isnull=False, number__isnull=False, gross__isnull=False),
                name="bill_issued_has_number_and_sum",
            ),
            models.CheckConstraint(
                condition=Q(kind="bill", cancels__isnull=True)
                | (Q(kind="credit", cancels__isnull=False) & ~Q(words="")),
                name="bill_credit_cancels_with_reason",
            ),
        ]

    def __str__(self):
        return self.title

    def get_absolute_url(self) -> str:
        return reverse("bill_detail", args=[self.pk])

    @property
    def title(self) -> str:
        """B-0001, C-0001 for a credit note; a draft has words instead of a number."""
        if self.number is None:
            return str(_("Draft bill"))
        return tags.credit_number(self.number) if self.is_credit else tags.bill_number(self.number)

    @property
    def is_draft(self) -> bool:
        return self.issued_at is None

    @property
    def is_credit(self) -> bool:
        return self.kind == BillKind.CREDIT

    @property
    def cancelled_by(self) -> "Bill | None":
        """The credit note that took it back."""
        return getattr(self, "credit", None)

    @property
    def billed(self) -> "list[BillLine]":
        """The lines that come to something; on a draft some may stand at 0."""
        return [line for line in self.lines.all() if line.quantity]

    @property
    def totals(self) -> money.Totals:
        """Net, tax by rate and gross of the lines. Reads lines.all()."""
        return money.totals_by_class(
            [(line.total, line.tax_name, line.tax_rate) for line in self.billed], Decimal(0), self.currency
        )

    @property
    def owed(self) -> Decimal:
        """What is still to be paid on an issued bill; below zero, what was paid too much. Reads job.payments.all().

        A job has one live bill at a time, so all its payments belong to that one.
        """
        if self.is_draft or self.is_credit or self.cancelled_by is not None:
            return Decimal(0)
        return money.owed(self.gross or Decimal(0), amounts(self.job.payments.all()), self.currency)

    @property
    def too_much(self) -> Decimal:
        """What was paid beyond the bill."""
        return max(-self.owed, Decimal(0))

    def days_late(self, today: datetime.date) -> int:
        """Days since the day it was to be paid by, 0 where nothing is owed or the day has not passed."""
        return max((today - self.due_on).days, 0) if self.due_on and self.owed > 0 else 0

    @property
    def late(self) -> int:
        """Days late as of today."""
        return self.days_late(timezone.localdate())


def amounts(payments: Iterable[Payment]) -> list[Decimal]:
    return [payment.amount for payment in payments]


class BillLineKind(models.TextChoices):
    WORK = "work", _("as agreed")
    ALLOWANCE = "allowance", _("hidden damage")
    ADDED = "added", _("agreed later")
    DISCOUNT = "discount", _("discount")


class BillLine(models.Model):
    """One line of a bill. line is where it was agreed in the estimate; what was added later says who agreed, when."""

    bill = models.ForeignKey(Bill, on_delete=models.CASCADE, related_name="lines")
    line = models.ForeignKey("shop.Line", null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=10, choices=BillLineKind, default=BillLineKind.WORK)
    title = models.CharField(_("work"), max_length=160)
    section = models.CharField(_("where"), max_length=80, blank=True)
    quantity = models.DecimalField(
        _("amount"), max_digits=9, decimal_places=2, validators=[MinValueValidator(Decimal(0))]
    )
    unit = models.CharField(_("unit"), max_length=6, choices=Unit, default=Unit.KEY)
    unit_price = models.DecimalField(_("each"), max_digits=12, decimal_places=3)
    tax_name = models.CharField(max_length=30)
    tax_rate = models.DecimalField(max_digits=5, decimal_places=2)
    agreed_by = models.CharField(_("who agreed"), max_length=120, blank=True)
    agreed_on = models.DateField(_("agreed on"), null=True, blank=True)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "id"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="added") | (Q(agreed_on__isnull=False) & ~Q(agreed_by="")),
                name="bill_line_added_was_agreed",
            ),
        ]

    def __str__(self):
        return self.title

    @property
    def total(self) -> Decimal:
        return money.line_total(self.quantity, self.unit_price, self.bill.currency)

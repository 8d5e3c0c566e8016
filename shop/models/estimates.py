"""Estimates: options with their lines, the link a client reads them on, and the answer."""

import datetime
import hashlib
import secrets
from collections.abc import Collection, Iterable
from copy import copy
from dataclasses import dataclass
from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Exists, OuterRef, Q
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import number_format
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from shop.core import money, tags
from shop.models.prices import Unit, percent_in_words, proves_in_words, units_in_words


class EstimateState(models.TextChoices):
    DRAFT = "draft", _("being written")
    SENT = "sent", _("with the client")
    ACCEPTED = "accepted", _("accepted")
    DECLINED = "declined", _("declined")
    WITHDRAWN = "withdrawn", _("withdrawn")
    REPLACED = "replaced", _("replaced by a newer version")


class EstimateQuerySet(models.QuerySet):
    def latest_of(self, number: int):
        """Versions of one estimate, the newest first."""
        return self.filter(number=number).order_by("-version")

    def waiting_for_answer(self):
        return self.filter(state=EstimateState.SENT).order_by("sent_at")

    def drafts(self):
        return self.filter(state=EstimateState.DRAFT).order_by("created_at")

    def with_lines(self):
        """With all that prices and answers are read from: four queries, however many rows."""
        return self.prefetch_related("options", "lines", "answers__extras")

    def agreed_lines(self) -> "list[Line]":
        """The work the client said yes to, of the estimates of one job: the chosen option, what is common, the extras,
        and the hidden damage that the allowance has been used for.

        Without discounts, which are no work; empty where nothing is agreed.
        """
        estimate = self.filter(state=EstimateState.ACCEPTED).with_lines().prefetch_related("lines__operation").first()
        return estimate.agreed_work if estimate else []


@dataclass(frozen=True)
class PricedOption:
    """An option with everything it costs: own lines, those common to all, chosen extras, and the sums."""

    option: "Option"
    own: tuple["Line", ...]
    common: tuple["Line", ...]
    extras: tuple["Line", ...]
    totals: money.Totals

    @property
    def lines(self) -> tuple["Line", ...]:
        return (*self.own, *self.common, *self.extras)

    @property
    def taxes(self) -> tuple[money.TaxPart, ...]:
        """The taxes to print, the highest rate first; none where nothing is taxed."""
        parts = self.totals.parts
        return parts if any(part.rate for part in parts) else ()

    @property
    def saved(self) -> Decimal:
        """What trade terms take off the price list."""
        return sum((line.saved for line in self.lines), Decimal(0))


class Estimate(models.Model):
    """A priced offer for one job: up to three options, lines common to all, an allowance, terms.

    A sent version is never changed: what changes is a new version of the same number. Rates are copied from
    the workshop when the draft is made, so that an old estimate never changes when a setting does.
    """

    number = models.PositiveIntegerField(editable=False)
    version = models.PositiveSmallIntegerField(default=1, editable=False)
    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="estimates")
    state = models.CharField(max_length=10, choices=EstimateState, default=EstimateState.DRAFT)
    intro = models.TextField(_("what we found"), blank=True)
    currency = models.CharField(max_length=3)
    tax_name = models.CharField(max_length=30)
    tax_rate = models.DecimalField(max_digits=5, decimal_places=2)
    trade_discount = models.DecimalField(max_digits=4, decimal_places=2, default=0, help_text=_("Off the price list."))
    deposit_rate = models.DecimalField(
        _("deposit, %"),
        max_digits=5,
        decimal_places=2,
        validators=[MinValueValidator(Decimal(0)), MaxValueValidator(Decimal(100))],
    )
    valid_until = models.DateField(_("good until"))
    working_days = models.PositiveSmallIntegerField(_("ready, working days after the yes"), null=True, blank=True)
    days_reckoned = models.PositiveSmallIntegerField(
        null=True, blank=True, editable=False, help_text="What the queue and its buffer came to, nine times in ten."
    )
    allowance_keys = models.PositiveSmallIntegerField(
        _("allowance: up to how many keys"), default=0, validators=[MaxValueValidator(128)]
    )
    allowance_price = models.DecimalField(
        _("allowance: price a key"),
        max_digits=10,
        decimal_places=3,
        default=0,
        validators=[MinValueValidator(Decimal(0))],
    )
    terms = models.TextField(_("terms"), blank=True)
    photos = models.JSONField(
        default=list, blank=True, help_text="UUIDs of the photos that the client sees, in their order."
    )
    created_at = models.DateTimeField()
    created_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    sent_at = models.DateTimeField(null=True, blank=True)
    sent_to = models.EmailField(blank=True)
    reminded_at = models.DateTimeField(null=True, blank=True)
    sent_pdf = models.FileField(upload_to="estimates/", blank=True)
    deposit_paid_at = models.DateTimeField(_("deposit received"), null=True, blank=True)

    objects = EstimateQuerySet.as_manager()

    class Meta:
        ordering = ["-number", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["number", "version"], name="estimate_version_once"),
            models.UniqueConstraint(fields=["job"], condition=Q(state="accepted"), name="estimate_one_yes_a_job"),
            models.UniqueConstraint(fields=["job"], condition=Q(state="sent"), name="estimate_one_with_the_client"),
            models.UniqueConstraint(fields=["job"], condition=Q(state="draft"), name="estimate_one_draft_a_job"),
        ]

    def __str__(self):
        return self.title

    def get_absolute_url(self) -> str:
        return f"{reverse('estimate_detail', args=[self.number])}?version={self.version}"

    @property
    def title(self) -> str:
        return tags.estimate_number(self.number)

    @property
    def file_name(self) -> str:
        """ "E-0312-v2": what its PDF is called, without the ending."""
        return f"{self.title}-v{self.version}"

    @property
    def is_draft(self) -> bool:
        return self.state == EstimateState.DRAFT

    @property
    def days_are_sure(self) -> bool:
        """Whether the working days named are at least those that hold nine times in ten by the queue."""
        return bool(self.working_days and self.days_reckoned and self.working_days >= self.days_reckoned)

    def is_over(self, today: datetime.date) -> bool:
        """Whether the day it was good until has passed."""
        return today > self.valid_until

    def reminder_is_due(self, days: int, today: datetime.date) -> bool:
        """Whether so many days have passed without an answer since it, or a reminder, went out; not once it is over."""
        last = self.reminded_at or self.sent_at
        if self.state != EstimateState.SENT or last is None or self.is_over(today):
            return False
        return (today - timezone.localdate(last)).days >= days

    @property
    def common(self) -> list["Line"]:
        """Lines that every option has."""
        beside = (LineKind.EXTRA, LineKind.HIDDEN)
        return [line for line in self.lines.all() if line.option_id is None and line.kind not in beside]

    @property
    def extras(self) -> list["Line"]:
        """Lines the client may add to any option."""
        return [line for line in self.lines.all() if line.kind == LineKind.EXTRA]

    @property
    def hidden(self) -> list["Line"]:
        """Damage that stripping showed and that the allowance has been used for: agreed, but in no option's price."""
        return [line for line in self.lines.all() if line.kind == LineKind.HIDDEN]

    @property
    def hidden_keys(self) -> int:
        """How many keys of the allowance are used up."""
        return int(sum((line.quantity for line in self.hidden), Decimal(0)))

    @property
    def agreed_work(self) -> list["Line"]:
        """What is to be done by the client's yes, without discounts, with hidden damage. Empty without a yes."""
        agreed = self.agreed
        if agreed is None:
            return []
        return [*(line for line in agreed.lines if line.kind != LineKind.DISCOUNT), *self.hidden]

    @property
    def tax_names(self) -> str:
        """ "VAT", or "VAT, reduced VAT": what the prices with tax hold; "" where nothing is taxed."""
        names = {name: rate for name, rate in (line.tax for line in self.lines.all()) if rate}
        return ", ".join(sorted(names, key=lambda name: (-names[name], name)))

    def priced(self, option: "Option", extras: Collection["Line"] = ()) -> PricedOption:
        """What the option costs, with the extras named. Reads lines.all(): see with_lines()."""
        here = (line for line in self.lines.all() if line.option_id == option.pk and line.kind != LineKind.EXTRA)
        lines = self._shared([*here, *self.common])
        own = tuple(line for line in lines if line.option_id is not None)
        common = tuple(line for line in lines if line.option_id is None)
        chosen = {line.pk for line in extras}
        added = tuple(line for line in self.extras if line.pk in chosen)
        totals = money.totals_by_class(
            [(line.total, *line.tax) for line in (*own, *common, *added)], self.deposit_rate, self.currency
        )
        return PricedOption(option, own, common, added, totals)

    def _shared(self, lines: Iterable["Line"]) -> "list[Line]":
        """The lines of an option; a discount in percent as a copy that holds what it comes to there: the share of the
        option's work under the same tax, without extras and other discounts."""
        lines, work = list(lines), dict[tuple[str, Decimal], Decimal]()
        for line in lines:
            if line.kind != LineKind.DISCOUNT:
                work[line.tax] = work.get(line.tax, Decimal(0)) + line.total
        for place, line in enumerate(lines):
            if line.percent is not None:
                lines[place] = shared = copy(line)
                shared.base = work.get(line.tax, Decimal(0))
                shared.unit_price = -money.share(shared.base, line.percent, self.currency)
        return lines

    @property
    def offer(self) -> list[PricedOption]:
        """Every option with its price, A first, without extras."""
        return [self.priced(option) for option in self.options.all()]

    @property
    def answer(self) -> "Answer | None":
        """The client's yes or no to this version."""
        return next((row for row in self.answers.all() if row.kind != AnswerKind.QUESTION), None)

    @property
    def agreed(self) -> PricedOption | None:
        """What the client said yes to, with the extras."""
        answer = self.answer
        if answer is None or answer.option_id is None:
            return None
        option = next(row for row in self.options.all() if row.pk == answer.option_id)
        return self.priced(option, list(answer.extras.all()))

    @property
    def waits_for_deposit(self) -> bool:
        """Whether the client said yes and a deposit that was asked for has not come."""
        return self.state == EstimateState.ACCEPTED and self.deposit_rate > 0 and self.deposit_paid_at is None

    def with_tax(self, net: Decimal) -> Decimal:
        """An amount before tax, with the usual tax."""
        return money.totals([net], self.tax_rate, self.deposit_rate, self.currency).gross

    @property
    def allowance_ceiling(self) -> Decimal:
        """The most that hidden damage may add, before tax."""
        return money.line_total(Decimal(self.allowance_keys), self.allowance_price, self.currency)


class Option(models.Model):
    """One of the choices on an estimate, lettered A, B, C."""

    estimate = models.ForeignKey(Estimate, on_delete=models.CASCADE, related_name="options")
    letter = models.CharField(max_length=1)
    title = models.CharField(_("option"), max_length=80)
    subtitle = models.CharField(_("in a few words"), max_length=120, blank=True)
    points = models.TextField(_("what it means, a line each"), blank=True)
    advised = models.BooleanField(_("our advice"), default=False)

    class Meta:
        ordering = ["letter"]
        constraints = [models.UniqueConstraint(fields=["estimate", "letter"], name="option_letter_once")]

    def __str__(self):
        return f"{self.letter} {self.title}"

    @property
    def point_list(self) -> list[str]:
        """The points, one a line, without empty ones."""
        return [point.strip() for point in self.points.splitlines() if point.strip()]


class LineKind(models.TextChoices):
    WORK = "work", _("work")
    EXTRA = "extra", _("optional extra")
    DISCOUNT = "discount", _("discount")
    HIDDEN = "hidden", _("hidden damage, within the allowance")


class LineQuerySet(models.QuerySet):
    def agreed(self):
        """What clients said yes to, of any number of estimates: of each the lines of its agreed_work."""
        chosen = self.model.answer_set.through.objects.filter(line=OuterRef("pk"))
        # By the option of the line, not by the answers of the estimate: SQLite would begin with every yes there is.
        return self.filter(
            Q(kind=LineKind.WORK, option=None)
            | Q(kind=LineKind.WORK, option__answer__kind=AnswerKind.YES)
            | Q(kind=LineKind.EXTRA) & Exists(chosen)
            | Q(kind=LineKind.HIDDEN),
            estimate__state=EstimateState.ACCEPTED,
        )


class Line(models.Model):
    """One line: an operation on a section, so many units at a price. option is empty where it is common to all.

    A discount may be a percentage instead: percent is then set, and what it comes to is reckoned for each option
    (Estimate.priced), whose lines carry base, the sum that it is a share of.
    """

    base: Decimal | None = None

    estimate = models.ForeignKey(Estimate, on_delete=models.CASCADE, related_name="lines")
    option = models.ForeignKey(Option, null=True, blank=True, on_delete=models.CASCADE, related_name="lines")
    operation = models.ForeignKey("shop.Operation", null=True, blank=True, on_delete=models.PROTECT)
    kind = models.CharField(max_length=8, choices=LineKind, default=LineKind.WORK)
    title = models.CharField(_("work"), max_length=160)
    section = models.CharField(_("where"), max_length=80, blank=True)
    quantity = models.DecimalField(
        _("amount"), max_digits=9, decimal_places=2, validators=[MinValueValidator(Decimal("0.01"))]
    )
    unit = models.CharField(_("unit"), max_length=6, choices=Unit, default=Unit.KEY)
    unit_price = models.DecimalField(_("each"), max_digits=12, decimal_places=3)
    percent = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)
    list_price = models.DecimalField(_("on the price list"), max_digits=12, decimal_places=3, null=True, blank=True)
    tax_name = models.CharField(max_length=30, blank=True, help_text=_("With no rate: the tax of the estimate."))
    tax_rate = models.DecimalField(max_digits=5, decimal_places=2, null=True, blank=True)
    minutes = models.DecimalField(_("minutes each"), max_digits=8, decimal_places=2, default=0)
    stage = models.CharField(max_length=20, blank=True)
    proves = models.JSONField(default=list, blank=True)
    position = models.PositiveSmallIntegerField(default=0)

    objects = LineQuerySet.as_manager()

    class Meta:
        ordering = ["position", "id"]
        indexes = [
            models.Index(fields=["stage", "estimate", "unit", "kind", "option", "quantity"], name="line_of_a_stage")
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(percent__isnull=True) | Q(kind="discount", percent__gt=0, percent__lte=100),
                name="line_percent_is_a_discount",
            ),
        ]

    def __str__(self):
        return self.title

    @property
    def total(self) -> Decimal:
        return money.line_total(self.quantity, self.unit_price, self.estimate.currency)

    @property
    def amount(self) -> str:
        """ "88 keys", "1 set"; of a discount in percent "10 % of 747.80"."""
        if self.base is None or self.percent is None:
            return units_in_words(self.quantity, self.unit)
        words = {
            "percent": percent_in_words(self.percent),
            "sum": number_format(money.round_money(self.base, self.estimate.currency), force_grouping=True),
            "tax": " ".join((self.tax[0], percent_in_words(self.tax[1]))),
        }
        if len({line.tax for line in self.estimate.lines.all()}) > 1:
            return gettext("%(percent)s of %(sum)s, the work under %(tax)s") % words
        return gettext("%(percent)s of %(sum)s") % words

    @property
    def proves_words(self) -> str:
        """ "level, drop test": what it promises of the final check, "" where nothing."""
        return proves_in_words(self.proves)

    @property
    def tax(self) -> tuple[str, Decimal]:
        """Name and rate of the tax it stands under: its own class, or the estimate's usual one."""
        if self.tax_rate is None:
            return self.estimate.tax_name, self.estimate.tax_rate
        return self.tax_name, self.tax_rate

    @property
    def gross(self) -> Decimal:
        """With tax, were it alone."""
        return money.totals([self.total], self.tax[1], Decimal(0), self.estimate.currency).gross

    @property
    def saved(self) -> Decimal:
        """What trade terms take off it."""
        if self.list_price is None:
            return Decimal(0)
        return money.line_total(self.quantity, self.list_price, self.estimate.currency) - self.total


def token_hash(token: str) -> str:
    """What is kept of a link's token: its SHA-256, so that a copy of the database opens no link."""
    return hashlib.sha256(token.encode()).hexdigest()


class Link(models.Model):
    """A link on which a client reads one version of an estimate. Only the hash of its token is kept."""

    estimate = models.ForeignKey(Estimate, on_delete=models.CASCADE, related_name="links")
    letter = models.ForeignKey(
        "post_office.Email", null=True, blank=True, on_delete=models.SET_NULL, related_name="links"
    )
    token_hash = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    first_seen_at = models.DateTimeField(null=True, blank=True)
    last_seen_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-created_at"]

    def __str__(self):
        return f"link to {self.estimate}"

    @staticmethod
    def new_token() -> str:
        """256 bits from the system's source of randomness."""
        return secrets.token_urlsafe(32)


class AnswerKind(models.TextChoices):
    YES = "yes", _("yes")
    NO = "no", _("no")
    QUESTION = "question", _("question")


class Answer(models.Model):
    """What the client said to an estimate. At most one yes or no a version; questions as many as they like."""

    estimate = models.ForeignKey(Estimate, on_delete=models.PROTECT, related_name="answers")
    kind = models.CharField(max_length=8, choices=AnswerKind)
    option = models.ForeignKey(Option, null=True, blank=True, on_delete=models.PROTECT)
    extras = models.ManyToManyField(Line, blank=True)
    name = models.CharField(_("your name"), max_length=120)
    text = models.TextField(_("your words"), blank=True)
    at = models.DateTimeField()
    taken_by = models.ForeignKey(
        "shop.Person",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="+",
        help_text=_("Who took it by phone or at the counter; empty where it came through the link."),
    )
    letter = models.ForeignKey(
        "post_office.Email",
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="answers",
        help_text=_("What went to the client about it: a yes confirmed, a question answered."),
    )
    reply = models.TextField(_("our answer"), blank=True)
    replied_at = models.DateTimeField(null=True, blank=True)
    replied_by = models.ForeignKey("shop.Person", null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["kind", "at"], name="answer_kind_at")]
        constraints = [
            models.UniqueConstraint(
                fields=["estimate"], condition=Q(kind__in=("yes", "no")), name="answer_once_a_version"
            ),
            models.CheckConstraint(
                condition=~Q(kind="yes") | Q(option__isnull=False), name="answer_yes_names_an_option"
            ),
        ]

    def __str__(self):
        return f"{self.kind} by {self.name}"

"""Payments, the draft of a bill, what is done with an issued one, and the period of the bookkeeper's files."""

import datetime
import uuid
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from shop.core import money
from shop.core.errors import MeasurementError
from shop.forms.jobs import DayInput
from shop.forms.numbers import PlainDecimalField
from shop.models import Bill, BillLine, BillLineKind, PaymentKind, PaymentMethod, Unit
from shop.workflow.bills import MOST_MONEY, MOST_UNITS, Added, most

_FIRST_DAY = datetime.date(1990, 1, 1)


class _Words(forms.Textarea):
    def __init__(self, rows: int = 3):
        super().__init__(attrs={"rows": rows})


def _day(day: datetime.date) -> datetime.date:
    """A day on which something has happened already."""
    if day > timezone.localdate():
        raise ValidationError(_now("This day is still to come."))
    if day < _FIRST_DAY:
        raise ValidationError(_now("This day is too long ago."))
    return day


def _whole_keys(keys: Decimal) -> None:
    if keys != keys.to_integral_value():
        raise ValidationError(_now("Hidden damage is billed in whole keys."))


def _amount(amount: Decimal, currency: str) -> Decimal:
    try:
        return money.exact("amount", amount, currency)
    except MeasurementError:
        places = money.decimals(currency)
        if not places:
            raise ValidationError(_now("%(currency)s has no decimals.") % {"currency": currency}) from None
        raise ValidationError(
            _now("An amount in %(currency)s has at most %(places)d decimals.")
            % {"currency": currency, "places": places}
        ) from None


class PaymentForm(forms.Form):
    """Money that came in, or went back. op is made with the page, so that a second click takes nothing twice."""

    op = forms.UUIDField(widget=forms.HiddenInput)
    kind = forms.ChoiceField(label=_("What it is"), widget=forms.RadioSelect)
    amount = PlainDecimalField(
        label=_("Amount"),
        min_value=Decimal("0.0001"),
        max_value=MOST_MONEY,
        max_digits=14,
        error_messages={"min_value": _("Enter an amount above zero. Money that goes back is “paid back”.")},
    )
    method = forms.ChoiceField(label=_("How"), choices=PaymentMethod.choices)
    received_on = forms.DateField(label=_("Day"), widget=DayInput)
    note = forms.CharField(label=_("Note"), max_length=200, required=False)
    sure = forms.CharField(required=False, max_length=40, widget=forms.HiddenInput)

    def __init__(self, *args: Any, currency: str, kinds: list[str], owed: Decimal | None = None, **kwargs: Any) -> None:
        """owed: what is still to be paid by the bill; a payment above it is asked about once."""
        super().__init__(*args, **kwargs)
        self._currency, self._owed = currency, owed
        self.fields["kind"].choices = [(kind, PaymentKind(kind).label) for kind in kinds]  # type: ignore[attr-defined]
        if not self.is_bound:
            self.initial = {
                "op": uuid.uuid4(),
                "received_on": timezone.localdate(),
                "kind": kinds[0],
                "method": PaymentMethod.TRANSFER,
                **self.initial,
            }

    def clean_amount(self):
        """An amount that there are coins for."""
        return _amount(self.cleaned_data["amount"], self._currency)

    def clean_received_on(self):
        """Money that has come."""
        return _day(self.cleaned_data["received_on"])

    def clean(self):
        """Money that goes back says why."""
        data = super().clean() or {}
        if data.get("kind") == PaymentKind.REFUND and not data.get("note") and "note" not in self.errors:
            self.add_error("note", _("Say why the money goes back."))
        amount = data.get("amount")
        above = self._owed is not None and data.get("kind") == PaymentKind.PAYMENT and amount and amount - self._owed
        if above and above > 0 and not self.errors and data["sure"] != str(amount):
            words = {"sum": money.round_money(above, self._currency), "currency": self._currency}
            text = _now("That is %(sum)s %(currency)s more than is still to be paid. Send it once more to keep it.")
            self.add_error("amount", text % words)
            self.data = {**dict(self.data.items()), "sure": str(amount)}
        return data


class CorrectForm(forms.Form):
    """Why a payment is taken back."""

    reason = forms.CharField(label=_("What was wrong"), max_length=200)


class DraftForm(forms.Form):
    """The draft of a bill: words above, how much of each line is billed, terms below."""

    words = forms.CharField(label=_("Words above the lines"), max_length=2000, required=False, widget=_Words())
    terms = forms.CharField(label=_("Terms"), max_length=4000, required=False, widget=_Words())

    def __init__(self, data: Mapping[str, Any] | None = None, *, bill: Bill) -> None:
        super().__init__(data, initial={"words": bill.words, "terms": bill.terms})
        self.lines = list(bill.lines.all())
        for line in self.lines:
            if line.kind == BillLineKind.DISCOUNT and line.line_id:
                continue
            self.fields[f"q{line.pk}"] = PlainDecimalField(
                label=_now("Amount: %(line)s") % {"line": line.title},
                min_value=Decimal(0),
                max_value=most(line),
                max_digits=9,
                decimal_places=2,
                validators=[_whole_keys] if line.kind == BillLineKind.ALLOWANCE else [],
                initial=line.quantity,
                error_messages={
                    "max_value": _now("At most %(limit_value)s was agreed. More needs a new yes: add a line for it."),
                    "required": _now("Enter a number; 0 bills nothing."),
                },
            )

    @property
    def rows(self) -> list[tuple[BillLine, forms.BoundField | None]]:
        """Each line with its field; none where it stays as it was agreed."""
        return [(line, self[f"q{line.pk}"] if f"q{line.pk}" in self.fields else None) for line in self.lines]

    @property
    def quantities(self) -> dict[int, Decimal]:
        """How much of each line is billed, by its primary key."""
        return {line.pk: self.cleaned_data[f"q{line.pk}"] for line in self.lines if f"q{line.pk}" in self.cleaned_data}


class AddLineForm(forms.Form):
    """A line that is not in the estimate: work that somebody agreed to, or a discount."""

    title = forms.CharField(label=_("What it is"), max_length=160)
    section = forms.CharField(label=_("Where"), max_length=80, required=False)
    quantity = PlainDecimalField(
        label=_("Amount"),
        min_value=Decimal("0.01"),
        max_value=MOST_UNITS,
        max_digits=9,
        decimal_places=2,
        initial=Decimal(1),
    )
    unit = forms.ChoiceField(label=_("Unit"), choices=Unit.choices, initial=Unit.PIECE)
    unit_price = PlainDecimalField(
        label=_("Each, before tax"),
        min_value=Decimal("0.001"),
        max_value=MOST_MONEY / 10,
        max_digits=12,
        decimal_places=3,
    )
    discount = forms.BooleanField(label=_("It is a discount: taken off"), required=False)
    agreed_by = forms.CharField(label=_("Who agreed"), max_length=120, required=False)
    agreed_on = forms.DateField(label=_("Agreed on"), required=False, widget=DayInput)

    @classmethod
    def filled_in(cls, data: Mapping[str, Any]) -> bool:
        """Whether something stands in it, whatever button was pressed: it is kept too."""
        names = ("title", "section", "unit_price", "discount", "agreed_by", "agreed_on")
        return any(str(data.get(name, "")).strip() for name in names)

    def clean_agreed_on(self):
        """A yes that was given."""
        day = self.cleaned_data["agreed_on"]
        return _day(day) if day else None

    def clean(self):
        """Work needs a yes; a discount needs none."""
        data = super().clean() or {}
        if not data.get("discount"):
            if not data.get("agreed_by") and "agreed_by" not in self.errors:
                self.add_error("agreed_by", _("Write down who agreed to this work."))
            if not data.get("agreed_on") and "agreed_on" not in self.errors:
                self.add_error("agreed_on", _("Write down when they agreed."))
        return data

    @property
    def added(self) -> Added:
        """The line to be."""
        return Added(**self.cleaned_data)


class CancelForm(forms.Form):
    """Why a bill is taken back; it stands on the credit note."""

    reason = forms.CharField(label=_("Why it is cancelled"), max_length=500)


class SendForm(forms.Form):
    """To whom an issued bill goes, with which words."""

    to = forms.EmailField(label=_("E-mail address"))
    message = forms.CharField(label=_("Your words"), max_length=4000, required=False, widget=_Words(5))


class PeriodForm(forms.Form):
    """From one day to another, both counted."""

    start = forms.DateField(label=_("From"), widget=DayInput)
    end = forms.DateField(label=_("To"), widget=DayInput)

    def clean(self):
        """The days in their order, within what a calendar holds."""
        data = super().clean() or {}
        start, end = data.get("start"), data.get("end")
        if start and end and start > end:
            self.add_error("end", _("This day comes before the first one."))
        for name, day in (("start", start), ("end", end)):
            if day and not _FIRST_DAY <= day <= datetime.date(9990, 1, 1):
                self.add_error(name, _("This day is too far away."))
        return data

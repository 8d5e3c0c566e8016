"""Writing an estimate: the draft's page as one form, a free draft, sending, withdrawing."""

import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from shop.core.errors import MeasurementError
from shop.forms.jobs import DayInput
from shop.forms.numbers import PlainDecimalField, PriceOrShareField, Share
from shop.models import Estimate, Line, LineKind, Operation, Option, TaxClass
from shop.workflow.estimates import MOST_EACH, MOST_UNITS, DraftLine

MOST_PHOTOS = 12
COMMON, EXTRA = "common", "extra"


class _Words(forms.Textarea):
    def __init__(self, rows: int = 4):
        super().__init__(attrs={"rows": rows})


class EstimateForm(forms.ModelForm):
    """What the whole version says: findings, day, promise, deposit, allowance, terms."""

    deposit_rate = PlainDecimalField(label=_("Deposit"), min_value=0, max_value=100, max_digits=5, decimal_places=2)
    allowance_price = PlainDecimalField(
        label=_("Allowance: price a key"), min_value=0, max_value=Decimal(10**7), max_digits=10, decimal_places=3
    )
    intro = forms.CharField(label=_("What we found, in plain words"), max_length=4000, required=False, widget=_Words(5))
    terms = forms.CharField(label=_("Terms"), max_length=8000, required=False, widget=_Words(5))

    class Meta:
        model = Estimate
        fields = [
            "intro",
            "allowance_keys",
            "allowance_price",
            "valid_until",
            "working_days",
            "deposit_rate",
            "terms",
        ]
        widgets = {"valid_until": DayInput}

    def clean_valid_until(self):
        """An estimate that is over on the day it is written helps nobody."""
        day = self.cleaned_data["valid_until"]
        if day < timezone.localdate():
            raise ValidationError(_("This day has passed."))
        if day.year > timezone.localdate().year + 5:
            raise ValidationError(_("This day is more than five years away."))
        return day

    def clean_working_days(self):
        """A number of days that a calendar can hold."""
        days = self.cleaned_data["working_days"]
        if days is not None and not 1 <= days <= 1000:
            raise ValidationError(_("Enter 1 to 1000 working days, or leave it empty."))
        return days


class OptionForm(forms.ModelForm):
    """One option's words."""

    points = forms.CharField(label=_("What it means, a line each"), max_length=1000, required=False, widget=_Words(3))

    class Meta:
        model = Option
        fields = ["title", "subtitle", "points"]


class LineForm(forms.ModelForm):
    """One line. A discount is typed as what is taken off, a sum or "10 %"; place says which option it belongs to."""

    quantity = PlainDecimalField(
        label=_("Amount"), min_value=Decimal("0.01"), max_value=MOST_UNITS, max_digits=9, decimal_places=2
    )
    unit_price = PlainDecimalField(label=_("Each"), min_value=0, max_value=MOST_EACH, max_digits=12, decimal_places=3)
    place = forms.ChoiceField(label=_("In"))

    class Meta:
        model = Line
        fields = ["title", "section", "quantity", "unit_price"]

    def __init__(self, *args: Any, places: list[tuple[str, str]], taxes: Mapping[str, TaxClass], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._taxes = dict(taxes)
        if taxes:
            kept = ""
            if self.instance.tax_rate is not None:
                own = TaxClass(name=self.instance.tax_name, rate=self.instance.tax_rate)
                kept = next((key for key, tax in taxes.items() if str(tax) == str(own)), "own")
                self._taxes.setdefault(kept, own)  # a class that is off the list by now stays with its line
            self.fields["tax"] = _tax_field(self._taxes)
            self.initial["tax"] = kept
        choices = places
        if self.instance.kind == LineKind.DISCOUNT:
            choices = [choice for choice in places if choice[0] != EXTRA]
            self.fields["unit_price"] = _price_or_share(label=_("Each"))
            percent = self.instance.percent
            self.initial["unit_price"] = -self.instance.unit_price if percent is None else Share(percent)
        self.fields["place"].choices = choices  # type: ignore[attr-defined]
        self.initial["place"] = _place(self.instance)
        what = str(self.instance.title)
        for name, form_field in self.fields.items():
            form_field.widget.attrs["aria-label"] = f"{form_field.label}: {what}" if name != "title" else _now("Work")

    def clean_unit_price(self) -> Decimal:
        """A percentage is kept as such."""
        typed = self.cleaned_data["unit_price"]
        self.instance.percent = typed.percent if isinstance(typed, Share) else None
        return Decimal(0) if isinstance(typed, Share) else typed

    def _post_clean(self):
        # The instance takes what was typed, so that sums can be reckoned before anything is kept.
        super()._post_clean()  # type: ignore[misc]
        if "unit_price" in self.changed_data:
            self.instance.list_price = None  # a price typed by hand is no share of the list's
        if "unit_price" in self.cleaned_data and self.instance.kind == LineKind.DISCOUNT:
            self.instance.unit_price = -self.cleaned_data["unit_price"]
            if self.instance.percent is not None:
                self.instance.quantity = Decimal(1)
        if "tax" in self.cleaned_data:
            tax = self._taxes.get(self.cleaned_data["tax"])
            self.instance.tax_name, self.instance.tax_rate = (tax.name, tax.rate) if tax else ("", None)
        place = self.cleaned_data.get("place")
        if place is None:
            return
        self.instance.option_id = None if place in (COMMON, EXTRA) else int(place)
        if self.instance.kind != LineKind.DISCOUNT:
            self.instance.kind = LineKind.EXTRA if place == EXTRA else LineKind.WORK

    @property
    def totals(self) -> list[Decimal]:
        """What the line comes to; a discount in percent in each option that has it."""
        line = self.instance
        if line.percent is None:
            return [line.total]
        return [one.total for priced in line.estimate.offer for one in priced.lines if one.pk == line.pk]

    @property
    def values(self) -> dict[str, Any]:
        """What is to be kept of the line."""
        row = self.instance
        names = (
            "title",
            "section",
            "quantity",
            "unit_price",
            "percent",
            "list_price",
            "tax_name",
            "tax_rate",
            "option_id",
            "kind",
        )
        return {name: getattr(row, name) for name in names}


def _price_or_share(**kwargs: Any) -> PriceOrShareField:
    return PriceOrShareField(min_value=0, max_value=MOST_EACH, max_digits=12, decimal_places=3, **kwargs)


def _tax_field(taxes: Mapping[str, TaxClass]) -> forms.ChoiceField:
    choices = [("", _("the usual one")), *((key, str(tax)) for key, tax in taxes.items())]
    return forms.ChoiceField(label=_("Tax"), choices=choices, required=False)


def _place(line: Line) -> str:
    if line.kind == LineKind.EXTRA:
        return EXTRA
    return str(line.option_id) if line.option_id else COMMON


class AddLineForm(forms.Form):
    """A line to add: an operation of the price list, or free work with words and a price."""

    operation = forms.ChoiceField(label=_("From the price list"), required=False)
    title = forms.CharField(label=_("In other words"), max_length=160, required=False)
    section = forms.CharField(label=_("Where"), max_length=80, required=False)
    quantity = PlainDecimalField(
        label=_("Amount"),
        min_value=Decimal("0.01"),
        max_value=MOST_UNITS,
        max_digits=9,
        decimal_places=2,
        initial=Decimal(1),
    )
    unit_price = _price_or_share(
        label=_("Each"), required=False, help_text=_("Empty: the price list's. A discount may be a share: 10 %.")
    )
    discount = forms.BooleanField(
        label=_("It is a discount: taken off"),
        required=False,
        help_text=_("A share is taken off the work under the same tax, without extras."),
    )

    def __init__(self, *args: Any, operations: list[Operation], taxes: Mapping[str, TaxClass], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._taxes = taxes
        if taxes:
            self.fields["tax"] = _tax_field(taxes)
            self.fields["tax"].help_text = _("For free text and discounts; work of the list has its own.")
        self._operations = {str(operation.pk): operation for operation in operations}
        self.fields["operation"].choices = [  # type: ignore[attr-defined]
            ("", _("free text or discount")),
            *((key, operation.title) for key, operation in self._operations.items()),
        ]

    def clean(self):
        """Free work and discounts need words and a price."""
        data = super().clean() or {}
        if not data.get("operation") or data.get("discount"):
            if not data.get("title") and "title" not in self.errors:
                self.add_error("title", _("Say what it is."))
            if data.get("unit_price") is None and "unit_price" not in self.errors:
                self.add_error("unit_price", _("Enter a price."))
        if isinstance(data.get("unit_price"), Share) and not data.get("discount"):
            self.add_error("unit_price", _("Only a discount is a percentage: tick that it is one."))
        return data

    def draft(self, kind: str) -> DraftLine:
        """The line to be."""
        data = self.cleaned_data
        discount, price = data["discount"], data["unit_price"]
        share = price.percent if isinstance(price, Share) else None
        operation = None if discount else self._operations.get(data["operation"])
        return DraftLine(
            code=operation.code if operation else "",
            quantity=data["quantity"] if share is None else Decimal(1),
            section=data["section"],
            title=data["title"] or None,
            unit_price=price if share is None else None,
            percent=share,
            kind=LineKind.DISCOUNT if discount else kind,
            tax=self._taxes.get(data.get("tax", "")),
        )


def _wants_to_add(data: Mapping[str, Any], key: str) -> bool:
    names = ("operation", "title", "section", "unit_price", "discount")
    return any(str(data.get(f"n{key}-{name}", "")).strip() for name in names)


@dataclass
class Group:
    """One table of the draft's page: an option, what is in every option, or the extras."""

    key: str
    option: Option | None
    form: OptionForm | None
    lines: list[LineForm] = field(default_factory=list)
    add: AddLineForm | None = None


class DraftForms:
    """The draft's page: the version, its options, its lines, and what may be added, typed into one form.

    estimate is read with its lines. After is_valid() its rows hold what was typed, unsaved: the sums can be shown.
    """

    def __init__(self, estimate: Estimate, data: Mapping[str, Any] | None = None) -> None:
        self.estimate = estimate
        self._data = data
        self.operations = list(Operation.objects.in_use())
        self.taxes = {str(tax.pk): tax for tax in TaxClass.objects.all()}
        options = list(estimate.options.all())
        places = [
            *((str(option.pk), _now("option %(letter)s") % {"letter": option.letter}) for option in options),
            (COMMON, _now("every option")),
            (EXTRA, _now("extras")),
        ]
        self.fields = EstimateForm(data, instance=estimate, prefix="e")
        self.groups = [
            Group(str(option.pk), option, OptionForm(data, instance=option, prefix=f"o{option.pk}"))
            for option in options
        ]
        self.groups += [Group(COMMON, None, None), Group(EXTRA, None, None)]
        by_key = {group.key: group for group in self.groups}
        for line in estimate.lines.all():
            by_key[_place(line)].lines.append(
                LineForm(data, instance=line, prefix=f"l{line.pk}", places=places, taxes=self.taxes)
            )
        for group in self.groups:
            # A row to add is read where its button was pressed or something stands in it: what was typed is kept by
            # whatever button. The others stay as they were opened.
            group.add = AddLineForm(
                data if data and (data.get("add") == group.key or _wants_to_add(data, group.key)) else None,
                prefix=f"n{group.key}",
                operations=self.operations,
                taxes=self.taxes,
            )
        self.advised = str(data.get("advised", "")) if data else next((str(o.pk) for o in options if o.advised), "")
        self.photos = self._photos(data)
        self.trouble = ""

    def _photos(self, data: Mapping[str, Any] | None) -> list[str]:
        if data is None:
            return [str(photo) for photo in self.estimate.photos]
        typed = data.getlist("photos")[:MOST_PHOTOS] if hasattr(data, "getlist") else []
        kept = []
        for text in typed:
            try:
                kept.append(str(uuid.UUID(str(text))))
            except ValueError:
                continue  # no box on the page has such a value
        return kept

    def _forms(self) -> Iterator[forms.BaseForm]:
        yield self.fields
        for group in self.groups:
            if group.form is not None:
                yield group.form
            yield from group.lines

    @property
    def adding(self) -> list[tuple[Group, AddLineForm]]:
        """The rows to add that were filled in, each with its table."""
        return [(group, group.add) for group in self.groups if group.add is not None and group.add.is_bound]

    def is_valid(self) -> bool:
        """Whether all that stands on the page can be kept; the rows to add are judged by themselves."""
        # Each form is asked, also after one that is not valid: every row takes what was typed, every field its error.
        good = [form.is_valid() for form in self._forms()].count(False) == 0
        try:
            for priced in self.estimate.offer:
                self.estimate.priced(priced.option, self.estimate.extras)
            _ = self.estimate.with_tax(self.estimate.allowance_ceiling)
        except MeasurementError:
            self.trouble = _now("These amounts are too large to add up.")
            return False
        return good

    @property
    def has_errors(self) -> bool:
        """Whether a field needs a look."""
        return any(form.errors for form in (*self._forms(), *(form for _group, form in self.adding)))

    @property
    def values(self) -> dict[str, Any]:
        """Fields of the version."""
        return {**self.fields.cleaned_data, "photos": self.photos}

    @property
    def options(self) -> dict[int, dict[str, Any]]:
        """Fields of each option by its primary key."""
        return {
            group.option.pk: {**group.form.cleaned_data, "advised": str(group.option.pk) == self.advised}
            for group in self.groups
            if group.option is not None and group.form is not None
        }

    @property
    def lines(self) -> dict[int, dict[str, Any]]:
        """Fields of each line by its primary key."""
        return {form.instance.pk: form.values for group in self.groups for form in group.lines}


class FreeDraftForm(forms.Form):
    """An estimate without an advice: one option, so much of each operation."""

    title = forms.CharField(label=_("What it is called"), max_length=80, initial=_("Work as agreed"))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.operations = list(Operation.objects.in_use())
        for operation in self.operations:
            self.fields[f"q{operation.pk}"] = PlainDecimalField(
                label=operation.title,
                required=False,
                min_value=Decimal("0.01"),
                max_value=MOST_UNITS,
                max_digits=9,
                decimal_places=2,
            )

    @property
    def rows(self) -> list[tuple[Operation, forms.BoundField]]:
        """Each operation with its field."""
        return [(operation, self[f"q{operation.pk}"]) for operation in self.operations]

    @property
    def lines(self) -> tuple[DraftLine, ...]:
        """The lines to be, in the order of the price list."""
        return tuple(
            DraftLine(code=operation.code, quantity=quantity)
            for operation in self.operations
            if (quantity := self.cleaned_data.get(f"q{operation.pk}")) is not None
        )

    def clean(self):
        """At least one amount."""
        data = super().clean() or {}
        if not self.errors and not any(name.startswith("q") and value for name, value in data.items()):
            raise ValidationError(_("Enter an amount for at least one kind of work."))
        return data


class SendForm(forms.Form):
    """To whom, with which words."""

    how = forms.ChoiceField(
        label=_("How it reaches the client"),
        choices=[
            ("letter", _("by e-mail, with the PDF and a link to answer")),
            ("paper", _("on paper: I print it; the answer is taken down here")),
        ],
        widget=forms.RadioSelect,
        initial="letter",
    )
    to = forms.EmailField(label=_("E-mail address"), required=False)
    message = forms.CharField(
        label=_("Your words"),
        max_length=4000,
        required=False,
        widget=_Words(6),
        help_text=_("The link, the last day and the shop's name are added under them."),
    )

    def clean(self):
        """A letter needs an address."""
        data = super().clean() or {}
        if data.get("how") == "letter" and not data.get("to") and "to" not in self.errors:
            self.add_error("to", _("Enter the address the letter goes to."))
        return data


class ResendForm(forms.Form):
    """A new letter with a new link."""

    to = forms.EmailField(label=_("E-mail address"))
    message = forms.CharField(label=_("Your words"), max_length=4000, required=False, widget=_Words(6))


class WithdrawForm(forms.Form):
    """Why an estimate is taken back."""

    reason = forms.CharField(label=_("Why it is withdrawn"), max_length=200)


class TakenAnswerForm(forms.Form):
    """An answer given by phone or at the counter."""

    said = forms.ChoiceField(label=_("The client says"), widget=forms.RadioSelect)
    extras = forms.TypedMultipleChoiceField(
        label=_("with these extras"), coerce=int, required=False, widget=forms.CheckboxSelectMultiple
    )
    name = forms.CharField(label=_("Who said it"), max_length=120)
    text = forms.CharField(label=_("In their words"), max_length=2000, required=False, widget=_Words(2))

    def __init__(self, *args: Any, estimate: Estimate, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        yes = [(option.letter, _now("yes to %(option)s") % {"option": option}) for option in estimate.options.all()]
        self.fields["said"].choices = [  # type: ignore[attr-defined]
            *yes,
            ("no", _now("no")),
            ("question", _now("asks something")),
        ]
        extras = [(line.pk, line.title) for line in estimate.extras]
        if extras:
            self.fields["extras"].choices = extras  # type: ignore[attr-defined]
        else:
            del self.fields["extras"]

    def clean(self):
        """A question needs words."""
        data = super().clean() or {}
        if data.get("said") == "question" and not data.get("text"):
            self.add_error("text", _("Write the question down."))
        return data

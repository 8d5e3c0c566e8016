"""What the owner says about the shop."""

import datetime
import io
import warnings
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from PIL import Image, ImageFile, ImageOps

from shop.core import money
from shop.core.errors import MeasurementError
from shop.forms.numbers import PlainDecimalField, WholeInput
from shop.models import Workshop

_MOST_HOLIDAYS = 400


LARGEST_LOGO = 5 * 1024 * 1024
MOST_PIXELS = 20_000_000
LOGO_SIZE = (900, 450)  # as it is printed at most 60 x 30 mm: 380 dots an inch


def logo_png(upload: UploadedFile) -> bytes:
    """A PNG or JPEG as PNG, at most LOGO_SIZE; ValidationError with a sentence for anything else."""
    if (upload.size or 0) > LARGEST_LOGO:
        raise ValidationError(_("This file is too large: at most %(most)d MB.") % {"most": LARGEST_LOGO // 1024**2})
    ImageFile.LOAD_TRUNCATED_IMAGES = False  # importing WeasyPrint sets it
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture: Image.Image = Image.open(upload, formats=("PNG", "JPEG"))
            if picture.width * picture.height > MOST_PIXELS:
                raise ValidationError(_("This picture has too many pixels: make it smaller first."))
            picture = ImageOps.exif_transpose(picture).convert("RGBA")
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise ValidationError(_("This is no picture that can be read. Choose a PNG or JPEG file.")) from None
    picture.thumbnail(LOGO_SIZE)
    out = io.BytesIO()
    picture.save(out, "PNG", optimize=True)
    return out.getvalue()


class _CurrencyForm(forms.ModelForm):
    def clean_currency(self) -> str:
        """Three capital letters, whatever case they were typed in."""
        code = self.cleaned_data["currency"].strip().upper()
        try:
            money.decimals(code)
        except MeasurementError:
            raise ValidationError(_("Write the currency's three letters, such as EUR.")) from None
        return code


class WorkshopOpeningForm(_CurrencyForm):
    """Who the shop is, on the first day."""

    class Meta:
        model = Workshop
        fields = ["name", "address", "phone", "email", "currency", "paper"]
        widgets = {
            "address": forms.Textarea(attrs={"rows": 3}),
        }


class MoneyForm(forms.ModelForm):
    """What work costs, and the terms it is offered and billed under."""

    class Meta:
        model = Workshop
        fields = [
            "hourly_rate",
            "tax_name",
            "tax_rate",
            "deposit_rate",
            "estimate_days",
            "reminder_days",
            "bill_days",
            "confirm_yes",
            "trade_discount",
            "guarantee_months",
            "payment",
        ]
        widgets = {
            "payment": forms.Textarea(attrs={"rows": 3}),
            **{name: WholeInput() for name in ("estimate_days", "reminder_days", "bill_days", "guarantee_months")},
        }
        field_classes = dict.fromkeys(("hourly_rate", "tax_rate", "deposit_rate", "trade_discount"), PlainDecimalField)

    def clean_reminder_days(self) -> int:
        days = self.cleaned_data["reminder_days"]
        if not 1 <= days <= 365:
            raise ValidationError(_("Enter 1 to 365 days."))
        return days


class HoursForm(forms.ModelForm):
    """When there is work at the benches."""

    holiday_list = forms.CharField(
        label=gettext_lazy("Closed on"),
        max_length=8000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text=gettext_lazy("A day a line, such as 2026-12-24. Promised dates leave these days out."),
    )

    class Meta:
        model = Workshop
        fields = ["benches"]
        widgets = {"benches": WholeInput()}

    def __init__(self, *args: Any, **kwargs: Any):
        super().__init__(*args, **kwargs)
        for day, name in WEEKDAYS.items():
            self.fields[f"hours_{day}"] = PlainDecimalField(
                label=name,
                min_value=Decimal(0),
                max_value=Decimal(24),
                max_digits=4,
                decimal_places=2,
            )
        hours = self.instance.hours if isinstance(self.instance.hours, list) else []
        for day, value in enumerate(hours[:7]):
            self.initial[f"hours_{day}"] = Decimal(str(value))
        self.initial["holiday_list"] = "\n".join(str(day) for day in self.instance.holidays)

    @property
    def day_fields(self) -> list[Any]:
        """The seven fields of the week, Monday first."""
        return [self[f"hours_{day}"] for day in WEEKDAYS]

    def clean_benches(self) -> int:
        benches = self.cleaned_data["benches"]
        if benches > 100:
            raise ValidationError(_("At most 100 benches."))
        return benches

    def clean_holiday_list(self) -> list[str]:
        """ISO dates, sorted, each once."""
        days = set()
        for line in self.cleaned_data["holiday_list"].split():
            try:
                days.add(datetime.date.fromisoformat(line).isoformat())
            except ValueError:
                raise ValidationError(_("“%(day)s” is not a day such as 2026-12-24.") % {"day": line[:20]}) from None
        if len(days) > _MOST_HOLIDAYS:
            raise ValidationError(_("At most %(most)d days.") % {"most": _MOST_HOLIDAYS})
        return sorted(days)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        hours = [data.get(f"hours_{day}") for day in WEEKDAYS]
        if None not in hours:
            if not any(hours):
                self.add_error("hours_0", ValidationError(_("With no hours in the week nothing can be promised.")))
            self.instance.hours = [float(value) for value in hours if value is not None]
        if "holiday_list" in data:
            self.instance.holidays = data["holiday_list"]
        return data


class WorkshopForm(HoursForm, MoneyForm, _CurrencyForm):
    """All of it: letterhead, money, terms, bench hours."""

    logo_file = forms.FileField(
        label=gettext_lazy("Logo on paper"),
        required=False,
        widget=forms.FileInput(attrs={"accept": "image/png,image/jpeg"}),
        help_text=gettext_lazy("PNG or JPEG, at most 5 MB. It stands beside the name on estimates, bills and reports."),
    )
    logo_off = forms.BooleanField(label=gettext_lazy("Take the logo off"), required=False)

    class Meta:
        model = Workshop
        words = ("terms", "trade_terms", "bill_terms", "care")
        fields = [
            *WorkshopOpeningForm.Meta.fields,
            *MoneyForm.Meta.fields,
            *HoursForm.Meta.fields,
            "receipt_terms",
            *words,
        ]
        widgets = {
            **WorkshopOpeningForm.Meta.widgets,
            **MoneyForm.Meta.widgets,
            **HoursForm.Meta.widgets,
            "receipt_terms": forms.Textarea(attrs={"rows": 3}),
            **{name: forms.Textarea(attrs={"rows": 5}) for name in words},
        }
        field_classes = MoneyForm.Meta.field_classes

    def clean_logo_file(self) -> bytes | None:
        """The picture, decoded and written anew as PNG: nothing of the upload but its pixels is kept."""
        upload = self.cleaned_data["logo_file"]
        return logo_png(upload) if upload else None

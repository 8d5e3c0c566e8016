"""Numbers as people type them: "1 709.60" or "1709,6", in plain figures, never "1e9" or other scripts' digits."""

import re
from dataclasses import dataclass
from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

from shop.models.prices import percent_in_words

_SPACES = dict.fromkeys(map(ord, "\u00a0\u202f\u2009 '"), None)
_PLAIN = re.compile(r"[+-]?(\d{1,12}(\.\d{0,6})?|\.\d{1,6})", re.ASCII)


class PlainDecimalField(forms.DecimalField):
    """A Decimal; a comma serves as the point where there is only one and no point beside it."""

    default_error_messages = {"invalid": _("Enter a number, such as 12.5.")}

    def __init__(self, **kwargs):
        attrs = {"inputmode": "decimal", "class": "figure", "autocomplete": "off"}
        kwargs.setdefault("widget", forms.TextInput(attrs=attrs))
        super().__init__(**kwargs)

    def to_python(self, value):
        if value in self.empty_values:
            return None
        text = str(value).translate(_SPACES).strip()
        if text.count(",") == 1 and "." not in text:
            text = text.replace(",", ".")
        if not _PLAIN.fullmatch(text):
            raise ValidationError(self.error_messages["invalid"], code="invalid")
        return Decimal(text)

    def prepare_value(self, value):
        """Without needless zeros: 88.00 is shown as 88, 8.400 as 8.40."""
        if not isinstance(value, Decimal):
            return value
        shown = value.quantize(Decimal(1)) if value == value.to_integral_value() else value.normalize()
        text = format(shown, "f")
        return f"{text}0" if re.fullmatch(r"-?\d+\.\d", text) else text


@dataclass(frozen=True)
class Share:
    """So many percent."""

    percent: Decimal


class PriceOrShareField(PlainDecimalField):
    """An amount, or a percentage such as "10 %": cleaned to a Decimal or a Share."""

    _percent = PlainDecimalField(min_value=Decimal("0.01"), max_value=100, max_digits=5, decimal_places=2)

    def clean(self, value):
        text = str(value or "").strip()
        return Share(self._percent.clean(text[:-1])) if text.endswith("%") else super().clean(value)

    def prepare_value(self, value):
        return percent_in_words(value.percent) if isinstance(value, Share) else super().prepare_value(value)


class WholeInput(forms.TextInput):
    """Where a whole number is typed. Not the browser's number field, which throws away what it cannot read."""

    def __init__(self, attrs=None):
        super().__init__(
            {"inputmode": "numeric", "class": "figure", "autocomplete": "off", "maxlength": 12, **(attrs or {})}
        )

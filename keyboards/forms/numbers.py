"""Sizes, numbers and keys as people type them, in their unit, with a decimal comma or point; forms in an address.

A length is typed in the form's unit (mm or in) and handed on in mm. Everything is text until it is checked here.
"""

import re
from collections.abc import Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.utils import ErrorDict
from django.utils.translation import gettext as _

from keyboards.core.errors import MeasurementError
from keyboards.core.keys import format_keys
from keyboards.core.quantities import parse_number
from keyboards.drawing.plots import written
from keyboards.models import Compass
from keyboards.words import wrong_with

UNITS = ("mm", "in")
_INCH = 25.4
_LONGEST = 24
_BETWEEN = re.compile(r"[;\s]+|,\s+")


def shown(value: float, unit: str, decimals: int | None = None) -> str:
    """A length of so many mm in the unit, as it is typed: 3.7 -> "3.70" or "0.1457"."""
    if unit == "in":
        return f"{value / _INCH:.{4 if decimals is None else decimals}f}"
    return f"{value:.{2 if decimals is None else decimals}f}"


def said(value: float, unit: str, decimals: int = 2) -> str:
    """The same with its unit, for a sentence: "3.70 mm"; an inch takes two figures more than a millimetre."""
    inches = unit == "in"
    return (
        f"{written(value / _INCH if inches else value, decimals + 2 if inches and decimals < 3 else decimals)} {unit}"
    )


class NumberField(forms.CharField):
    """A number between two limits. `sign` is the unit written beside the field; cleaned: a float, None if empty."""

    is_length = False

    def __init__(self, *, low: float, high: float, start: Any = None, sign: str = "", decimals: int = 2, **kwargs: Any):
        self.low, self.high, self.start, self.sign, self.decimals = low, high, start, sign, decimals
        attrs = {"inputmode": "decimal", "class": "figure", "autocomplete": "off"}
        kwargs.setdefault("widget", forms.TextInput(attrs=attrs))
        super().__init__(max_length=_LONGEST, **kwargs)

    unit = "mm"

    def as_typed(self, value: Any) -> str:
        """A starting value as the person would type it."""
        if isinstance(value, str):
            return value
        text = f"{value:.{self.decimals}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text

    def clean(self, value: Any) -> float | None:
        text = super().clean(value)
        if not text:
            return None
        return self.checked(text)

    def checked(self, text: str) -> float:
        number = _number(text, "mm")
        if not self.low <= number <= self.high:
            raise ValidationError(
                _("%(value)s cannot be right: %(low)s to %(high)s is possible.")
                % {"value": text, "low": self._limit(self.low), "high": self._limit(self.high)}
            )
        return number

    def _limit(self, limit: float) -> str:
        text = f"{limit:.3f}".rstrip("0").rstrip(".")
        return f"{text} {self.sign}".strip()


class LengthField(NumberField):
    """A length; `low`, `high`, `start` and what is cleaned are in mm, whatever it is typed in."""

    is_length = True

    def as_typed(self, value: Any) -> str:
        return value if isinstance(value, str) else shown(value, self.unit)

    def checked(self, text: str) -> float:
        number = _number(text, self.unit)
        if not self.low - 1e-9 <= number <= self.high + 1e-9:
            raise ValidationError(
                _("%(value)s %(unit)s cannot be right: %(low)s to %(high)s %(unit)s is possible.")
                % {
                    "value": text,
                    "unit": self.unit,
                    "low": shown(self.low, self.unit),
                    "high": shown(self.high, self.unit),
                }
            )
        return number


class LengthsField(LengthField):
    """Several lengths, parted by spaces or semicolons; cleaned: mm, smallest first, each once."""

    MOST = 16
    kind = "wide"

    def __init__(self, **kwargs: Any):
        super().__init__(**kwargs)
        self.max_length = 300
        self.validators = [v for v in self.validators if not hasattr(v, "limit_value")]
        self.widget.attrs["maxlength"] = "300"

    def as_typed(self, value: Any) -> str:
        return value if isinstance(value, str) else " ".join(shown(one, self.unit, None) for one in value)

    def clean(self, value: Any) -> Any:
        text = forms.CharField.clean(self, value)
        if len(text) > 300:
            raise ValidationError(_("At most %(most)d thicknesses, parted by spaces.") % {"most": self.MOST})
        pieces = [piece for piece in _BETWEEN.split(text.strip()) if piece]
        if not pieces or len(pieces) > self.MOST:
            raise ValidationError(_("At most %(most)d thicknesses, parted by spaces.") % {"most": self.MOST})
        return tuple(sorted({self.checked(piece) for piece in pieces}))


class WholeField(NumberField):
    """A whole number."""

    def checked(self, text: str) -> int:
        if not re.fullmatch(r"\d{1,9}", text.strip(), re.ASCII):
            raise ValidationError(_("Enter a whole number."))
        return int(super().checked(text))

    def as_typed(self, value: Any) -> str:
        return str(value)


def keys_typed(text: str, compass: Compass) -> list[int]:
    """The keys of a set written as "1-5, 12, C3 to G4"; ValidationError where they are none, or not in the set."""
    try:
        keys = compass.keys.parse(text)
    except MeasurementError as error:
        raise ValidationError(wrong_with(error)) from None
    missing = sorted(set(keys) & set(compass.missing))
    if missing:
        raise ValidationError(_("Not in this set: keys %(keys)s.") % {"keys": format_keys(missing)})
    return list(keys)


def _number(text: str, unit: str) -> float:
    try:
        return parse_number(text, unit) / 1000
    except MeasurementError:
        raise ValidationError(_("Enter a number such as 5.62.")) from None


class AskedForm(forms.Form):
    """A form that stands in an address: what is asked for over starting values, so that it always has an answer.

    Two kinds of starting values: those of the fields (`start`, mm and plain numbers), and `known`, what the readings
    of a set say. `unit` is mm or in. groups: (legend, names of fields) as they are laid out; arguments: what the
    arithmetic calls a field by another name.
    """

    groups: tuple[tuple[Any, tuple[str, ...]], ...] = ()
    arguments: Mapping[str, str] = {}

    def __init__(self, asked: Mapping[str, str], *, unit: str, known: Mapping[str, Any] | None = None):
        self.unit = asked.get("unit", "") if asked.get("unit", "") in UNITS else unit
        self.known = {name: value for name, value in (known or {}).items() if value is not None}
        super().__init__({})
        data: dict[str, Any] = {}
        for name, field in self.fields.items():
            if isinstance(field, NumberField):
                field.unit = self.unit
                if isinstance(field, LengthsField):
                    field.help_text = _("Thicknesses in %(unit)s, parted by spaces.") % {"unit": self.unit}
                elif field.is_length:
                    field.sign = self.unit
                start = self.known.get(name, field.start)
                data[name] = "" if start is None else field.as_typed(start)
            else:
                data[name] = self.known.get(name, field.initial if field.initial is not None else "")
            if name in asked:
                data[name] = asked[name]
        self.data = data
        self.asked = any(name in asked for name in self.fields)

    def show_unasked(self) -> None:
        """Nothing was sent yet: what is still empty is no error."""
        self._errors = ErrorDict()

    def laid_out(self) -> list[dict[str, Any]]:
        """The fields in their groups, for the template."""
        groups = self.groups or (("", tuple(self.fields)),)
        return [{"legend": legend, "fields": [self[name] for name in names]} for legend, names in groups]

    def order(self, lower: str, higher: str, sentence: str) -> None:
        """Puts the sentence beside `higher` unless lower < higher; says nothing where either is wrong already."""
        low, high = self.cleaned_data.get(lower), self.cleaned_data.get(higher)
        if low is not None and high is not None and not low < high:
            self.add_error(higher, ValidationError(sentence))

    def refuse(self, error: MeasurementError) -> None:
        """Puts what a calculation could not use beside the field it names, in the words of the page."""
        first = re.split(r"[\s:\[]", str(error), maxsplit=1)[0]
        name = self.arguments.get(first, first)
        said = {key: self._label(value) for key, value in error.values.items()}
        words = _("These figures do not go together (%(why)s). Look again.") % {
            "why": wrong_with(MeasurementError(error.template, **said), self.unit)
        }
        self.add_error(name if name in self.fields else None, ValidationError(words))

    def _label(self, value: Any) -> Any:
        name = self.arguments.get(value, value) if isinstance(value, str) else None
        return f"“{self.fields[name].label}”" if name in self.fields else value

"""What arrived, what was promised, why a set waits."""

from decimal import Decimal

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from shop.forms.branches import without_branches
from shop.forms.numbers import PlainDecimalField, WholeInput
from shop.models import HoldFor, Job


class DayInput(forms.DateInput):
    """A date as the browser's own picker gives it, whatever the language of the page."""

    input_type = "date"

    def __init__(self, attrs=None):
        super().__init__(attrs, format="%Y-%m-%d")


class TenthField(PlainDecimalField):
    """A figure with one decimal at most, shown with no more."""

    def prepare_value(self, value):
        return format(value.normalize(), "f") if isinstance(value, Decimal) else value


def _not_past(form: forms.BaseForm, name: str) -> None:
    """A promise is made for today or later; one that was made long ago may stay."""
    day = form.cleaned_data.get(name)
    if day and name in form.changed_data and day < timezone.localdate():
        form.add_error(name, ValidationError(_("This day has passed."), code="past"))


class ArrivalForm(forms.ModelForm):
    """What came in, in what state, with which wishes."""

    class Meta:
        model = Job
        fields = [
            "boxes",
            "with_keyframe",
            "with_sample_pins",
            "carrier",
            "damage",
            "wishes",
            "moved_on",
            "humidity",
            "branch",
        ]
        widgets = {
            "boxes": WholeInput(),
            "damage": forms.Textarea(attrs={"rows": 3}),
            "wishes": forms.Textarea(attrs={"rows": 3}),
        }
        field_classes = {"humidity": TenthField}

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        without_branches(self)


class PromiseForm(forms.ModelForm):
    """The day the set is promised for, and why it changes."""

    reason = forms.CharField(label=_("Why it changes"), max_length=200, required=False)

    class Meta:
        model = Job
        fields = ["promised_on"]
        widgets = {"promised_on": DayInput}

    def clean(self):
        super().clean()
        _not_past(self, "promised_on")


class HoldForm(forms.Form):
    """Why a set waits."""

    waits_for = forms.ChoiceField(label=_("It waits for"), choices=HoldFor.choices, initial=HoldFor.OTHER)
    reason = forms.CharField(label=_("What exactly"), max_length=200)

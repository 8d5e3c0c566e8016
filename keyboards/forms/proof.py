"""Why a set goes although its final check does not prove every key, and which keys are read again."""

from django import forms
from django.utils.translation import gettext_lazy as _

from keyboards.forms.numbers import keys_typed
from keyboards.models import Compass
from keyboards.workflow.proof import LONGEST_REASON


class ReleaseForm(forms.Form):
    reason = forms.CharField(
        label=_("Why it may go all the same"),
        max_length=LONGEST_REASON,
        help_text=_("Printed on the hand-off report, with your name."),
    )


class AgainForm(forms.Form):
    """Keys that were worked on without a tick, to be read again with the others."""

    also = forms.CharField(
        label=_("And these keys, worked on without a tick"),
        max_length=400,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text=_("Numbers from the bass or names: 40–44, C5"),
    )

    def __init__(self, *args, compass: Compass, **kwargs):
        super().__init__(*args, **kwargs)
        self.compass = compass

    def clean_also(self) -> list[int]:
        return keys_typed(self.cleaned_data["also"], self.compass) if self.cleaned_data["also"] else []

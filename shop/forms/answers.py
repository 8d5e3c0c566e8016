"""What a client types on the page behind the link."""

from django import forms
from django.utils.translation import gettext_lazy as _


def _name() -> forms.CharField:
    return forms.CharField(
        label=_("Your name"),
        max_length=120,
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )


class YesForm(forms.Form):
    """A name and the terms."""

    name = _name()
    terms = forms.BooleanField(
        label=_("I have read the estimate with its terms and agree."),
        error_messages={"required": _("Tick this box to say yes.")},
    )


class NoForm(forms.Form):
    """A reason is welcome and not asked for."""

    name = _name()
    reason = forms.CharField(
        label=_("Why, if you like to say"), max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 3})
    )


class QuestionForm(forms.Form):
    """A question."""

    text = forms.CharField(
        label=_("Your question"),
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        error_messages={"required": _("Write your question.")},
    )
    name = _name()

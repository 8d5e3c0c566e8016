"""Codes and passwords that are asked for again."""

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from shop.models import Person
from shop.workflow.factors import code_take
from shop.workflow.people import password_take
from shop.workflow.pins import is_plain
from shop.workflow.refusal import Refused


def _code_field(label: Any, help_text: Any = "") -> forms.CharField:
    return forms.CharField(
        label=label,
        max_length=60,
        help_text=help_text,
        widget=forms.TextInput(
            attrs={
                "autocomplete": "one-time-code",
                "autocapitalize": "characters",
                "spellcheck": "false",
                "class": "figure",
            }
        ),
    )


class CodeForm(forms.Form):
    """A code from the app or from paper."""

    code = _code_field(
        gettext_lazy("Code"), gettext_lazy("The six digits your app shows now, or one of your recovery codes.")
    )


class FirstCodeForm(forms.Form):
    """The first code of an app that has just been told the secret."""

    code = _code_field(gettext_lazy("The six digits your app shows now"))


class PinForm(forms.Form):
    """The PIN of somebody whom the tablet knows."""

    pin = forms.CharField(
        label=gettext_lazy("PIN"),
        max_length=6,
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "inputmode": "numeric", "class": "figure"}),
    )


class ProofForm(forms.Form):
    """That it is still the person who signed in: the password, and a code where they have a second step."""

    password = forms.CharField(
        label=gettext_lazy("Your password"),
        strip=False,
        max_length=200,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )
    code = CodeForm.base_fields["code"]

    def __init__(self, *args: Any, person: Person, with_code: bool, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.person = person
        if not with_code:
            del self.fields["code"]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if self.errors:
            return data
        at = "password"
        try:
            password_take(self.person, data["password"])
            if "code" in self.fields:
                at = "code"
                code_take(self.person, data["code"])
        except Refused as refusal:
            self.add_error(at, str(refusal))
        return data


class OwnPinForm(ProofForm):
    """A person's PIN, or none."""

    pin = forms.CharField(
        label=gettext_lazy("PIN"),
        max_length=6,
        required=False,
        help_text=gettext_lazy("Six digits, not all the same and not in a row. Empty: none."),
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "inputmode": "numeric", "class": "figure"}),
    )
    field_order = ["pin", "password", "code"]

    def clean_pin(self) -> str:
        pin = self.cleaned_data["pin"]
        if pin and (not re.fullmatch("[0-9]{6}", pin) or is_plain(pin)):
            raise ValidationError(_("Six digits, not all the same and not in a row."))
        return pin

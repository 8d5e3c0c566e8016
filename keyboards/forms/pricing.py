"""What the owner says to what stripping found."""

from django import forms
from django.utils.translation import gettext_lazy as _


class WithinForm(forms.Form):
    """Going on within the allowance: how the client is told, in which words."""

    how = forms.ChoiceField(
        label=_("How the client is told"),
        choices=[("letter", _("by e-mail, with these words")), ("told", _("I tell them myself"))],
        widget=forms.RadioSelect,
    )
    to = forms.EmailField(label=_("E-mail address"), required=False)
    message = forms.CharField(
        label=_("The letter"), max_length=4000, required=False, widget=forms.Textarea(attrs={"rows": 9})
    )

    def clean(self):
        """A letter needs an address and words."""
        data = super().clean() or {}
        if data.get("how") == "letter":
            for name, sentence in (
                ("to", _("Enter the address the letter goes to.")),
                ("message", _("Write the letter.")),
            ):
                if not data.get(name) and name not in self.errors:
                    self.add_error(name, sentence)
        return data


class LeaveForm(forms.Form):
    """Why the work goes on as agreed although stripping found more."""

    reason = forms.CharField(
        label=_("Why the work goes on all the same"), max_length=300, widget=forms.Textarea(attrs={"rows": 2})
    )

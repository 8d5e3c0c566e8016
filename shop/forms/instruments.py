"""What is written down about an instrument."""

from django import forms
from django.utils.translation import gettext_lazy as _

from shop.forms.numbers import WholeInput
from shop.models import Instrument


class InstrumentForm(forms.ModelForm):
    """A new piano at the counter, or a change to one."""

    class Meta:
        model = Instrument
        fields = ["maker", "kind", "model", "year", "serial", "keytops", "note"]
        widgets = {
            "year": WholeInput,
            "serial": forms.TextInput(attrs={"class": "figure", "autocomplete": "off"}),
            "note": forms.Textarea(attrs={"rows": 2}),
        }

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        keytops = self.fields["keytops"]
        keytops.choices = [("", _("not looked at yet")), *keytops.choices[1:]]  # type: ignore[attr-defined]

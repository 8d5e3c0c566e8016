"""What is written down about a client."""

from django import forms

from shop.models import Client


class ClientForm(forms.ModelForm):
    """A new client at the counter, or a change to one."""

    class Meta:
        model = Client
        fields = ["name", "kind", "contact", "phone", "email", "address", "note"]
        widgets = {
            "kind": forms.RadioSelect,
            "phone": forms.TextInput(attrs={"type": "tel"}),
            "address": forms.Textarea(attrs={"rows": 2}),
            "note": forms.Textarea(attrs={"rows": 2}),
        }

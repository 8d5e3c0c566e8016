"""What is written down about a client."""

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

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


class EraseForm(forms.Form):
    """papers_until: the last day issued bills and agreed estimates are kept, None where they need not be."""

    papers = forms.ChoiceField(
        label=_("Issued bills and agreed estimates"),
        widget=forms.RadioSelect,
        choices=[
            ("keep", _("Keep them until the day below: the law here wants it")),
            ("erase", _("Take the client out of them too: nothing has to be kept")),
        ],
        initial="keep",
    )
    papers_until = forms.DateField(
        label=_("Keep them until"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=_("How long differs from country to country: ask who keeps your books."),
    )
    sure = forms.BooleanField(label=_("I have looked at all of it. It cannot be taken back."))

    def clean(self):
        data = super().clean() or {}
        day = data.get("papers_until")
        if data.get("papers") == "erase":
            data["papers_until"] = None
        elif "papers_until" not in self.errors and (day is None or day < timezone.localdate()):
            self.add_error(
                "papers_until", ValidationError(_("Write the day until which they are kept, today or later."))
            )
        elif day and day.year > timezone.localdate().year + 50:
            self.add_error("papers_until", ValidationError(_("This is more than fifty years from now.")))
        return data

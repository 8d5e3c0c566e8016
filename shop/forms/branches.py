"""What the owner says about a branch."""

from django import forms
from django.utils.translation import gettext as _

from shop.models import Branch


def without_branches(form: forms.BaseForm) -> None:
    """A shop without branches is not asked for any; elsewhere none may be chosen."""
    field = form.fields.get("branch")
    if isinstance(field, forms.ModelChoiceField):
        field.empty_label = _("none")
        if not Branch.objects.exists():
            del form.fields["branch"]


class BranchForm(forms.ModelForm):
    """Its name, and what papers say."""

    class Meta:
        model = Branch
        fields = ["name", "address", "phone"]
        widgets = {"address": forms.Textarea(attrs={"rows": 3})}

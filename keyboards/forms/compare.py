"""Which two checks of a piano are held against each other, and what its wood is taken for."""

from collections.abc import Sequence

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core import humidity
from keyboards.forms.tools import RADIAL, TANGENTIAL, wood_movement_names
from keyboards.models import Check


class CompareForm(forms.Form):
    """Two checks of one piano; the wood and its cut for what the air does."""

    before = forms.TypedChoiceField(label=gettext_lazy("This check"), coerce=int)
    after = forms.TypedChoiceField(label=gettext_lazy("and this one"), coerce=int)
    wood = forms.ChoiceField(
        label=gettext_lazy("Wood of the button"),
        choices=lambda: [(code, wood_movement_names()[code]) for code in humidity.WOODS],
    )
    direction = forms.ChoiceField(
        label=gettext_lazy("Width of the mortise"),
        choices=[
            (TANGENTIAL, gettext_lazy("along the rings (flat-sawn)")),
            (RADIAL, gettext_lazy("across the rings (quarter-sawn)")),
        ],
    )

    def __init__(self, *args, checks: Sequence[Check], titles: Sequence[str], **kwargs):
        super().__init__(*args, **kwargs)
        choices = [(check.pk, title) for check, title in zip(checks, titles, strict=True)]
        for name in ("before", "after"):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = choices

    def clean(self):
        data = super().clean() or {}
        if "before" in data and data["before"] == data.get("after"):
            self.add_error("after", _("Choose two different checks."))
        return data

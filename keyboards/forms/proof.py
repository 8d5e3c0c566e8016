"""Why a set goes although its final check does not prove every key."""

from django import forms
from django.utils.translation import gettext_lazy as _

from keyboards.workflow.proof import LONGEST_REASON


class ReleaseForm(forms.Form):
    reason = forms.CharField(
        label=_("Why it may go all the same"),
        max_length=LONGEST_REASON,
        help_text=_("Printed on the hand-off report, with your name."),
    )

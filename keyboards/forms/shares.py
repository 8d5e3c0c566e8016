"""A link to the readings of a set: for whom, for how long."""

from django import forms
from django.utils.translation import gettext_lazy as _


class ShareForm(forms.Form):
    whom = forms.CharField(label=_("For whom"), max_length=80)
    to = forms.EmailField(label=_("E-mail address"), max_length=254, required=False)
    days = forms.IntegerField(label=_("Good for"), min_value=1, max_value=730, initial=90)

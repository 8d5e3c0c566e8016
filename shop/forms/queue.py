"""What somebody asks of the queue before a rush is promised, and the name of a calendar link."""

from collections.abc import Sequence
from decimal import Decimal

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from shop.models import Job


class WhatIfForm(forms.Form):
    """Either a set of the queue goes first, or a job that is not here yet, of so many bench hours."""

    first = forms.ModelChoiceField(
        label=gettext_lazy("This set first"), queryset=Job.objects.none(), required=False, empty_label="–"
    )
    hours = forms.DecimalField(
        label=gettext_lazy("or a new job of"),
        min_value=Decimal("0.1"),
        max_value=Decimal(1000),
        max_digits=6,
        decimal_places=1,
        required=False,
        widget=forms.TextInput(attrs={"inputmode": "decimal", "class": "figure", "autocomplete": "off"}),
    )

    def __init__(self, *args, jobs: Sequence[Job], **kwargs):
        super().__init__(*args, **kwargs)
        field = self.fields["first"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Job.objects.filter(pk__in=[job.pk for job in jobs]).select_related("client")
        field.label_from_instance = lambda obj: f"{obj.tag} {obj.client.name}"  # type: ignore[method-assign]

    def clean(self):
        data = super().clean() or {}
        if not self.errors and bool(data.get("first")) == bool(data.get("hours")):
            words = _("Choose a set of the queue, or say how many hours a new one takes: one of the two.")
            self.add_error("hours", words)
        return data


class FeedForm(forms.Form):
    """For whom a calendar link is."""

    title = forms.CharField(label=gettext_lazy("For whom"), max_length=60)

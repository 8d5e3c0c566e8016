"""What somebody writes down when a set comes back."""

from typing import Any

from django import forms
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.comparing import WORK
from keyboards.core.keys import format_keys
from keyboards.forms.numbers import keys_typed
from keyboards.models import Comeback, Compass
from keyboards.models.comebacks import Cause
from shop.models import STAGE_TITLES, Job, Lot


class ComebackForm(forms.ModelForm):
    """Keys as people write them ("40-44, C5"), a cause, and which of our work gave way."""

    keys = forms.CharField(
        label=gettext_lazy("Which keys"),
        max_length=400,
        help_text=gettext_lazy("Numbers from the bass or names: 40–44, C5"),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    again = forms.BooleanField(label=gettext_lazy("Yes, a second time: write it down too"), required=False)

    class Meta:
        model = Comeback
        fields = ("reported_on", "keys", "cause", "stage", "lot", "done", "visit")
        widgets = {
            "reported_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "done": forms.Textarea(attrs={"rows": 3}),
        }

    def __init__(self, *args, job: Job, compass: Compass, **kwargs):
        instance = kwargs.get("instance")
        start = {"reported_on": timezone.localdate(), "keys": format_keys(instance.keys) if instance else ""}
        kwargs["initial"] = start | (kwargs.get("initial") or {})
        super().__init__(*args, **kwargs)
        self.compass = compass
        done = {stage.kind for stage in job.stages.all() if stage.state == "done"}
        ours = [(kind, STAGE_TITLES[kind]) for kind in WORK if kind in done]
        fields: dict[str, Any] = self.fields
        fields["stage"].choices = [("", _("none of ours: damp, misuse, a part we did not touch")), *ours]
        fields["cause"].choices = [("", _("Choose")), *Cause.choices]
        fields["lot"].queryset = Lot.objects.filter(uses__job=job).select_related("material").distinct()
        fields["lot"].empty_label = _("no lot of ours")
        later = Job.objects.filter(instrument=job.instrument_id, number__gt=job.number).select_related("client")
        fields["visit"].queryset = later
        fields["visit"].empty_label = _("not logged in again")

    def clean_keys(self) -> list[int]:
        return keys_typed(self.cleaned_data["keys"], self.compass)

"""Photos added on a page."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy

from keyboards.forms.compasses import ManyFiles, PhotosField
from keyboards.models import Check
from keyboards.workflow.photos import CAPTION
from shop.models import Job, Stage


class PhotoForm(forms.Form):
    """cleaned_data: photos (uploaded files), caption; key, check and stage, where the page is of one."""

    photos = PhotosField(
        label=gettext_lazy("Photos"),
        help_text=gettext_lazy("JPEG, PNG, WebP or HEIC. Several at once."),
        widget=ManyFiles(attrs={"accept": "image/*"}),
    )
    caption = forms.CharField(
        label=gettext_lazy("Caption"),
        max_length=CAPTION,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    key = forms.IntegerField(required=False, min_value=1, max_value=128, widget=forms.HiddenInput)
    check = forms.ModelChoiceField(Check.objects.none(), required=False, widget=forms.HiddenInput)

    stage = forms.ModelChoiceField(Stage.objects.none(), required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, job: Job, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.fields["check"].queryset = Check.objects.filter(job=job)  # type: ignore[attr-defined]
        self.fields["stage"].queryset = Stage.objects.filter(job=job)  # type: ignore[attr-defined]

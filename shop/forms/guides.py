"""The guide of a kind of stage, as the owner writes it."""

from django import forms
from django.utils.translation import gettext as _

from shop.models import Guide

_LONGEST_STEP = 200
_MOST_STEPS = 12


class GuideForm(forms.ModelForm):
    """A note, and a short list: one step a line."""

    class Meta:
        model = Guide
        fields = ["note", "steps"]
        widgets = {"note": forms.Textarea(attrs={"rows": 3}), "steps": forms.Textarea(attrs={"rows": 6})}

    def clean_steps(self):
        steps = [step.strip() for step in self.cleaned_data["steps"].splitlines() if step.strip()]
        if len(steps) > _MOST_STEPS:
            words = _("At most %(most)d steps: a longer list is ticked unread.")
            raise forms.ValidationError(words % {"most": _MOST_STEPS})
        if any(len(step) > _LONGEST_STEP for step in steps):
            raise forms.ValidationError(_("A step has at most %(most)d characters.") % {"most": _LONGEST_STEP})
        return "\n".join(steps)

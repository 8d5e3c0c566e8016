"""What was counted by hand, whenever a set comes in, goes out or comes back."""

from django import forms
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from shop.forms.branches import without_branches
from shop.forms.numbers import WholeInput
from shop.models import Branch, Job


class CountInForm(forms.Form):
    """What somebody counted with the set on the bench. Both are typed: nobody confirms a figure they only read."""

    keys = forms.IntegerField(
        label=_("Keys counted"),
        min_value=0,
        max_value=128,
        widget=WholeInput,
    )
    boxes = forms.IntegerField(
        label=_("Boxes counted"),
        min_value=0,
        max_value=20,
        widget=WholeInput,
    )


class CountAgainForm(CountInForm):
    """A count in between, or of a set that is back."""

    note = forms.CharField(
        label=_("Note"), max_length=200, required=False, help_text=_("For example which keys are missing.")
    )


class AwayForm(CountAgainForm):
    """Where a set goes, and what goes."""

    branch = forms.ModelChoiceField(
        label=_("To another branch, to stay there"), queryset=Branch.objects.all(), required=False
    )
    place = forms.CharField(label=_("Where it goes"), max_length=120, required=False)

    field_order = ["branch", "place", "keys", "boxes", "note"]

    def __init__(self, *args, job: Job, **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["branch"].queryset = Branch.objects.exclude(pk=job.branch_id or 0)  # type: ignore[attr-defined]
        without_branches(self)

    def clean(self):
        data = super().clean() or {}
        if data.get("branch"):
            data["place"] = data["branch"].name
        elif not data.get("place") and "place" not in self.errors:
            self.add_error("place", _("Say where it goes."))
        return data


class CountOutForm(forms.Form):
    """The count before a set leaves. A wrong count needs the word that it is meant."""

    keys = forms.IntegerField(label=_("Keys counted"), min_value=0, max_value=128)
    boxes = forms.IntegerField(label=_("Boxes"), min_value=0, max_value=20)
    note = forms.CharField(
        label=_("If the count differs: why"), max_length=200, required=False, help_text=_("Printed on the report.")
    )

    def __init__(self, *args, job: Job, **kwargs):
        self.job = job
        super().__init__(*args, **kwargs)

    def clean(self):
        data = super().clean() or {}
        if data.get("note"):
            return data
        if "keys" in data and self.job.key_count and data["keys"] != self.job.keys_here:
            self.add_error(
                "keys",
                _("%(came)d keys came in with this set, %(now)d are counted. Find the difference before it leaves.")
                % {"came": self.job.keys_here, "now": data["keys"]},
            )
        if "boxes" in data and data["boxes"] != self.job.boxes:
            self.add_error(
                "boxes",
                ngettext(
                    "The set came in %(came)d box, %(now)d are counted.",
                    "The set came in %(came)d boxes, %(now)d are counted.",
                    self.job.boxes,
                )
                % {"came": self.job.boxes, "now": data["boxes"]},
            )
        return data

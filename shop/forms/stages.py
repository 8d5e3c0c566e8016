"""What is typed at a stage of a job."""

from decimal import Decimal

from django import forms
from django.utils.translation import gettext_lazy as _

from shop.models import Job, Lot, Stage, Use


class ReasonForm(forms.Form):
    """A sentence that says why."""

    reason = forms.CharField(label=_("Why"), max_length=200)


class PutDownForm(forms.Form):
    note = forms.CharField(label=_("A word for whoever goes on"), max_length=200, required=False)


class HoursForm(forms.Form):
    """Work written down by hand, in minutes."""

    minutes = forms.DecimalField(
        label=_("Minutes worked"),
        min_value=Decimal("0.5"),
        max_value=Decimal(24 * 60),
        max_digits=5,
        decimal_places=1,
    )
    note = forms.CharField(label=_("Note"), max_length=200, required=False)


class SendBackForm(forms.Form):
    """To which stage a set goes back, and why."""

    stage = forms.ModelChoiceField(label=_("Back to"), queryset=Stage.objects.none(), empty_label=None)
    reason = forms.CharField(label=_("Why"), max_length=200)

    def __init__(self, *args, job: Job, **kwargs):
        super().__init__(*args, **kwargs)
        done = [stage.pk for stage in job.stages.all() if stage.state == "done"]
        choice = self.fields["stage"]
        assert isinstance(choice, forms.ModelChoiceField)
        choice.queryset = Stage.objects.filter(pk__in=done).order_by("-position")


class CountOutForm(forms.Form):
    """The count before a set leaves. A wrong count needs the word that it is meant."""

    keys = forms.IntegerField(label=_("Keys counted"), min_value=0, max_value=128)
    boxes = forms.IntegerField(label=_("Boxes"), min_value=0, max_value=20)
    meant = forms.CharField(
        label=_("If the count differs: why"), max_length=200, required=False, help_text=_("Printed on the report.")
    )

    def __init__(self, *args, job: Job, **kwargs):
        self.job = job
        super().__init__(*args, **kwargs)

    def clean(self):
        data = super().clean() or {}
        if data.get("meant"):
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
                _("The set came in %(came)d boxes, %(now)d are counted.")
                % {"came": self.job.boxes, "now": data["boxes"]},
            )
        return data


class HandOverForm(forms.Form):
    left_with = forms.CharField(label=_("Handed to (person or carrier)"), max_length=120)


class UseForm(forms.ModelForm):
    """A lot used on this set."""

    lot = forms.ModelChoiceField(label=_("Material and lot"), queryset=Lot.objects.none(), empty_label=_("Choose"))

    class Meta:
        model = Use
        fields = ["lot", "where", "amount"]

    def __init__(self, *args, **kwargs):
        super().__init__(*args, **kwargs)
        lots = Lot.objects.filter(bad_since__isnull=True, material__retired_at__isnull=True)
        choice = self.fields["lot"]
        assert isinstance(choice, forms.ModelChoiceField)
        choice.queryset = lots.select_related("material").order_by(
            "material__kind", "material__thickness", "material__title", "-received_on"
        )

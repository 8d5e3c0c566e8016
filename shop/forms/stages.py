"""What is typed at a stage of a job."""

from decimal import Decimal

from django import forms
from django.utils.translation import gettext_lazy as _

from shop.core import route
from shop.models import STAGE_TITLES, Job, Lot, Person, Role, Stage, Use


class ReasonForm(forms.Form):
    """A sentence that says why."""

    reason = forms.CharField(label=_("Why"), max_length=200)


class PutDownForm(forms.Form):
    note = forms.CharField(label=_("A word for whoever goes on"), max_length=200, required=False)
    to = forms.ModelChoiceField(
        label=_("For"), queryset=Person.objects.none(), required=False, empty_label=_("whoever comes")
    )

    def __init__(self, *args, by: Person, **kwargs):
        super().__init__(*args, **kwargs)
        choice = self.fields["to"]
        assert isinstance(choice, forms.ModelChoiceField)
        hands = Person.objects.filter(is_active=True, role__in=(Role.TECHNICIAN, Role.OWNER)).exclude(pk=by.pk)
        choice.queryset = hands.order_by("first_name", "last_name")


class EarlyForm(forms.Form):
    """Why something that dries may be taken in hand before its time."""

    early = forms.CharField(label=_("Why it may go on before it has dried"), max_length=200)


class AddStageForm(forms.Form):
    """A step of work that no estimate brought."""

    kind = forms.ChoiceField(
        label=_("Step"), choices=[(slug, STAGE_TITLES[slug]) for slug in route.WORK if slug != "stripped_check"]
    )
    words = forms.CharField(label=_("In your words"), max_length=80, required=False)
    minutes = forms.DecimalField(
        label=_("Minutes expected"), min_value=0, max_value=Decimal(10_000), max_digits=6, decimal_places=1, initial=0
    )
    reason = forms.CharField(label=_("Why"), max_length=200)


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


class HoursCorrectForm(forms.Form):
    """What a stretch of work really took; 0 where it was none."""

    minutes = forms.DecimalField(
        label=_("Minutes worked"), min_value=0, max_value=Decimal(24 * 60), max_digits=5, decimal_places=1
    )


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


class HandOverForm(forms.Form):
    left_with = forms.CharField(label=_("Handed to (person or carrier)"), max_length=120)


LOTS_OFFERED = 6  # of each material, as on the shelf


class UseForm(forms.ModelForm):
    """A lot used on this set. Any may be; the newest of each material are offered, all with older."""

    lot = forms.ModelChoiceField(label=_("Material and lot"), queryset=Lot.objects.none(), empty_label=_("Choose"))

    class Meta:
        model = Use
        fields = ["lot", "where", "amount"]

    def __init__(self, *args, older: bool = False, **kwargs):
        super().__init__(*args, **kwargs)
        lots = Lot.objects.filter(bad_since__isnull=True, material__retired_at__isnull=True)
        choice = self.fields["lot"]
        assert isinstance(choice, forms.ModelChoiceField)
        choice.queryset = lots.select_related("material").order_by(
            "material__kind", "material__thickness", "material__title", "-received_on"
        )
        if not self.is_bound and not older:
            offered = list(choice.queryset.newest(LOTS_OFFERED))
            self.lots_left_out = lots.count() - len(offered)
            choice.widget.choices = [("", choice.empty_label), *((lot.pk, str(lot)) for lot in offered)]

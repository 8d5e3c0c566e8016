"""Measuring instruments and the list of findings, as the shop edits them."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core.errors import MeasurementError
from keyboards.core.plugs import read_sizes
from keyboards.core.quantities import show
from keyboards.forms.numbers import NumberField
from keyboards.models import Finding, FindingGroup, Gauge, GaugeKind
from keyboards.words import wrong_with

_MM_OR_DEGREES = gettext_lazy("In mm; of a bevel in degrees.")


class GaugeForm(forms.ModelForm):
    """resolution, error and repeatability are typed in mm (a bevel's in degrees) and kept in thousandths."""

    resolution = NumberField(
        label=gettext_lazy("Resolution"), low=0.0001, high=10, decimals=3, help_text=_MM_OR_DEGREES
    )
    error = NumberField(
        label=gettext_lazy("Maximum error"),
        low=0,
        high=10,
        decimals=3,
        help_text=gettext_lazy("The maker's limit of error (MPE), as the data sheet gives it."),
    )
    repeatability = NumberField(
        label=gettext_lazy("Repeatability"),
        low=0,
        high=10,
        decimals=3,
        required=False,
        help_text=gettext_lazy("Standard deviation of one reading, where you know it: a check shows it after repeats."),
    )

    sizes = forms.CharField(
        label=gettext_lazy("Diameters of the set"),
        max_length=3000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text=gettext_lazy(
            "Of plug gauges, in mm, such as 4.90 4.95 5.00: a reading that is none of them is asked about."
        ),
    )

    class Meta:
        model = Gauge
        fields = ["name", "kind", "resolution", "error", "repeatability", "checked_on", "sizes"]
        widgets = {"checked_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}

    def __init__(self, *args: Any, **kwargs: Any):
        super().__init__(*args, **kwargs)
        for name in ("resolution", "error", "repeatability"):
            field, kept = self.fields[name], getattr(self.instance, name)
            self.initial[name] = field.as_typed(kept / 1000)  # type: ignore[attr-defined]

        self.initial["sizes"] = " ".join(show(size, "mm", 3 if size % 10 else 2) for size in self.instance.sizes)

    def clean_sizes(self) -> list[int]:
        try:
            return read_sizes(self.cleaned_data["sizes"])
        except MeasurementError as error:
            raise ValidationError(_("These are no diameters: %(why)s.") % {"why": wrong_with(error)}) from None

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("sizes") and data.get("kind") != GaugeKind.PLUG:
            self.add_error("sizes", _("Only a set of plug gauges has diameters."))
        return data

    def _thousandths(self, name: str) -> int:
        return round((self.cleaned_data[name] or 0) * 1000)

    def clean_resolution(self) -> int:
        return self._thousandths("resolution")

    def clean_error(self) -> int:
        return self._thousandths("error")

    def clean_repeatability(self) -> int:
        return self._thousandths("repeatability")


class FindingForm(forms.ModelForm):
    """One word of the list. Its code is made from the title once and never changes: readings name it."""

    class Meta:
        model = Finding
        fields = ["title", "group", "grade", "position"]
        labels = {"position": gettext_lazy("Place")}
        help_texts = {
            "grade": gettext_lazy("At severity 2 or 3. At 1, damage of wood or button counts one grade less."),
            "position": gettext_lazy("In the list: smaller comes first."),
        }

    def __init__(self, *args: Any, **kwargs: Any):
        super().__init__(*args, **kwargs)
        group = self.fields["group"]
        assert isinstance(group, forms.ChoiceField)
        group.choices = [("", _("Choose")), *FindingGroup.choices]

    def save(self, commit: bool = True) -> Finding:
        finding = super().save(commit=False)
        if not finding.pk:
            finding.code = _free_code(f"{finding.group}_{slugify(finding.title).replace('-', '_')}"[:36])
        if commit:
            finding.save()
        return finding


def _free_code(wanted: str) -> str:
    taken = set(Finding.objects.filter(code__startswith=wanted).values_list("code", flat=True))
    return next(code for code in (wanted, *(f"{wanted}_{n}" for n in range(2, 1000))) if code not in taken)

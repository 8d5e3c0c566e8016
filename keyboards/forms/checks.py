"""What stands at the head of a check: the air, the instrument, what is measured, on which keys."""

import secrets
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core.keys import format_keys
from keyboards.core.quantities import QUANTITIES
from keyboards.core.spread import stratified_sample
from keyboards.forms.numbers import NumberField, WholeField, keys_typed
from keyboards.models import Check, CheckKind, Compass, Gauge
from keyboards.words import quantity_title

EVERY, RANDOM, NAMED = "every", "random", "named"


class CheckForm(forms.Form):
    """cleaned: gauge, humidity, temperature, quantities, sample, sample_random, note, as check_begin takes them."""

    gauge = forms.ModelChoiceField(
        Gauge.objects.filter(retired_at__isnull=True),
        label=gettext_lazy("Measured with"),
        required=False,
        empty_label=gettext_lazy("not said"),
        help_text=gettext_lazy("For lengths; another one may be named with a reading at the bench."),
    )
    humidity = NumberField(
        label=gettext_lazy("Humidity"),
        low=0,
        high=95,
        decimals=1,
        required=False,
        help_text=gettext_lazy("Wood moves with it: without it, readings cannot be held against later ones."),
    )
    temperature = NumberField(label=gettext_lazy("Temperature"), low=-10, high=60, decimals=1, required=False)
    quantities = forms.MultipleChoiceField(
        label=gettext_lazy("What is measured"), widget=forms.CheckboxSelectMultiple, required=False
    )
    keys = forms.ChoiceField(
        label=gettext_lazy("Which keys"),
        widget=forms.RadioSelect,
        choices=[
            (EVERY, gettext_lazy("Every key")),
            (RANDOM, gettext_lazy("So many, picked at random over the keyboard")),
            (NAMED, gettext_lazy("These keys")),
        ],
        initial=EVERY,
    )
    count = WholeField(label=gettext_lazy("How many"), low=1, high=128, required=False)
    named = forms.CharField(
        label=gettext_lazy("Keys"),
        max_length=400,
        required=False,
        help_text=gettext_lazy("Such as 1-5, 12, C3 to G4."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    drop_tested = forms.BooleanField(
        label=gettext_lazy("The drop test was made on every key"),
        required=False,
        help_text=gettext_lazy(
            "Each key, raised about 50 mm (2 in) and let go, falls by its own weight."
            " One that does not gets the finding for it."
        ),
    )
    note = forms.CharField(
        label=gettext_lazy("Note"), max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )

    FACTS = ("gauge", "humidity", "temperature", "quantities", "sample", "sample_random", "drop_tested", "note")
    was: tuple[tuple[int, ...], bool] = ((), False)

    def __init__(self, *args: Any, compass: Compass, kind: str, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.compass = compass
        if kind != CheckKind.FINAL:
            del self.fields["drop_tested"]
        self.fields["quantities"].choices = [(slug, quantity_title(slug)) for slug in QUANTITIES]  # type: ignore[attr-defined]

    @classmethod
    def of(cls, check: Check, compass: Compass, data: Any = None) -> "CheckForm":
        """The form for a check that was begun."""

        def plain(number: Decimal | None) -> str:
            return "" if number is None else f"{number.normalize():f}"

        form = cls(
            data,
            compass=compass,
            kind=check.kind,
            initial={
                "gauge": check.gauge_id,
                "humidity": plain(check.humidity),
                "temperature": plain(check.temperature),
                "quantities": check.quantities,
                "keys": NAMED if check.sample else EVERY,
                "named": format_keys(check.sample),
                "drop_tested": check.drop_tested,
                "note": check.note,
            },
        )
        if check.gauge_id is not None:  # one retired since stays what it was measured with
            form.fields["gauge"].queryset = Gauge.objects.filter(retired_at__isnull=True) | Gauge.objects.filter(  # type: ignore[attr-defined]
                pk=check.gauge_id
            )
        form.was = tuple(check.sample), check.sample_random
        return form

    @property
    def facts(self) -> dict[str, Any]:
        """What the workflow is given."""
        return {name: self.cleaned_data[name] for name in self.FACTS if name in self.cleaned_data}

    def clean_humidity(self) -> Decimal | None:
        return _decimal(self.cleaned_data["humidity"])

    def clean_temperature(self) -> Decimal | None:
        return _decimal(self.cleaned_data["temperature"])

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        data["sample"], data["sample_random"] = [], False
        if data.get("keys") == RANDOM and "count" not in self.errors:
            self._draw(data)
        elif data.get("keys") == NAMED and "named" not in self.errors:
            self._name(data)
        return data

    def _draw(self, data: dict[str, Any]) -> None:
        present, count = self.compass.present, data.get("count")
        if not count:
            self.add_error("count", ValidationError(_("Write how many keys are to be read.")))
        elif count > len(present):
            self.add_error("count", ValidationError(_("This set has %(count)d keys.") % {"count": len(present)}))
        elif count < len(present):
            data["sample"] = list(stratified_sample(present, count, secrets.randbelow(2**31)))
            data["sample_random"] = True

    def _name(self, data: dict[str, Any]) -> None:
        try:
            data["sample"] = keys_typed(data["named"], self.compass)
        except ValidationError as error:
            self.add_error("named", error)
        else:
            data["sample_random"] = tuple(data["sample"]) == self.was[0] and self.was[1]


class ReasonForm(forms.Form):
    """Why something is done that needs a word."""

    reason = forms.CharField(label=gettext_lazy("Why"), max_length=200)


def _decimal(number: float | None) -> Decimal | None:
    return None if number is None else Decimal(str(round(number, 1)))

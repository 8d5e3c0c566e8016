"""Which caul was used, typed at the stage where cloth is put in."""

from typing import Any

from django import forms
from django.utils.translation import gettext as _

from keyboards.core.quantities import show
from keyboards.forms.numbers import LengthField
from keyboards.models import Caul, Rail
from keyboards.pins import cauls_of, suiting_cauls
from shop.models import Job


class CaulForm(forms.Form):
    """A width a rail in the person's unit, filled in with what was noted last, else with what suits the pins."""

    def __init__(self, data: Any = None, *, job: Job, unit: str):
        super().__init__(data)
        self.unit, self.noted = unit, cauls_of(job)
        suiting = suiting_cauls(job)
        for rail in Rail:
            field = LengthField(label=rail.label, low=1, high=12, required=False)
            field.unit = unit
            if rail in suiting:
                self.initial[rail.value] = self._shown(suiting[rail])
                field.help_text = _("%(caul)s %(unit)s suits the pins as measured.") % {
                    "caul": self._shown(suiting[rail]),
                    "unit": unit,
                }
            if rail in self.noted:
                self.initial[rail.value] = self._shown(self.noted[rail].width)
            self.fields[rail.value] = field

    def _shown(self, width: int) -> str:
        return show(width, self.unit, 3 if self.unit == "in" else 2)

    @property
    def known(self) -> list[tuple[Caul, str]]:
        """What is noted, with its width in the person's unit."""
        return [(caul, self._shown(caul.width)) for _rail, caul in sorted(self.noted.items())]

    @property
    def widths(self) -> dict[str, int]:
        """rail -> micrometres, of the rails that were filled in."""
        return {rail: round(width * 1000) for rail, width in self.cleaned_data.items() if width is not None}

"""What the trade's arithmetic says about values it cannot use."""

from typing import Any

_INCH = 25.4


class Length(float):
    """A length in mm that a message names. Whoever shows the message may say it in another unit."""

    unit = "mm"

    def told_in(self, unit: str) -> "Length":
        """The same, said in mm or in inches (in)."""
        told = Length(self)
        told.unit = unit
        return told

    def __format__(self, _spec: str) -> str:
        return f"{float(self) / _INCH:.4g} in" if self.unit == "in" else f"{float(self):g} mm"


class MeasurementError(ValueError):
    """A value that cannot be used; the message names the argument and says what is wrong.

    `template` is the sentence with names in braces, so that it can be said in another language, `values` what stands
    there: MeasurementError("{name} is too large", name="width").
    """

    def __init__(self, template: str, **values: Any):
        super().__init__(template.format(**values) if values else template)
        self.template, self.values = template, values

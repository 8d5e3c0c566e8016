"""What the trade's arithmetic says about values it cannot use."""

from typing import Any


class MeasurementError(ValueError):
    """A value that cannot be used; the message names the argument and says what is wrong.

    `template` is the sentence with names in braces, so that it can be said in another language, `values` what stands
    there: MeasurementError("{name} is too large", name="width").
    """

    def __init__(self, template: str, **values: Any):
        super().__init__(template.format(**values) if values else template)
        self.template, self.values = template, values

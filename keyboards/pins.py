"""The pins of a set as they were measured, with the caul for each row."""

from dataclasses import dataclass
from statistics import median

from django.utils.translation import gettext as _

from keyboards.core.quantities import show
from keyboards.proving import Proof

# A caul is a little thicker than its pin, so that the cloth dries to a working clearance: .148 in on a .146 in pin.
# Common practice, no standard.
CAUL_OVER_PIN = 50  # um


@dataclass(frozen=True)
class PinSize:
    """A row of pins: the median that was measured and the caul for it, as text in the reader's unit."""

    title: str
    size: str
    caul: str


def pin_sizes(proof: Proof, units: str) -> list[PinSize]:
    """Balance and front pins as measured: in the final check, else before; nothing for pins nobody measured."""
    decimals = 3 if units == "in" else 2
    found = []
    for quantity, title in (("balance_pin", _("Balance pins")), ("front_pin", _("Front pins"))):
        after = [value for row in proof.rows.values() if (value := getattr(row, quantity)) is not None]
        read = after or [value for key in proof.before.present if (value := proof.earlier(quantity, key)) is not None]
        if read:
            pin = round(median(read))
            found.append(PinSize(title, show(pin, units, decimals), show(pin + CAUL_OVER_PIN, units, decimals)))
    return found

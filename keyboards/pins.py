"""The pins of a set as they were measured, with the caul for each row and the one that was used."""

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import median

from django.utils.translation import gettext as _

from keyboards.core.quantities import show
from keyboards.models import Caul, Rail
from keyboards.proving import Proof
from keyboards.specifying import set_readings
from shop.models import Job

# A caul is a little thicker than its pin, so that the cloth dries to a working clearance: .148 in on a .146 in pin.
# Common practice, no standard.
CAUL_OVER_PIN = 50  # um


@dataclass(frozen=True)
class PinSize:
    """A row of pins, as text in the reader's unit: the median that was measured, the caul that suits it ("" both where
    nobody measured), and the caul that was used ("" where nobody noted it; else noted says who did, and when)."""

    title: str
    size: str
    caul: str
    used: str
    noted: Caul | None


def cauls_of(job: Job) -> dict[str, Caul]:
    """rail -> the caul noted last."""
    return {caul.rail: caul for caul in Caul.objects.filter(job=job).select_related("by")}


def suiting_caul(pins: Iterable[float]) -> int:
    """The caul for the median of these pins; all in micrometres."""
    return round(median(pins)) + CAUL_OVER_PIN


def suiting_cauls(job: Job) -> dict[str, int]:
    """rail -> the caul for the pins as they were measured before the work."""
    before = set_readings(job)
    pins = {rail: before.of(f"{rail}_pin") for rail in Rail.values}
    return {rail: suiting_caul(size * 1000 for size in sizes.values()) for rail, sizes in pins.items() if sizes}


def pin_sizes(proof: Proof, units: str) -> list[PinSize]:
    """Balance and front pins as measured: in the final check, else before. Nothing for a row of which neither pins
    nor caul are known."""
    decimals = 3 if units == "in" else 2
    cauls = cauls_of(proof.job)
    found = []
    for rail, quantity, title in (
        (Rail.BALANCE, "balance_pin", _("Balance pins")),
        (Rail.FRONT, "front_pin", _("Front pins")),
    ):
        after = [value for row in proof.rows.values() if (value := getattr(row, quantity)) is not None]
        read = after or [value for key in proof.before.present if (value := proof.earlier(quantity, key)) is not None]
        noted = cauls.get(rail)
        if read or noted:
            found.append(
                PinSize(
                    title,
                    show(round(median(read)), units, decimals) if read else "",
                    show(suiting_caul(read), units, decimals) if read else "",
                    show(noted.width, units, decimals) if noted else "",
                    noted,
                )
            )
    return found

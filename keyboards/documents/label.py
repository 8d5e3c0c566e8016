"""The label for the keyframe: what the next technician needs before opening the report. 70 x 37 mm, to cut out."""

from dataclasses import dataclass
from statistics import median

from django.utils.translation import gettext as _

from keyboards.core.quantities import show
from keyboards.documents.handoff import moment_of, thickness_words
from keyboards.proving import Proof, proof_of, renewed_keys
from shop.documents.codes import job_code
from shop.documents.pdf import make_pdf
from shop.models import Job, MaterialKind, Use

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


def keyframe_label(job: Job, units: str = "mm") -> bytes:
    """The PDF. job comes with client, instrument and stages (Job.objects.for_lists())."""
    proof = proof_of(job)
    uses = list(Use.objects.filter(job=job).select_related("lot__material"))
    lines: dict[str, list[str]] = {}
    for use in uses:
        material = use.lot.material
        told = f"{material.title} {thickness_words(material, units)}".strip()
        line = _("%(material)s, lot %(lot)s") % {"material": told, "lot": use.lot.code}
        if material.kind == MaterialKind.GLUE and material.note:
            line = f"{line} ({material.note})"
        if line not in lines.setdefault(material.kind, []):
            lines[material.kind].append(line)
    renewed, _why = renewed_keys(job, proof.before)
    return make_pdf(
        "documents/label.html",
        {
            "job": job,
            "made_at": moment_of(proof),
            "code": job_code(job),
            "units": units,
            "pins": pin_sizes(proof, units),
            "cloth": lines.get(MaterialKind.CLOTH, []),
            "glue": lines.get(MaterialKind.GLUE, []),
            "wood": [*lines.get(MaterialKind.WOOD, []), *lines.get(MaterialKind.BUTTON, [])],
            "renewed": len(renewed),
            "closed": proof.closed,
        },
    )

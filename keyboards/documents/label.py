"""The label for the keyframe: what the next technician needs before opening the report. To cut out: 70 mm wide, 37 mm
high or more, for what was used is named whole."""

from django.utils.translation import gettext as _

from keyboards.documents.handoff import moment_of, thickness_words
from keyboards.pins import pin_sizes
from keyboards.proving import proof_of, renewed_keys
from shop.documents.codes import job_code
from shop.documents.pdf import make_pdf
from shop.models import Job, MaterialKind, Use


def keyframe_label(job: Job, units: str = "mm") -> bytes:
    """The PDF. job comes with client, instrument and stages (Job.objects.for_lists())."""
    proof = proof_of(job)
    uses = list(Use.objects.filter(job=job).select_related("lot__material"))
    lines: dict[str, list[str]] = {}
    for use in uses:
        material = use.lot.material
        told = f"{material.title} {thickness_words(material, units)}".strip()
        line = _("%(material)s, lot %(lot)s") % {"material": told, "lot": use.lot.code}
        if use.where and material.kind != MaterialKind.GLUE:
            line = f"{line}, {use.where}"
        if material.kind in (MaterialKind.GLUE, MaterialKind.OTHER) and material.note:
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
            "besides": lines.get(MaterialKind.OTHER, []),
            "wood": [*lines.get(MaterialKind.WOOD, []), *lines.get(MaterialKind.BUTTON, [])],
            "renewed": len(renewed),
            "closed": proof.closed,
        },
    )

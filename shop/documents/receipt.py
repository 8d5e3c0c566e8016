"""The receipt: what arrived, in what state, with which wishes, signed by both."""

from shop.cautions import CAUTIONS
from shop.documents.codes import job_code
from shop.documents.pdf import make_pdf
from shop.models import Job, Keytops


def receipt(job: Job) -> bytes:
    """The PDF. The caution about ivory stands on it only where the keytops are known to be ivory."""
    return make_pdf(
        "documents/receipt.html",
        {
            "job": job,
            "code": job_code(job),
            "ivory": CAUTIONS["ivory"] if job.instrument.keytops == Keytops.IVORY else None,
            "made_at": job.received_at,
        },
    )

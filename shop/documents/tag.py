"""A tag for every box of a set: what stands on it must be read from across the room and from a phone."""

from shop.documents.codes import job_code
from shop.documents.pdf import make_pdf
from shop.models import Job


def tags_of(job: Job) -> bytes:
    """The PDF: one tag a box, "box 1 of 3", several on a sheet."""
    return make_pdf(
        "documents/tags.html",
        {"job": job, "boxes": range(1, job.boxes + 1), "code": job_code(job), "made_at": job.received_at},
    )

"""QR codes on tags and labels. Their addresses never change: a tag is read years later."""

import segno
from django.conf import settings
from django.urls import reverse

from shop.models import Job


def job_address(job: Job) -> str:
    """The address of a job's page, as a phone in the shop reaches it."""
    return f"{settings.SITE_ADDRESS}{reverse('job_detail', args=[job.number])}"


def job_code(job: Job) -> str:
    """The QR code of a job's page (ISO/IEC 18004, level M, quiet zone of 4 modules) as an SVG data: address."""
    return segno.make(job_address(job), error="m", micro=False).svg_data_uri(border=4, omitsize=True)

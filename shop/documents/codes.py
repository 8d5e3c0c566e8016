"""QR codes on tags and labels. Their addresses never change: a tag is read years later."""

import segno
from django.conf import settings
from django.urls import reverse

from shop.models import Job


def job_address(job: Job) -> str:
    """The address that a tag carries: it leads to the place that fits who scans it."""
    return f"{settings.SITE_ADDRESS}{reverse('job_scan', args=[job.number])}"


def job_code(job: Job) -> str:
    """The QR code of a job (ISO/IEC 18004, level M, quiet zone of 4 modules) as an SVG data: address."""
    return segno.make(job_address(job), error="m", micro=False).svg_data_uri(border=4, omitsize=True)

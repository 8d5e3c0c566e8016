"""The cloth to cut for a set."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from keyboards.strips import cloth_rows, cloth_sizes, cloth_warnings, cloths_to_cut
from shop.access import PersonRequest, allowed, job_for
from shop.models import Job


@require_safe
@allowed()
def cloth_strips(request: PersonRequest, number: int) -> HttpResponse:
    """Which cloth for which keys, and how its sheets are cut."""
    job = job_for(number, Job.objects.select_related("client", "instrument"))
    cloths = cloths_to_cut(job)
    context: dict[str, Any] = {"job": job, "cloths": cloths}
    if cloths:
        unit = request.user.units
        context |= {
            "rows": cloth_rows(cloths, unit),
            "sizes": cloth_sizes(cloths, unit),
            "warnings": cloth_warnings(cloths),
        }
    return render(request, "keyboards/strips/detail.html", context)

"""The bench sheet: what to do to which keys, by which figures, with which cautions. One sheet, fit for dusty hands."""

from typing import Any

from django.utils.translation import gettext as _

from keyboards.advising import assumptions_for
from keyboards.core.assumptions import final_limits
from keyboards.core.keys import format_keys
from keyboards.documents.handoff import place_words, range_of, sign_of
from keyboards.drafting import size_words, standing
from keyboards.models import Compass
from keyboards.proving import limit_title
from shop.cautions import CAUTIONS
from shop.core import route
from shop.documents.codes import job_code
from shop.documents.pdf import make_pdf
from shop.models import Job, Keytops


def bench_sheet(job: Job, units: str) -> bytes:
    """The PDF. job comes with client, instrument and stages (Job.objects.for_lists())."""
    compass = Compass.objects.filter(job=job).first()
    lines = job.estimates.agreed_lines()
    stages: list[dict[str, Any]] = []
    for stage in job.stages.all():
        if stage.whose != route.BENCH and stage.kind not in ("pack", "leave"):
            continue
        own = [line for line in lines if line.stage == stage.kind]
        stages.append({"stage": stage, "lines": own, "hours": stage.minutes / 60 if stage.minutes else None})
    slugs = list(dict.fromkeys(slug for line in lines if line.operation for slug in line.operation.cautions))
    if job.instrument.keytops == Keytops.IVORY:
        slugs.append("ivory")
    drawing = standing(job, units)
    groups: list[dict[str, Any]] = []
    for number, group in enumerate(drawing.drawing.contents["groups"] if drawing else (), start=1):
        sizes = {name: size_words(name, group[name], units) for name in ("length", "width", "height", "skew")}
        sizes |= {"mortise": size_words("mortise_width", group["mortise_width"], units)}
        sizes |= {"offset": size_words("offset", group["offset"], units) if group["offset"] else ""}
        groups.append({"number": number, "keys": format_keys(group["keys"]), "count": len(group["keys"]), **sizes})
    names = compass.keys if compass else None
    missing = [f"{key} {names.name(key)}" for key in compass.missing] if compass and names else []
    return make_pdf(
        "documents/benchsheet.html",
        {
            "job": job,
            "code": job_code(job),
            "missing": missing,
            "broken": format_keys(compass.broken) if compass and compass.broken else "",
            "stages": stages,
            "cautions": [CAUTIONS[slug] for slug in dict.fromkeys(slugs) if slug in CAUTIONS],
            "limits": [
                (limit_title(limit.quantity), place_words(limit), range_of(limit, units), sign_of(limit.unit, units))
                for limit in final_limits(assumptions_for(job))
            ],
            "groups": groups,
            "drawing": drawing,
            "agreed": bool(lines),
            "title": _("Bench sheet"),
        },
    )

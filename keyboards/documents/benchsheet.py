"""The bench sheet: what to do to which keys, by which figures, with which cautions. One sheet, fit for dusty hands."""

from collections.abc import Mapping
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.advising import assumptions_for
from keyboards.core.assumptions import final_limits
from keyboards.core.keys import format_keys
from keyboards.documents.handoff import place_words, range_of, sign_of
from keyboards.drafting import size_words, standing
from keyboards.models import Compass
from keyboards.progressing import progress_of, redo_of
from keyboards.proving import limit_title
from keyboards.strips import cloth_rows, cloth_sizes, cloths_to_cut
from shop.cautions import CAUTIONS
from shop.core import route
from shop.documents.codes import job_code
from shop.documents.pdf import make_pdf
from shop.models import Guide, Job, Keytops, Tick

_SIDES = 2
# What a sheet that would be longer keeps of each list; the rest is told as a number.
_LINES, _GROUPS, _CLOTHS, _LETTERS = 2, 10, 5, 300


def bench_sheet(job: Job, units: str) -> bytes:
    """The PDF, never more than both sides of a sheet: in small type where it would be longer, then with its lists cut
    short. job comes with client, instrument and stages (Job.objects.for_lists())."""
    full = _contents(job, units)
    for context in (full, {**full, "tight": True}):
        if pdf := make_pdf("documents/benchsheet.html", context, most=_SIDES):
            return pdf
    return make_pdf("documents/benchsheet.html", _cut_short(full))


def _cut_short(full: Mapping[str, Any]) -> dict[str, Any]:
    stages = [
        {**row, "lines": row["lines"][:_LINES], "more": max(len(row["lines"]) - _LINES, 0), "steps": []}
        for row in full["stages"]
    ]
    return {
        **full,
        "tight": True,
        "short": _LETTERS,
        "stages": stages,
        "groups": full["groups"][:_GROUPS],
        "more_groups": max(len(full["groups"]) - _GROUPS, 0),
        "cloths": full["cloths"][:_CLOTHS],
        "more_cloths": max(len(full["cloths"]) - _CLOTHS, 0),
    }


def _contents(job: Job, units: str) -> dict[str, Any]:
    compass = Compass.objects.filter(job=job).first()
    lines = job.estimates.agreed_lines()
    guides = {guide.kind: guide.step_list for guide in Guide.objects.all()}
    ticked = set(Tick.objects.filter(stage__job=job).values_list("stage_id", "step"))
    stages: list[dict[str, Any]] = []
    redo, now = redo_of(job), timezone.now()
    for stage in job.stages.all():
        if stage.state == route.SKIPPED or (stage.whose != route.BENCH and stage.kind not in ("pack", "leave")):
            continue
        own = [line for line in lines if line.stage == stage.kind]
        steps = [(step, (stage.pk, step) in ticked) for step in guides.get(stage.kind, ()) if stage.is_open]
        stage.job = job
        progress = progress_of(stage, redo) if stage.is_open else None
        again = progress.again if progress else ""
        stages.append(
            {
                "stage": stage,
                "lines": own,
                "steps": steps,
                # What was quoted is for all the keys, not for those that come back to be put right.
                "hours": stage.minutes / 60 if stage.minutes and not again else None,
                "again": again,
                "keys": progress.part if progress else "",
                "wet": stage.ready_at is not None and stage.ready_at > now,
                "dries": max((line.operation.wait_hours for line in own if line.operation), default=0),
            }
        )
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
    to_cloth = any(row["stage"].kind == "cloth" and row["stage"].is_open and not row["again"] for row in stages)
    cloths = cloths_to_cut(job) if to_cloth else None
    names = compass.keys if compass else None
    missing = [f"{key} {names.name(key)}" for key in compass.missing] if compass and names else []
    return {
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
        "cloths": cloth_rows(cloths, units) if cloths else [],
        "cloth_sizes": cloth_sizes(cloths, units) if cloths else "",
        "agreed": bool(lines),
        "title": _("Bench sheet"),
    }

"""Which keys of a stage are done, kept by tapping them or by naming them."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from keyboards.core.errors import MeasurementError
from keyboards.core.keys import format_keys
from keyboards.models import Compass
from keyboards.progressing import KEY_BY_KEY, progress_of
from keyboards.words import wrong_with
from keyboards.workflow.progress import progress_keep
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for
from shop.htmx import asks_as_typed
from shop.models import Job, Stage
from shop.workflow.refusal import Refused

_LONGEST = 400


@require_POST
@allowed(TECHNICIAN)
def keys_tick(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Keeps what was ticked and unticked since the page was shown, and keys named in words beside it."""
    job = job_for(number)
    stage = fetch(job.stages.all(), pk=stage_id)
    stage.job = job
    compass = Compass.objects.filter(job=job).first()
    if stage.kind not in KEY_BY_KEY or compass is None:
        raise Http404
    shown, ticked = _numbers(request.POST.get("shown", "").split()), _numbers(request.POST.getlist("key"))
    text, trouble = request.POST.get("also", "").replace("\x00", "").strip(), ""
    done, undone = ticked - shown, shown - ticked
    try:
        if len(text) > _LONGEST:
            raise MeasurementError(_("Name the keys in at most %(most)d characters.") % {"most": _LONGEST})
        named = set(compass.keys.parse(text)) if text else set()
        absent = named - set(compass.present)
        beside = _beside(stage, named - absent)
        progress_keep(stage, done=done | named - absent - beside, undone=undone, by=request.user)
        if absent:
            trouble = _("Kept without keys %(keys)s: they did not come with the set.") % {"keys": format_keys(absent)}
        elif beside:
            trouble = _(
                "Kept without keys %(keys)s: nothing is to be done on them here. Tap one that was done all the same."
            ) % {"keys": format_keys(beside)}
        text = ""
    except MeasurementError as error:
        trouble = wrong_with(error)
    except Refused as refusal:
        trouble = str(refusal)
    if not asks_as_typed(request):
        if not trouble:
            messages.success(request, _("Kept."))
            return redirect("stage_detail", number, stage_id)
        # Without JavaScript the sentence comes with what was typed, on a page of the panel alone.
        return render(request, "keyboards/progress/again.html", _context(job, stage, trouble, text))
    return render(request, "keyboards/progress/_panel.html", _context(job, stage, trouble, text))


def _beside(stage: Stage, named: set[int]) -> set[int]:
    """Those of the named keys that a stage is not for: "28-60" means the keys of that range that get a button."""
    progress = progress_of(stage)
    wanted = {key.number for key in progress.keys if key.wanted} if progress else set()
    return named - wanted if named & wanted else set()


def _context(job: Job, stage: Stage, trouble: str, text: str) -> dict[str, Any]:
    stage.refresh_from_db()
    stage.job = job
    return {
        "progress": progress_of(stage),
        "stage": stage,
        "job": job,
        "trouble": trouble,
        "also": text,
        "may": True,
    }


def _numbers(words: list[str]) -> set[int]:
    return {int(word) for word in words[:300] if word.isascii() and word.isdecimal() and len(word) < 4}

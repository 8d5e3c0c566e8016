"""Which keys of a stage are done, kept by tapping them or by naming them."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from keyboards.core.errors import MeasurementError
from keyboards.models import Compass
from keyboards.progressing import KEY_BY_KEY, progress_of
from keyboards.workflow.progress import progress_keep
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for
from shop.htmx import asks_as_typed
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
    text, trouble = request.POST.get("also", "").replace("\x00", "").strip()[:_LONGEST], ""
    done, undone = ticked - shown, shown - ticked
    try:
        done |= set(compass.keys.parse(text)) & set(compass.present) if text else set()
        before = progress_of(stage)
        wanted = before.wanted if before else None
        progress_keep(stage, done=done, undone=undone, by=request.user, wanted=wanted)
        text = ""
    except MeasurementError as error:
        trouble = str(error)
    except Refused as refusal:
        trouble = str(refusal)
    if not asks_as_typed(request):
        if trouble:
            messages.error(request, trouble)
        else:
            messages.success(request, _("Kept."))
        return redirect("stage_detail", number, stage_id)
    stage.refresh_from_db()
    stage.job = job
    context = {
        "progress": progress_of(stage),
        "stage": stage,
        "job": job,
        "trouble": trouble,
        "also": text,
        "may": True,
    }
    return render(request, "keyboards/progress/_panel.html", context)


def _numbers(words: list[str]) -> set[int]:
    return {int(word) for word in words[:300] if word.isascii() and word.isdecimal() and len(word) < 4}

"""One stage of a job: what to do, with which cautions; begin, put down, finish, skip, send back; what was used."""

from collections.abc import Callable

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from shop.access import ANYONE_HERE, OWNER, TECHNICIAN, PersonRequest, allowed, job_for, may
from shop.cautions import CAUTIONS
from shop.forms.stages import (
    CountOutForm,
    HandOverForm,
    HoursForm,
    KeysDoneForm,
    PutDownForm,
    ReasonForm,
    SendBackForm,
    UseForm,
)
from shop.models import EstimateState, Job, Line, Stage
from shop.workflow import materials, stages
from shop.workflow.refusal import Refused


def _stage(job: Job, stage_id: int) -> Stage:
    """The stage, with its job the row that is already read."""
    for stage in job.stages.all():
        if stage.pk == stage_id:
            stage.job = job
            return stage
    raise Http404


def _lines(stage: Stage) -> list[Line]:
    """The agreed work of this stage: from the accepted option, what is common, and the extras said yes to."""
    lines = Line.objects.filter(
        estimate__job_id=stage.job_id, estimate__state=EstimateState.ACCEPTED, stage=stage.kind
    ).select_related("operation", "estimate")
    answer = None
    out = []
    for line in lines:
        if answer is None:
            answer = line.estimate.answers.filter(kind="yes").first()
        chosen = answer.option_id if answer else None
        if line.option_id not in (None, chosen):
            continue
        if line.kind == "extra" and answer and not answer.extras.filter(pk=line.pk).exists():
            continue
        if line.kind != "discount":
            out.append(line)
    return out


def _whose(request: PersonRequest, stage: Stage) -> bool:
    """Whether this person moves the stage: the bench's by technicians, the desk's by all, the rest by the owner."""
    if stage.whose == "bench":
        return may(request.user, TECHNICIAN)
    if stage.whose == "desk":
        return may(request.user, *ANYONE_HERE)
    return may(request.user, OWNER)


def _page(request: PersonRequest, stage: Stage, **forms) -> HttpResponse:
    job = stage.job
    lines = _lines(stage)
    codes = dict.fromkeys(code for line in lines if line.operation for code in line.operation.cautions)
    spells = list(stage.spells.select_related("by"))
    running = [spell for spell in spells if spell.minutes is None]
    worked = sum(spell.minutes or 0 for spell in spells)
    earlier_done = any(row.state == "done" and row.position < stage.position for row in job.stages.all())
    context = {
        "job": job,
        "stage": stage,
        "lines": lines,
        "cautions": [CAUTIONS[code] for code in codes if code in CAUTIONS],
        "spells": spells,
        "running": running,
        "mine_runs": any(spell.by_id == request.user.pk for spell in running),
        "worked": worked,
        "drying": stage.ready_at is not None and stage.ready_at > timezone.now(),
        "is_current": job.current_stage is not None and job.current_stage.pk == stage.pk,
        "why_not": stages.why_not_finished(stage) if stage.is_open else "",
        "may_move": _whose(request, stage),
        "uses": job.uses.select_related("lot__material", "by"),
        "use_form": UseForm(),
        "hours_form": HoursForm(),
        "put_down_form": PutDownForm(),
        "keys_form": KeysDoneForm(initial={"count": stage.keys_done}),
        "skip_form": ReasonForm(prefix="skip"),
        "back_form": SendBackForm(job=job, prefix="back") if earlier_done else None,
        "count_form": CountOutForm(job=job, initial={"boxes": job.boxes}) if stage.kind == "pack" else None,
        "hand_over_form": HandOverForm() if stage.kind == "leave" else None,
    }
    return render(request, "shop/stages/detail.html", {**context, **forms})


@require_safe
@allowed(*ANYONE_HERE)
def stage_detail(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """What to do at this stage and how far it is."""
    return _page(request, _stage(job_for(number), stage_id))


def _move(
    request: PersonRequest, number: int, stage_id: int, change: Callable[[Stage], object], done: str
) -> HttpResponse:
    """Does one change to a stage; a refusal is shown on the page that the person comes back to."""
    stage = _stage(job_for(number), stage_id)
    if not _whose(request, stage):
        messages.error(request, _("This stage is moved by somebody else in the shop."))
        return redirect("stage_detail", number, stage_id)
    try:
        change(stage)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("stage_detail", number, stage_id)
    messages.success(request, done)
    return redirect("job_detail", number) if done == _FINISHED() else redirect("stage_detail", number, stage_id)


def _FINISHED() -> str:  # noqa: N802
    return _("The stage is done.")


@require_POST
@allowed(*ANYONE_HERE)
def stage_begin(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Takes the stage in hand, or goes on with one that is under way."""

    def change(stage: Stage) -> None:
        if stage.state == "begun":
            stages.stage_take_up(stage, by=request.user)
        else:
            stages.stage_begin(stage, by=request.user)

    return _move(request, number, stage_id, change, _("It is in your hands."))


@require_POST
@allowed(*ANYONE_HERE)
def stage_put_down(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Stops for now."""
    form = PutDownForm(request.POST)
    if not form.is_valid():
        return _page(request, _stage(job_for(number), stage_id), put_down_form=form)
    return _move(
        request,
        number,
        stage_id,
        lambda stage: stages.stage_put_down(stage, by=request.user, note=form.cleaned_data["note"]),
        _("Put down. Your time is kept."),
    )


@require_POST
@allowed(*ANYONE_HERE)
def stage_finish(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Says that the stage is done; packing needs the count, handing over the name."""
    job = job_for(number)
    stage = _stage(job, stage_id)
    note = ""
    if stage.kind == "pack":
        count = CountOutForm(request.POST, job=job)
        if not count.is_valid():
            return _page(request, stage, count_form=count)
        note = _("%(keys)d keys, %(boxes)d boxes") % count.cleaned_data
        if count.cleaned_data["meant"]:
            note = f"{note}: {count.cleaned_data['meant']}"
    if stage.kind == "leave":
        hand_over = HandOverForm(request.POST)
        if not hand_over.is_valid():
            return _page(request, stage, hand_over_form=hand_over)
        name = hand_over.cleaned_data["left_with"]
        return _move(
            request,
            number,
            stage_id,
            lambda row: stages.hand_over(row, by=request.user, left_with=name),
            _FINISHED(),
        )
    return _move(
        request,
        number,
        stage_id,
        lambda row: stages.stage_finish(row, by=request.user, note=note),
        _FINISHED(),
    )


@require_POST
@allowed(*ANYONE_HERE)
def stage_skip(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Leaves the stage out, with a reason."""
    form = ReasonForm(request.POST, prefix="skip")
    if not form.is_valid():
        return _page(request, _stage(job_for(number), stage_id), skip_form=form, skip_open=True)
    return _move(
        request,
        number,
        stage_id,
        lambda stage: stages.stage_skip(stage, by=request.user, reason=form.cleaned_data["reason"]),
        _("Skipped."),
    )


@require_POST
@allowed(*ANYONE_HERE)
def stage_send_back(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Sends the set back to an earlier stage, with a reason."""
    job = job_for(number)
    stage = _stage(job, stage_id)
    form = SendBackForm(request.POST, job=job, prefix="back")
    if not form.is_valid():
        return _page(request, stage, back_form=form, back_open=True)
    target = form.cleaned_data["stage"]
    return _move(
        request,
        number,
        stage_id,
        lambda _row: stages.send_back(job, target, by=request.user, reason=form.cleaned_data["reason"]),
        _("The set went back to: %(stage)s.") % {"stage": target.title},
    )


@require_POST
@allowed(TECHNICIAN)
def hours_book(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Work written down by hand."""
    form = HoursForm(request.POST)
    if not form.is_valid():
        return _page(request, _stage(job_for(number), stage_id), hours_form=form, hours_open=True)
    return _move(
        request,
        number,
        stage_id,
        lambda stage: stages.hours_book(stage, by=request.user, **form.cleaned_data),
        _("Your time is kept."),
    )


@require_POST
@allowed(TECHNICIAN)
def keys_done(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """How many keys are done so far."""
    form = KeysDoneForm(request.POST)
    if not form.is_valid():
        return _page(request, _stage(job_for(number), stage_id), keys_form=form)
    return _move(
        request,
        number,
        stage_id,
        lambda stage: stages.keys_done(stage, by=request.user, count=form.cleaned_data["count"]),
        _("Kept."),
    )


@require_POST
@allowed(TECHNICIAN)
def use_record(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """A lot used on this set."""
    job = job_for(number)
    stage = _stage(job, stage_id)
    form = UseForm(request.POST)
    if not form.is_valid():
        return _page(request, stage, use_form=form)
    return _move(
        request,
        number,
        stage_id,
        lambda _row: materials.use_record(job=job, by=request.user, **form.cleaned_data),
        _("Kept with the set."),
    )

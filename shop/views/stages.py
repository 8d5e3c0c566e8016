"""One stage of a job: what to do, with which cautions; begin, put down, finish, skip, send back; what was used."""

from collections.abc import Callable

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import seams
from shop.access import ANYONE_HERE, OWNER, TECHNICIAN, PersonRequest, allowed, fetch, job_for, may
from shop.cautions import CAUTIONS
from shop.forms.counts import CountOutForm
from shop.forms.stages import (
    AddStageForm,
    EarlyForm,
    HandOverForm,
    HoursCorrectForm,
    HoursForm,
    PutDownForm,
    ReasonForm,
    SendBackForm,
    UseForm,
)
from shop.models import Bill, Guide, Job, Stage
from shop.workflow import counts, materials, stages
from shop.workflow.refusal import Refused


def _stage(job: Job, stage_id: int) -> Stage:
    """The stage, with its job the row that is already read."""
    for stage in job.stages.all():
        if stage.pk == stage_id:
            stage.job = job
            return stage
    raise Http404


def _whose(request: PersonRequest, stage: Stage) -> bool:
    """Whether this person moves the stage: the bench's by technicians, the desk's by all, the rest by the owner."""
    if stage.whose == "bench":
        return may(request.user, TECHNICIAN)
    if stage.whose == "desk":
        return may(request.user, *ANYONE_HERE)
    return may(request.user, OWNER)


def _page(request: PersonRequest, stage: Stage, **forms) -> HttpResponse:
    job = stage.job
    lines = [line for line in job.estimates.agreed_lines() if line.stage == stage.kind]
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
        "may_correct": {spell.pk for spell in spells if spell.by_id == request.user.pk or may(request.user, OWNER)},
        "dries": max((line.operation.wait_hours for line in lines if line.operation), default=0),
        "drying": stage.ready_at is not None and stage.ready_at > timezone.now(),
        "is_current": job.current_stage is not None and job.current_stage.pk == stage.pk,
        "why_not": stages.why_not_finished(stage) if stage.is_open else "",
        "may_move": _whose(request, stage),
        "may_add": may(request.user, TECHNICIAN) and stage.whose == "bench" and stage.kind != "arrival_check",
        "uses": job.uses.select_related("lot__material", "by"),
        "use_form": forms.get("use_form") or UseForm(older=request.GET.get("lots") == "all"),
        "hours_form": HoursForm(auto_id="id_hours_%s"),
        "put_down_form": PutDownForm(by=request.user, auto_id="id_put_down_%s"),
        "early_form": EarlyForm(),
        "add_form": AddStageForm(prefix="add"),
        "guide": Guide.objects.filter(kind=stage.kind).first(),
        "ticks": {tick.step: tick for tick in stage.ticks.select_related("by")},
        "skip_form": ReasonForm(prefix="skip"),
        "back_form": SendBackForm(job=job, prefix="back") if earlier_done else None,
        "count_form": CountOutForm(job=job) if stage.kind == "pack" else None,
        "hand_over_form": HandOverForm() if stage.kind == "leave" else None,
        "bill": Bill.objects.live().filter(job=job).first() if stage.kind == "leave" else None,
    }
    return render(request, "shop/stages/detail.html", {**context, **forms})


@require_safe
@allowed(*ANYONE_HERE)
def stage_detail(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """What to do at this stage and how far it is."""
    return _page(request, _stage(job_for(number), stage_id))


def _move(
    request: PersonRequest, stage: Stage, change: Callable[[], object], done: str, *, to_job: bool = False
) -> HttpResponse:
    """Does one change at a stage; a refusal is shown on the page that the person comes back to."""
    back = redirect("stage_detail", stage.job.number, stage.pk)
    if not _whose(request, stage):
        messages.error(request, _("This stage is moved by somebody else in the shop."))
        return back
    try:
        change()
    except Refused as refusal:
        messages.error(request, str(refusal))
        return back
    messages.success(request, done)
    return redirect("job_detail", stage.job.number) if to_job else back


@require_POST
@allowed(*ANYONE_HERE)
def stage_begin(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Takes the stage in hand, or goes on with one that is under way."""
    stage = _stage(job_for(number), stage_id)
    words = _("It is in your hands.")
    if stage.state == "begun":
        return _move(request, stage, lambda: stages.stage_take_up(stage, by=request.user), words)
    early = ""
    if "early" in request.POST:
        form = EarlyForm(request.POST)
        if not form.is_valid():
            return _page(request, stage, early_form=form)
        early = form.cleaned_data["early"]
    return _move(request, stage, lambda: stages.stage_begin(stage, by=request.user, early=early), words)


@require_POST
@allowed(*ANYONE_HERE)
def stage_put_down(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Stops for now."""
    stage = _stage(job_for(number), stage_id)
    form = PutDownForm(request.POST, by=request.user)
    if not form.is_valid():
        return _page(request, stage, put_down_form=form)
    told = form.cleaned_data
    return _move(
        request,
        stage,
        lambda: stages.stage_put_down(stage, by=request.user, **told),
        _("Put down. Your time is kept."),
    )


@require_POST
@allowed(*ANYONE_HERE)
def stage_finish(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Says that the stage is done; packing needs the count, handing over the name."""
    stage = _stage(job_for(number), stage_id)
    if _whose(request, stage) and "sure" not in request.POST and (doubts := _doubts(stage)):
        return _page(request, stage, doubts=doubts)
    done = _("The stage is done.")
    ticked = set(stage.ticks.values_list("step", flat=True))
    guide = Guide.objects.filter(kind=stage.kind).first()
    if steps := [step for step in guide.step_list if step not in ticked] if guide else []:
        done += " " + _("Not ticked: %(steps)s.") % {"steps": ", ".join(steps)}
    if stage.kind == "leave":
        hand_over = HandOverForm(request.POST)
        if not hand_over.is_valid():
            return _page(request, stage, hand_over_form=hand_over)
        name = hand_over.cleaned_data["left_with"]
        return _move(
            request, stage, lambda: stages.hand_over(stage, by=request.user, left_with=name), done, to_job=True
        )
    if stage.kind == "pack":
        count = CountOutForm(request.POST, job=stage.job)
        if not count.is_valid():
            return _page(request, stage, count_form=count)
        told = count.cleaned_data
        return _move(request, stage, lambda: counts.count_out(stage, by=request.user, **told), done, to_job=True)
    return _move(request, stage, lambda: stages.stage_finish(stage, by=request.user), done, to_job=True)


def _doubts(stage: Stage) -> list[str]:
    """What looks forgotten at a stage that is to be finished, asked once. Steps of the guide are not: many shops tick
    none, and the message after the finish names them."""
    told = []
    if stage.keys_left:
        counts = {"done": stage.keys_done, "wanted": stage.keys_wanted}
        told.append(_("%(done)d of %(wanted)d keys are ticked; the log will say so.") % counts)
    return told + [doubt for ask in seams.doubts if (doubt := ask(stage))]


@require_POST
@allowed(*ANYONE_HERE)
def stage_skip(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Leaves the stage out, with a reason."""
    stage = _stage(job_for(number), stage_id)
    form = ReasonForm(request.POST, prefix="skip")
    if not form.is_valid():
        return _page(request, stage, skip_form=form, skip_open=True)
    reason = form.cleaned_data["reason"]
    return _move(request, stage, lambda: stages.stage_skip(stage, by=request.user, reason=reason), _("Skipped."))


@require_POST
@allowed(*ANYONE_HERE)
def stage_send_back(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Sends the set back to an earlier stage, with a reason."""
    stage = _stage(job_for(number), stage_id)
    form = SendBackForm(request.POST, job=stage.job, prefix="back")
    if not form.is_valid():
        return _page(request, stage, back_form=form, back_open=True)
    target, reason = form.cleaned_data["stage"], form.cleaned_data["reason"]
    return _move(
        request,
        stage,
        lambda: stages.send_back(stage.job, target, by=request.user, reason=reason),
        _("The set went back to: %(stage)s.") % {"stage": target.title},
    )


@require_POST
@allowed(TECHNICIAN)
def stage_add(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Adds a step of work to the route; the page it was asked on shows what is wrong with it."""
    stage = _stage(job_for(number), stage_id)
    form = AddStageForm(request.POST, prefix="add")
    if form.is_valid():
        try:
            added = stages.stage_add(stage.job, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Added. It stands on the route, and on no estimate."))
            return redirect("stage_detail", number, added.pk)
    return _page(request, stage, add_form=form, add_open=True)


@require_POST
@allowed(TECHNICIAN)
def hours_book(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Work written down by hand."""
    stage = _stage(job_for(number), stage_id)
    form = HoursForm(request.POST)
    if not form.is_valid():
        return _page(request, stage, hours_form=form, hours_open=True)
    booked = form.cleaned_data
    return _move(request, stage, lambda: stages.hours_book(stage, by=request.user, **booked), _("Your time is kept."))


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def hours_correct(request: PersonRequest, number: int, stage_id: int, spell_id: int) -> HttpResponse:
    """Puts one's own time right, the owner anybody's."""
    stage = _stage(job_for(number), stage_id)
    spells = stage.spells.filter(minutes__isnull=False).select_related("by")
    spell = fetch(spells if may(request.user, OWNER) else spells.filter(by=request.user), pk=spell_id)
    form = HoursCorrectForm(request.POST or None, initial={"minutes": spell.minutes})
    if request.method == "POST" and form.is_valid():
        minutes = form.cleaned_data["minutes"]
        return _move(
            request, stage, lambda: stages.hours_correct(spell, by=request.user, minutes=minutes), _("Put right.")
        )
    return render(request, "shop/stages/hours.html", {"job": stage.job, "stage": stage, "spell": spell, "form": form})


@require_POST
@allowed(TECHNICIAN)
def use_record(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """A lot used on this set."""
    stage = _stage(job_for(number), stage_id)
    form = UseForm(request.POST)
    if not form.is_valid():
        return _page(request, stage, use_form=form)
    used = form.cleaned_data
    return _move(
        request,
        stage,
        lambda: materials.use_record(job=stage.job, by=request.user, **used),
        _("Kept with the set."),
    )

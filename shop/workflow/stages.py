"""Moves along a job's route. Each locks the job first, so that two people at once get one result and one sentence."""

import datetime
from collections.abc import Mapping
from decimal import Decimal

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shop import seams
from shop.core import route
from shop.models import EstimateState, Job, Person, Stage
from shop.workflow.events import record
from shop.workflow.refusal import Refused


def _sentence(reason: str) -> str:
    return {
        "held": _("This set is on hold. Take it off hold first."),
        "not_waiting": _("Somebody has begun this stage already."),
        "not_open": _("This stage is not open any more."),
        "earlier_open": _("An earlier stage is still open."),
        "guarded": _("This stage guards the way out and is never skipped."),
        "not_done": _("The set can only go back to a stage that was done."),
    }[reason]


def _estimate_sent(job: Job) -> str:
    settled = (EstimateState.SENT, EstimateState.ACCEPTED, EstimateState.DECLINED)
    return "" if job.estimates.filter(state__in=settled).exists() else _("No estimate has been sent yet.")


def _answer_given(job: Job) -> str:
    given = (EstimateState.ACCEPTED, EstimateState.DECLINED)
    return "" if job.estimates.filter(state__in=given).exists() else _("The client has not answered yet.")


_OWN_GATES = {"estimate_sent": _estimate_sent, "answer_given": _answer_given}


def why_not_finished(stage: Stage) -> str:
    """The sentence of the gate that this stage waits at, "" where the way is free."""
    gate = route.KINDS[stage.kind].gate
    if gate in _OWN_GATES:
        return _OWN_GATES[gate](stage.job)
    return seams.why_closed(gate, stage.job) if gate else ""


def lock(job: Job) -> Job:
    """The job's row, locked until the transaction ends (SQLite locks the whole file: IMMEDIATE)."""
    return Job.objects.select_for_update().get(pk=job.pk)


def _route_of(job: Job) -> list[Stage]:
    return list(job.stages.select_related(None).all())


def _find(stages: list[Stage], stage: Stage) -> int:
    for index, row in enumerate(stages):
        if row.pk == stage.pk:
            return index
    raise Refused(_("This stage is not part of the route any more."))


def _keep_place(job: Job, stages: list[Stage]) -> None:
    index = route.next_open([stage.state for stage in stages])
    job.stage = stages[index].kind if index is not None else ""
    job.save(update_fields=["stage"])


def lay_route(job: Job, kinds: Mapping[str, Decimal] | None = None) -> None:
    """Makes the stages that every route has. kinds: slug -> expected minutes of work stages known at once."""
    minutes = dict(kinds or {})
    slugs = sorted({*route.ALWAYS, *minutes}, key=lambda slug: route.KINDS[slug].order)
    Stage.objects.bulk_create(
        Stage(job=job, position=route.KINDS[slug].order, kind=slug, minutes=minutes.get(slug, Decimal(0)))
        for slug in slugs
    )


def add_work(job: Job, minutes: Mapping[str, Decimal]) -> list[Stage]:
    """Adds the work stages of an accepted estimate (slug -> minutes) that the route does not have yet, and
    brings the minutes of the others up to date. A stripped check comes with every stripping."""
    existing = {stage.kind: stage for stage in job.stages.all()}
    added = []
    for slug in route.work_in_order(list(minutes)):
        expected = Decimal(minutes.get(slug, 0))
        if slug in existing:
            if existing[slug].minutes != expected:
                existing[slug].minutes = expected
                existing[slug].save(update_fields=["minutes"])
            continue
        added.append(Stage(job=job, position=route.KINDS[slug].order, kind=slug, minutes=expected))
    Stage.objects.bulk_create(added)
    return added


@transaction.atomic
def stage_begin(stage: Stage, *, by: Person, at: datetime.datetime | None = None) -> Stage:
    """Somebody takes the stage in hand."""
    at = at or timezone.now()
    job = lock(stage.job)
    stages = _route_of(job)
    index = _find(stages, stage)
    stage = stages[index]
    if reason := route.may_begin([row.state for row in stages], index, held=job.held_since is not None):
        raise Refused(_sentence(reason))
    stage.state, stage.begun_at, stage.begun_by = route.BEGUN, at, by
    stage.save(update_fields=["state", "begun_at", "begun_by"])
    record("stage_begun", by=by, job=job, at=at, stage=stage.kind)
    return stage


@transaction.atomic
def stage_finish(stage: Stage, *, by: Person | None, at: datetime.datetime | None = None, note: str = "") -> Stage:
    """Somebody says the stage is done. Begun in the same moment where nobody pressed "begin"."""
    at = at or timezone.now()
    job = lock(stage.job)
    stages = _route_of(job)
    index = _find(stages, stage)
    stage = stages[index]
    if reason := route.may_finish([row.state for row in stages], index, held=job.held_since is not None):
        raise Refused(_sentence(reason))
    if sentence := why_not_finished(stage):
        raise Refused(sentence)
    _finish(job, stage, stages, by=by, at=at, note=note)
    return stage


def _finish(
    job: Job, stage: Stage, stages: list[Stage], *, by: Person | None, at: datetime.datetime, note: str = ""
) -> None:
    if stage.begun_at is None:
        stage.begun_at, stage.begun_by = at, by
    stage.state, stage.finished_at, stage.finished_by = route.DONE, at, by
    stage.save(update_fields=["state", "begun_at", "begun_by", "finished_at", "finished_by"])
    _keep_place(job, stages)
    record("stage_finished", by=by, job=job, at=at, stage=stage.kind, **({"note": note} if note else {}))
    if stage.kind == "leave":
        job.left_at = at
        job.save(update_fields=["left_at"])
        record("job_left", by=by, job=job, at=at, keys=job.keys_here, boxes=job.boxes)


@transaction.atomic
def stage_skip(stage: Stage, *, by: Person, reason: str, at: datetime.datetime | None = None) -> Stage:
    """Leaves a stage out, with a reason."""
    at = at or timezone.now()
    job = lock(stage.job)
    stages = _route_of(job)
    index = _find(stages, stage)
    stage = stages[index]
    if not reason.strip():
        raise Refused(_("Say why the stage is skipped."))
    if refusal := route.may_skip([row.state for row in stages], index, stage.kind):
        raise Refused(_sentence(refusal))
    stage.state, stage.reason = route.SKIPPED, reason.strip()
    stage.save(update_fields=["state", "reason"])
    _keep_place(job, stages)
    record("stage_skipped", by=by, job=job, at=at, stage=stage.kind, reason=reason.strip())
    return stage


@transaction.atomic
def send_back(job: Job, to: Stage, *, by: Person, reason: str, at: datetime.datetime | None = None) -> Stage:
    """The set goes back to an earlier stage: that one and all behind it that were done are open again."""
    at = at or timezone.now()
    job = lock(job)
    stages = _route_of(job)
    index = _find(stages, to)
    if not reason.strip():
        raise Refused(_("Say why the set goes back."))
    if refusal := route.may_send_back([row.state for row in stages], index):
        raise Refused(_sentence(refusal))
    for row in stages[index:]:
        if row.state in (route.DONE, route.BEGUN):
            row.state, row.begun_at, row.begun_by = route.WAITING, None, None
            row.finished_at, row.finished_by = None, None
            row.save(update_fields=["state", "begun_at", "begun_by", "finished_at", "finished_by"])
    stages[index].reason = reason.strip()
    stages[index].save(update_fields=["reason"])
    _keep_place(job, stages)
    record("job_sent_back", by=by, job=job, at=at, stage=stages[index].kind, reason=reason.strip())
    return stages[index]


def advance(job: Job, kind: str, *, by: Person | None, at: datetime.datetime | None = None) -> bool:
    """Finishes the stage of this kind if the job stands at it and its gate is open; says whether it did.

    For steps that finish by themselves: a closed check, a sent estimate, an answer. Call it inside the
    transaction of that step.
    """
    at = at or timezone.now()
    job = lock(job)
    stages = _route_of(job)
    index = route.next_open([stage.state for stage in stages])
    if index is None or stages[index].kind != kind or job.held_since is not None:
        return False
    if why_not_finished(stages[index]):
        return False
    _finish(job, stages[index], stages, by=by, at=at)
    return True


@transaction.atomic
def job_hold(job: Job, *, by: Person, reason: str, at: datetime.datetime | None = None) -> Job:
    """Puts a set on hold, with a reason."""
    at = at or timezone.now()
    job = lock(job)
    if job.left_at:
        raise Refused(_("This set has gone home."))
    if job.held_since:
        raise Refused(_("This set is on hold already."))
    if not reason.strip():
        raise Refused(_("Say why the set is put on hold."))
    job.held_since, job.hold_reason = at, reason.strip()
    job.save(update_fields=["held_since", "hold_reason"])
    record("job_held", by=by, job=job, at=at, reason=reason.strip())
    return job


@transaction.atomic
def job_release(job: Job, *, by: Person, at: datetime.datetime | None = None) -> Job:
    """Takes a set off hold."""
    at = at or timezone.now()
    job = lock(job)
    if not job.held_since:
        raise Refused(_("This set is not on hold."))
    since, reason = job.held_since, job.hold_reason
    job.held_since, job.hold_reason = None, ""
    job.save(update_fields=["held_since", "hold_reason"])
    record("job_released", by=by, job=job, at=at, reason=reason, since=since.isoformat())
    return job

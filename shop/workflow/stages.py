"""Moves along a job's route. Each locks the job first, so that two people at once get one result and one sentence."""

import datetime
from collections.abc import Mapping
from decimal import Decimal

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shop import seams
from shop.core import route
from shop.formats import dated
from shop.models import EstimateState, HoldFor, Job, Person, Spell, Stage
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


def _refuse_away(job: Job) -> None:
    if job.away_to:
        raise Refused(_("This set is away: %(place)s. Count it back in first.") % {"place": job.away_to})


def _refuse_wet(stage: Stage, at: datetime.datetime, why: str) -> None:
    """What dries is not taken in hand before its time, unless somebody says why it may be."""
    if stage.ready_at and stage.ready_at > at and not why.strip():
        moment = dated(stage.ready_at, "SOON_FORMAT")
        raise Refused(_("It dries: not before %(moment)s. Say why it may go on all the same.") % {"moment": moment})


def _why_not(reason: str, job: Job, stages: list[Stage]) -> str:
    """The sentence with what stands behind it: why the set is held, what the earlier stage waits for."""
    if reason == "held":
        return f"{_sentence(reason)} ({job.hold_reason})"
    index = route.next_open([row.state for row in stages])
    behind = why_not_finished(stages[index]) if reason == "earlier_open" and index is not None else ""
    return f"{_sentence(reason)} {behind}".strip()


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
    if not gate or (gate == "final_check" and stage.kind != gate and is_untouched(stage.job)):
        return ""
    return seams.why_closed(gate, stage.job)


def is_untouched(job: Job) -> bool:
    """Whether nothing was agreed and nothing done on the set, so that it may leave without a final check."""
    agreed = job.estimates.filter(state=EstimateState.ACCEPTED).exists()
    rows = _route_of(job)
    return not route.needs_final_check([row.kind for row in rows], [row.state for row in rows], agreed=agreed)


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


def agree_work(job: Job, minutes: Mapping[str, Decimal]) -> None:
    """Brings the route in line with what the client has just said yes to (slug -> minutes).

    Adds what is new, leaves out what waits and is not agreed any more, and opens again what was done or left out
    and has more to do now, with the final check and the packing behind it. Call it inside the step's transaction.
    """
    before = {row.kind: (row.state, row.minutes) for row in _route_of(job)}
    add_work(job, minutes)
    agreed = set(route.work_in_order(list(minutes)))
    again = False
    for row in _route_of(job):
        expected = Decimal(minutes.get(row.kind, 0))
        state, had = before.get(row.kind, (None, Decimal(0)))
        if row.kind in agreed:
            if state == route.SKIPPED or (state == route.DONE and expected > had):
                _open_again(row)
                again = True
            again = again or state is None
        elif row.kind in route.WORK and row.state == route.WAITING:
            row.state, row.reason = route.SKIPPED, _("not part of what was agreed last")
            row.save(update_fields=["state", "reason"])
        elif row.kind in minutes and row.minutes != expected:
            row.minutes = expected
            row.save(update_fields=["minutes"])
        # What was left out when nothing was agreed must be done now.
        again = again or (row.kind == "final_check" and row.state == route.SKIPPED)
        if again and row.kind in ("final_check", "pack") and row.state in (route.DONE, route.SKIPPED):
            _open_again(row)
    _keep_place(job, _route_of(job))


def leave_untouched(job: Job) -> None:
    """Leaves the final check out where the client said no and nothing was done: there is nothing to prove."""
    if not is_untouched(job):
        return
    for row in _route_of(job):
        if row.kind == "final_check" and row.state == route.WAITING:
            row.state, row.reason = route.SKIPPED, _("the client said no, nothing was done")
            row.save(update_fields=["state", "reason"])
    _keep_place(job, _route_of(job))


def _open_again(stage: Stage) -> None:
    stage.state, stage.reason = route.WAITING, ""
    stage.begun_at = stage.begun_by = stage.finished_at = stage.finished_by = stage.handed_to = None
    stage.save(update_fields=["state", "reason", "begun_at", "begun_by", "finished_at", "finished_by", "handed_to"])


@transaction.atomic
def stage_begin(stage: Stage, *, by: Person, early: str = "", at: datetime.datetime | None = None) -> Stage:
    """Somebody takes the stage in hand. early: why it may be begun before it has dried."""
    at = at or timezone.now()
    job = lock(stage.job)
    _refuse_away(job)
    stages = _route_of(job)
    index = _find(stages, stage)
    stage = stages[index]
    if reason := route.may_begin([row.state for row in stages], index, held=job.held_since is not None):
        raise Refused(_why_not(reason, job, stages))
    _refuse_wet(stage, at, early)
    wet = bool(stage.ready_at and stage.ready_at > at)
    stage.state, stage.begun_at, stage.begun_by, stage.handed_to = route.BEGUN, at, by, None
    if wet:
        stage.ready_at = None
    stage.save(update_fields=["state", "begun_at", "begun_by", "handed_to", "ready_at"])
    _start(stage, by=by, at=at)
    record("stage_begun", by=by, job=job, at=at, stage=stage.kind, **({"note": early.strip()} if wet else {}))
    return stage


@transaction.atomic
def stage_finish(stage: Stage, *, by: Person | None, at: datetime.datetime | None = None, note: str = "") -> Stage:
    """Somebody says the stage is done. Begun in the same moment where nobody pressed "begin"."""
    at = at or timezone.now()
    job = lock(stage.job)
    _refuse_away(job)
    stages = _route_of(job)
    index = _find(stages, stage)
    stage = stages[index]
    if reason := route.may_finish([row.state for row in stages], index, held=job.held_since is not None):
        raise Refused(_why_not(reason, job, stages))
    if sentence := why_not_finished(stage):
        raise Refused(sentence)
    if stage.whose == route.BENCH and stage.state == route.WAITING:
        _refuse_wet(stage, at, "")
    if stage.keys_left and not note:
        note = _("%(done)d of %(wanted)d keys ticked") % {"done": stage.keys_done, "wanted": stage.keys_wanted}
    _finish(job, stage, stages, by=by, at=at, note=note)
    return stage


def _finish(
    job: Job, stage: Stage, stages: list[Stage], *, by: Person | None, at: datetime.datetime, note: str = ""
) -> None:
    if stage.begun_at is None:
        stage.begun_at, stage.begun_by = at, by
    stage.state, stage.finished_at, stage.finished_by = route.DONE, at, by
    stage.save(update_fields=["state", "begun_at", "begun_by", "finished_at", "finished_by"])
    _stop_all(stage, at=at)
    _wait_behind(job, stage, stages, at=at)
    _keep_place(job, stages)
    record("stage_finished", by=by, job=job, at=at, stage=stage.kind, **({"note": note} if note else {}))
    if stage.kind == "leave":
        job.left_at = at
        job.save(update_fields=["left_at"])
        record("job_left", by=by, job=job, at=at, keys=job.keys_here, boxes=job.boxes)


def _wait_behind(job: Job, stage: Stage, stages: list[Stage], *, at: datetime.datetime) -> None:
    """Glue and wetted wood take their time: the next stage is not to begin before this one has dried."""
    lines = [line for line in job.estimates.agreed_lines() if line.stage == stage.kind]
    hours = max((line.operation.wait_hours for line in lines if line.operation), default=0)
    index = route.next_open([row.state for row in stages])
    if hours and index is not None:
        stages[index].ready_at = at + datetime.timedelta(hours=hours)
        stages[index].save(update_fields=["ready_at"])


def _start(stage: Stage, *, by: Person, at: datetime.datetime) -> None:
    Spell.objects.get_or_create(stage=stage, by=by, minutes=None, defaults={"begun_at": at})


def _stop(spell: Spell, *, at: datetime.datetime) -> None:
    seconds = max((at - spell.begun_at).total_seconds(), 0)
    # A spell that nobody stopped over night is no night's work: the person corrects it by hand.
    spell.minutes = min(Decimal(seconds) / 60, Decimal(12 * 60)).quantize(Decimal("0.1"))
    spell.save(update_fields=["minutes"])


def _stop_all(stage: Stage, *, at: datetime.datetime) -> None:
    for spell in stage.spells.filter(minutes__isnull=True):
        _stop(spell, at=at)


@transaction.atomic
def stage_put_down(
    stage: Stage, *, by: Person, note: str = "", to: Person | None = None, at: datetime.datetime | None = None
) -> None:
    """The person stops working on a begun stage for now, with a word for whoever goes on, or for one person by name."""
    at = at or timezone.now()
    lock(stage.job)
    running = stage.spells.filter(by=by, minutes__isnull=True).first()
    if running is None:
        raise Refused(_("You have not taken this stage in hand."))
    running.note = note.strip()
    running.save(update_fields=["note"])
    _stop(running, at=at)
    stage.handed_to = to
    stage.save(update_fields=["handed_to"])
    told = note.strip()
    if to is not None:
        told = f"{_('for %(person)s') % {'person': to.short_name}}{': ' if told else ''}{told}"
    record("stage_put_down", by=by, job=stage.job, at=at, stage=stage.kind, note=told)


@transaction.atomic
def stage_take_up(stage: Stage, *, by: Person, at: datetime.datetime | None = None) -> None:
    """Somebody goes on with a stage that was begun."""
    at = at or timezone.now()
    job = lock(stage.job)
    stage = Stage.objects.get(pk=stage.pk)
    if job.held_since:
        raise Refused(_sentence("held"))
    _refuse_away(job)
    if stage.state != route.BEGUN:
        raise Refused(_("This stage is not under way."))
    stage.handed_to = None
    stage.save(update_fields=["handed_to"])
    _start(stage, by=by, at=at)
    record("stage_taken_up", by=by, job=job, at=at, stage=stage.kind)


@transaction.atomic
def hours_book(
    stage: Stage, *, by: Person, minutes: Decimal, note: str = "", at: datetime.datetime | None = None
) -> Spell:
    """Work written down by hand."""
    at = at or timezone.now()
    spell = Spell.objects.create(stage=stage, by=by, begun_at=at, minutes=minutes, note=note.strip())
    record("hours_booked", by=by, job=stage.job, at=at, stage=stage.kind, minutes=str(minutes))
    return spell


@transaction.atomic
def hours_correct(spell: Spell, *, by: Person, minutes: Decimal, at: datetime.datetime | None = None) -> None:
    """Puts a stretch of work right: a clock that ran over night, a number typed wrong. 0 takes it out of the sum."""
    spell = Spell.objects.select_for_update().get(pk=spell.pk)
    if spell.minutes is None:
        raise Refused(_("This time is still running: put the stage down first."))
    was, spell.minutes = spell.minutes, minutes
    spell.save(update_fields=["minutes"])
    told = {"stage": spell.stage.kind, "whose": spell.by.short_name, "was": str(was), "minutes": str(minutes)}
    record("hours_corrected", by=by, job=spell.stage.job, at=at or timezone.now(), **told)


@transaction.atomic
def hand_over(stage: Stage, *, by: Person, left_with: str, at: datetime.datetime | None = None) -> Stage:
    """The set leaves the shop: the last stage, with who took it."""
    job = lock(stage.job)
    job.left_with = left_with.strip()
    job.save(update_fields=["left_with"])
    return stage_finish(stage, by=by, at=at)


@transaction.atomic
def stage_add(
    job: Job,
    kind: str,
    *,
    by: Person,
    reason: str,
    words: str = "",
    minutes: Decimal = Decimal(0),
    at: datetime.datetime | None = None,
) -> Stage:
    """Adds a step of work that no estimate brought, with a reason: it stands on the log of work, on no bill.

    A second step of a kind stands behind the first and says in words what it is. What is under way behind it waits;
    the final check and the packing are done again where they were done.
    """
    at = at or timezone.now()
    job = lock(job)
    if job.left_at:
        raise Refused(_("This set has gone home."))
    if kind not in route.WORK or kind == "stripped_check":
        raise Refused(_("This is no step of work."))
    if not reason.strip():
        raise Refused(_("Say why the step is added."))
    rows = _route_of(job)
    if next((row for row in rows if row.kind == "arrival_check" and row.is_open), None):
        raise Refused(_("The set has not been checked yet: nobody knows what it needs."))
    same = [row for row in rows if row.kind == kind]
    if any(row.is_open and row.words == words.strip() for row in same):
        raise Refused(_("This step is on the route already."))
    position = max((row.position for row in same), default=route.KINDS[kind].order - 1) + 1
    if position > route.KINDS[kind].order + 9:
        raise Refused(_("There are enough steps of this kind."))
    stage = Stage.objects.create(job=job, position=position, kind=kind, words=words.strip(), minutes=minutes)
    for row in rows:
        under_way = row.state == route.BEGUN and row.position > position
        if under_way or (row.kind in ("final_check", "pack") and row.state == route.DONE):
            _stop_all(row, at=at)
            _open_again(row)
    _keep_place(job, _route_of(job))
    record("stage_added", by=by, job=job, at=at, stage=kind, words=words.strip(), reason=reason.strip())
    return stage


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
    untouched = stage.kind == "final_check" and is_untouched(job)
    if refusal := route.may_skip([row.state for row in stages], index, stage.kind, untouched=untouched):
        raise Refused(_sentence(refusal))
    _stop_all(stage, at=at)
    stage.state, stage.reason = route.SKIPPED, reason.strip()
    stage.save(update_fields=["state", "reason"])
    following = route.next_open([row.state for row in stages])
    if following is not None and stage.ready_at and stage.ready_at > at:
        # What dries goes on drying, whichever stage comes next.
        stages[following].ready_at = stage.ready_at
        stages[following].save(update_fields=["ready_at"])
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
            _stop_all(row, at=at)
            row.state, row.begun_at, row.begun_by = route.WAITING, None, None
            row.finished_at, row.finished_by, row.ready_at = None, None, None
            row.save(update_fields=["state", "begun_at", "begun_by", "finished_at", "finished_by", "ready_at"])
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
def job_hold(
    job: Job, *, by: Person, reason: str, waits_for: str = HoldFor.OTHER, at: datetime.datetime | None = None
) -> Job:
    """Puts a set on hold, with a reason; waits_for: a HoldFor."""
    at = at or timezone.now()
    job = lock(job)
    if job.left_at:
        raise Refused(_("This set has gone home."))
    if job.held_since:
        raise Refused(_("This set is on hold already."))
    if not reason.strip():
        raise Refused(_("Say why the set is put on hold."))
    job.held_since, job.hold_for, job.hold_reason = at, waits_for, reason.strip()
    job.save(update_fields=["held_since", "hold_for", "hold_reason"])
    for spell in Spell.objects.filter(stage__job=job, minutes__isnull=True):
        _stop(spell, at=at)  # nobody works on it now
    record("job_held", by=by, job=job, at=at, reason=reason.strip())
    return job


@transaction.atomic
def job_release(job: Job, *, by: Person | None, at: datetime.datetime | None = None) -> Job:
    """Takes a set off hold."""
    at = at or timezone.now()
    job = lock(job)
    if not job.held_since:
        raise Refused(_("This set is not on hold."))
    since, reason = job.held_since, job.hold_reason
    job.held_since, job.hold_for, job.hold_reason = None, "", ""
    job.save(update_fields=["held_since", "hold_for", "hold_reason"])
    record("job_released", by=by, job=job, at=at, reason=reason, since=since.isoformat())
    return job

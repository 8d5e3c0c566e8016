"""What becomes of a set whose final check does not prove every key: back to the bench, or let go by name and reason."""

import datetime
import uuid
from collections.abc import Collection

from django.db import transaction
from django.utils import timezone
from django.utils.text import Truncator
from django.utils.translation import gettext as _

from keyboards import progressing, proving
from keyboards.core.keys import format_keys
from keyboards.models import Check, CheckKind, Entry, EntryKind
from keyboards.workflow.checks import check_reopen, stage_of
from keyboards.workflow.entries import entries_apply
from shop.models import STAGE_TITLES, Job, Person, Stage
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused

LONGEST_REASON = 300


@transaction.atomic
def check_release(check: Check, *, by: Person, reason: str, at: datetime.datetime | None = None) -> Check:
    """Lets the set go on although keys fail or were not read. Views let technicians and the owner do it.

    Refused without a reason, for a check that is open, not the newest or not a final one, for work done since it was
    closed, for one released already, and where nothing needs a release.
    """
    at = at or timezone.now()
    job = stages.lock(Job(pk=check.job_id))
    check = Check.objects.select_for_update(of=("self",)).get(pk=check.pk)
    newest = proving.newest_final(job)
    if check.kind != CheckKind.FINAL or newest is None or newest.pk != check.pk:
        raise Refused(_("There is a newer final check. Look at that one."))
    if check.closed_at is None:
        raise Refused(_("The final check is not closed yet."))
    if check.released_by_id is not None:
        raise Refused(_("This check is released already."))
    if not reason.strip():
        raise Refused(_("Say why the set may go all the same."))
    if len(reason.strip()) > LONGEST_REASON:
        raise Refused(_("Say it in at most %(most)d characters.") % {"most": LONGEST_REASON})
    proof = proving.proof_of(job)
    if proof.worked_since:
        raise Refused(proof.why_not)
    if proof.verdicts.proved:
        raise Refused(_("No key fails: nothing needs to be released."))
    check.released_by, check.release_reason = by, reason.strip()
    check.save(update_fields=["released_by", "release_reason"])
    record(
        "check_released",
        by=by,
        job=job,
        at=at,
        check=check.pk,
        kind=check.kind,
        failing=format_keys(proof.failing),
        unread=list(proof.unread),
        reason=check.release_reason,
    )
    stages.advance(job, stage_of(check.kind), by=by, at=at)
    return check


@transaction.atomic
def read_again(
    job: Job, *, also: Collection[int] = (), by: Person, at: datetime.datetime | None = None
) -> tuple[Check, tuple[int, ...], tuple[str, ...]]:
    """Opens the final check for the keys that it leaves undecided: (the check, these keys, the quantities that leave
    them so). Each further reading counts into the mean of its key.

    After work on some keys it is opened for these alone, and for those that somebody names (also), since what is worked
    on is known by ticks alone. What was read of them before counts no more: quantities is empty then, for all are read.

    Refused where no key is undecided or was put right, and as a check is opened again (`check_reopen`).
    """
    at = at or timezone.now()
    proof = proving.proof_of(stages.lock(job))
    if proof.check is not None and proof.worked_since:
        keys = tuple(sorted({*progressing.put_right(proof), *also}))
        if not keys:
            raise Refused(_("Name the keys that were worked on."))
        if len(keys) == len(proof.before.present):
            raise Refused(_("Every key was worked on: make a new final check."))
        reason = Truncator(_("put right, read again: keys %(keys)s") % {"keys": format_keys(keys)}).chars(200)
        check = check_reopen(proof.check, by=by, reason=reason, put_right=keys, at=at)
        _withdraw(check, keys, by=by, at=at)
        return check, keys, ()
    if proof.check is None or not proof.undecided:
        raise Refused(_("No key is undecided: nothing is read again."))
    if not proof.check.is_closed:
        return proof.check, proof.undecided, proof.undecided_by
    reason = Truncator(_("undecided, read again: keys %(keys)s") % {"keys": format_keys(proof.undecided)}).chars(200)
    return check_reopen(proof.check, by=by, reason=reason, at=at), proof.undecided, proof.undecided_by


def _withdraw(check: Check, keys: Collection[int], *, by: Person, at: datetime.datetime) -> None:
    """Takes back what was read and found of these keys: it was of the key as it was before the work. Notes stay."""
    found = Entry.objects.filter(check_done=check, key__in=keys).exclude(kind__in=(EntryKind.WITHDRAW, EntryKind.NOTE))
    told = [
        {"op": str(uuid.uuid4()), "kind": EntryKind.WITHDRAW, "key": key, "of": str(op), "taken_at": at.isoformat()}
        for op, key in found.exclude(kind=EntryKind.PHOTO).values_list("op", "key")
    ]
    entries_apply(check, told, by=by, at=at)


@transaction.atomic
def send_failing_back(job: Job, *, by: Person, at: datetime.datetime | None = None) -> Stage:
    """The set goes back to the earliest stage that has a key to put right; the keys are told at each stage.

    Refused where nothing fails, or where no stage of work was done that could be done again.
    """
    job = stages.lock(job)
    back = progressing.redo_of(job).by_stage
    if not back:
        raise Refused(_("No key fails: nothing goes back."))
    first = back[0][0]
    to = job.stages.filter(kind=first).order_by("-position").first()
    if to is None:
        raise Refused(_("The route holds no work that could be done again. Add a step to it first."))
    keys = "; ".join(f"{STAGE_TITLES[kind]}: {format_keys(keys)}" for kind, keys in back)
    reason = Truncator(_("final check, keys to put right: %(keys)s") % {"keys": keys}).chars(200)
    to = stages.send_back(job, to, by=by, reason=reason, at=at)
    progressing.recount(job)
    return to

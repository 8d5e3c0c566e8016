"""A decision is taken on an advice, and the assumptions behind one change."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards import advising
from keyboards.core.advice import OPTIONS, SectionAdvice
from keyboards.core.assumptions import Effective, effective
from keyboards.models import Assumptions, Check, Decision
from shop.models import Job, Person
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused


def _kept(section: SectionAdvice, chosen: str) -> dict[str, Any]:
    """One section as it stands in a decision: what was advised and chosen, and the work of all four options."""
    quantities = {
        option: advising.work_of(option, len(section.keys), section.reckoned, section.specs_failing, section.specs_all)
        for option in OPTIONS
    }
    return {
        "title": section.title,
        "first": section.first,
        "last": section.last,
        "keys": len(section.keys),
        "failing": section.reckoned,
        "advised": section.advised,
        "chosen": chosen,
        "close": section.close,
        "costs": {row.option: f"{row.cost:.2f}" for row in section.options},
        "work": {option: {code: str(count) for code, count in work.items()} for option, work in quantities.items()},
        "loose": {row.option: str(round(row.stays_loose)) for row in section.options},
    }


@transaction.atomic
def decision_record(
    *,
    job: Job,
    basis: Check,
    chosen: Sequence[str],
    by: Person,
    reason: str = "",
    at: datetime.datetime | None = None,
) -> Decision:
    """Keeps what was decided: one option a section of the advice, bass first.

    Refused where an option is missing, or where one differs from the advice (or from "too close to call") without a
    sentence that says why.
    """
    at = at or timezone.now()
    stages.lock(job)
    advice = advising.advise(job, basis)
    if advice.missing_prices:
        raise Refused(_("The price list lacks what the advice reckons with: %s.") % ", ".join(advice.missing_prices))
    if not advice.read:
        raise Refused(_("No key has been read yet."))
    if len(chosen) != len(advice.sections) or any(option not in OPTIONS for option in chosen):
        raise Refused(_("The sections have changed meanwhile. Look at the advice again and choose for each section."))
    pairs = list(zip(advice.sections, chosen, strict=True))
    overruled = any(section.advised != option for section, option in pairs)
    if overruled and not reason.strip():
        raise Refused(_("This differs from the advice: say why in a sentence."))
    decision = Decision.objects.create(
        job=job,
        basis=basis,
        at=at,
        by=by,
        sections=[_kept(section, option) for section, option in pairs],
        assumptions={name: list(v) if isinstance(v, tuple) else v for name, v in asdict(advice.assumed).items()},
        overruled=overruled,
        reason=reason.strip(),
    )
    record(
        "decision_recorded",
        by=by,
        job=job,
        at=at,
        decision=decision.pk,
        overruled=overruled,
        options=list(chosen),
    )
    return decision


def _row(job: Job | None) -> Assumptions:
    row = Assumptions.objects.select_for_update().filter(job=job).first()
    return row or Assumptions(job=job)


@transaction.atomic
def assumptions_keep(*, job: Job | None, values: Mapping[str, Any], by: Person) -> Effective:
    """Keeps assumptions of a job, or of the shop (None). Values that cannot be are left as they were and named.

    values: name -> value, None takes the value of the shop (or the starting value) again.
    """
    row = _row(job)
    shop = {} if job is None else _row(None).values
    merged = dict(row.values)
    for name, value in values.items():
        if value is None:
            merged.pop(name, None)
        else:
            merged[name] = list(value) if isinstance(value, tuple) else value
    found = effective(merged, {}) if job is None else effective(shop, merged)
    for name in found.errors:
        if name in row.values:
            merged[name] = row.values[name]
        else:
            merged.pop(name, None)
    if merged != row.values:
        changed = sorted(name for name in {*merged, *row.values} if merged.get(name) != row.values.get(name))
        row.values = merged
        row.save()
        record("assumptions_changed", by=by, job=job, names=changed, values={n: merged.get(n) for n in changed})
    return found


@transaction.atomic
def sections_keep(*, job: Job, sections: Sequence[tuple[str, int, int]], by: Person) -> None:
    """Keeps sections moved by hand; none gives them back to the readings."""
    row = _row(job)
    kept = [list(section) for section in sections]
    if kept == row.sections:
        return
    row.sections = kept
    row.save()
    record("sections_changed", by=by, job=job, sections=kept)

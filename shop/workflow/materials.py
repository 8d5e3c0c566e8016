"""Materials on the shelf, their lots, and which set has what."""

import datetime
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.models import Job, Lot, Material, Person, Use
from shop.workflow.events import record
from shop.workflow.refusal import Refused


@transaction.atomic
def material_keep(material: Material, *, by: Person) -> Material:
    """Keeps a material, new or changed."""
    what = "material_changed" if material.pk else "material_added"
    material.save()
    record(what, by=by, material=material.pk, title=material.title)
    return material


@transaction.atomic
def material_low(material: Material, *, low: bool, by: Person, at: datetime.datetime | None = None) -> Material:
    """Somebody sees that it runs low, or that there is enough again. No counting: a look at the shelf is enough."""
    material.refresh_from_db(fields=["low_since"])
    if low != (material.low_since is not None):
        material.low_since = (at or timezone.now()) if low else None
        material.save(update_fields=["low_since"])
        record("material_low" if low else "material_there", by=by, at=at, material=material.pk, title=material.title)
    return material


@transaction.atomic
def lot_add(lot: Lot, *, by: Person) -> Lot:
    """A delivery arrives."""
    lot.save()
    material_low(lot.material, low=False, by=by)
    record("lot_added", by=by, lot=lot.pk, material=lot.material.title, code=lot.code)
    return lot


@transaction.atomic
def lot_found_bad(lot: Lot, *, by: Person, reason: str, at: datetime.datetime | None = None) -> Lot:
    """A lot turns out bad. An event goes to every job that has it, so that each one's history tells."""
    at = at or timezone.now()
    if not reason.strip():
        raise Refused(_("Say what is wrong with the lot."))
    if lot.bad_since:
        raise Refused(_("This lot is marked bad already."))
    lot.bad_since, lot.bad_reason = at, reason.strip()
    lot.save(update_fields=["bad_since", "bad_reason"])
    details: dict[str, Any] = {
        "lot": lot.pk,
        "material": lot.material.title,
        "code": lot.code,
        "reason": lot.bad_reason,
    }
    record("lot_found_bad", by=by, at=at, **details)
    for job in Job.objects.filter(uses__lot=lot).distinct():
        record("lot_found_bad", by=by, job=job, at=at, **details)
    return lot


@transaction.atomic
def use_record(
    *, job: Job, lot: Lot, by: Person, where: str = "", amount: str = "", at: datetime.datetime | None = None
) -> Use:
    """A lot is used on a set."""
    at = at or timezone.now()
    if job.left_at:
        raise Refused(_("This set has gone home."))
    if lot.bad_since:
        raise Refused(_("This lot was found bad: %(reason)s") % {"reason": lot.bad_reason})
    use = Use.objects.create(job=job, lot=lot, by=by, where=where.strip(), amount=amount.strip(), at=at)
    record("material_used", by=by, job=job, at=at, material=lot.material.title, code=lot.code)
    return use

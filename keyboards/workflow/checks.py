"""A check is begun, changed, closed; opened again with a reason; thrown away while nothing was entered."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.timezone import localtime
from django.utils.translation import gettext as _

from keyboards.core.entries import DIFFER
from keyboards.core.keys import format_keys
from keyboards.core.quantities import QUANTITIES
from keyboards.models import Check, CheckKind, Compass, Finding, Gauge, KeyReading
from keyboards.models.checks import GRADED
from keyboards.progressing import recount
from keyboards.proving import agreed_proof
from keyboards.workflow.entries import CheckClosed
from shop.core import route
from shop.models import FoundTitle, Job, Person, search_key
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused

_TALLY = (*GRADED, "mean_play")
# What is usually measured: starting values, chosen afresh each time a check is begun.
USUAL_QUANTITIES: Mapping[str, tuple[str, ...]] = {
    CheckKind.ARRIVAL: (
        "side_play",
        "balance_mortise_width",
        "balance_pin",
        "button_length",
        "button_width",
        "button_height",
        "slot_length",
        "skew",
    ),
    CheckKind.STRIPPED: ("balance_mortise_width", "front_mortise_width", "skew"),
    CheckKind.FINAL: ("side_play", "balance_mortise_width", "front_mortise_width"),
    CheckKind.VISIT: ("side_play",),
}


def usual_quantities(job: Job, kind: str) -> list[str]:
    """What is usually measured in a check of this kind; in a final one what the arrival check measured, and level and
    dip where they were agreed with the client."""
    usual = list(USUAL_QUANTITIES[kind])
    if kind != CheckKind.FINAL:
        return usual
    before = job.checks.filter(kind=CheckKind.ARRIVAL).order_by("-begun_at").first()
    agreed = [slug for slug in agreed_proof(job.estimates.agreed_lines()) if slug in QUANTITIES]
    return [*(before.quantities if before else ()), *usual, *agreed]


@transaction.atomic
def check_begin(
    *,
    job: Job,
    kind: str,
    by: Person,
    gauge: Gauge | None = None,
    humidity: Decimal | None = None,
    temperature: Decimal | None = None,
    quantities: Sequence[str] | None = None,
    sample: Sequence[int] = (),
    sample_random: bool = False,
    note: str = "",
    drop_tested: bool = False,
    read_at: datetime.datetime | None = None,
    at: datetime.datetime | None = None,
) -> Check:
    """Begins a pass over the keys, and the stage of the route that is this check, where the set stands at it.

    quantities: what will be measured (None: the usual ones). sample: key numbers, empty for every key. read_at: when
    the keys were read, where that is past and their readings are brought in from a file. Refused while a check of the
    kind is open, and for a set that has gone home unless it is a visit.
    """
    at = at or timezone.now()
    job = stages.lock(job)
    if job.left_at and kind != CheckKind.VISIT:
        raise Refused(_("This set has gone home."))
    compass = Compass.objects.filter(job=job).first()
    if compass is None:
        raise Refused(_("Write down first which keys this set has."))
    _refuse_a_second(job, kind)
    check = Check(job=job, kind=kind, begun_at=read_at or at, begun_by=by)
    _put(
        check,
        compass,
        gauge=gauge,
        humidity=humidity,
        temperature=temperature,
        quantities=usual_quantities(job, kind) if quantities is None else quantities,
        sample=sample,
        sample_random=sample_random and bool(sample),
        note=note,
        drop_tested=drop_tested,
    )
    check.save()
    if read_at:
        record(
            "check_brought", by=by, job=job, at=at, check=check.pk, kind=kind, day=localtime(read_at).date().isoformat()
        )
        return check
    record("check_begun", by=by, job=job, at=at, check=check.pk, kind=kind, quantities=check.quantities)
    current = next((stage for stage in job.stages.all() if stage.is_open), None)
    at_hand = current is not None and current.kind == stage_of(kind) and current.state == route.WAITING
    if current is not None and at_hand and job.held_since is None:
        # Reading does no harm to wood that is not dry; that it was not stands with the set.
        stages.stage_begin(current, by=by, early=_("read before it had dried"), at=at)
    return check


@transaction.atomic
def check_change(check: Check, *, by: Person, at: datetime.datetime | None = None, **facts: Any) -> Check:
    """Changes what stands at the head of an open check: gauge, humidity, temperature, quantities, note, drop test,
    and the sample, which is taken for no random one any more unless sample_random says so."""
    check = _lock_open(check)
    compass = Compass.objects.get(job_id=check.job_id)
    before = {name: getattr(check, name) for name in facts}
    _put(check, compass, **facts)
    changed = sorted(name for name in facts if getattr(check, name) != before[name])
    if changed:
        if "sample" in changed and "sample_random" not in facts:
            check.sample_random = False
        check.save()
        record("check_changed", by=by, job=check.job, at=at, check=check.pk, kind=check.kind, fields=changed)
    return check


@dataclass(frozen=True)
class OpenPoints:
    """What a check still lacks: keys nobody looked at, gaps (quantity -> keys without a reading that were not skipped),
    keys whose two readings differ, and whether the air was written down."""

    unread: tuple[int, ...]
    gaps: Mapping[str, tuple[int, ...]]
    differ: tuple[int, ...]
    no_humidity: bool
    read: int

    @property
    def any(self) -> bool:
        return bool(self.unread or self.gaps or self.differ or self.no_humidity)


def open_points(check: Check, readings: Sequence[KeyReading] | None = None) -> OpenPoints:
    """What to look at before the check is closed: of the keys in the sample, or of all that are here."""
    compass = Compass.objects.get(job_id=check.job_id)
    wanted = check.wanted(compass.present)
    rows = {row.key: row for row in (check.keys.all() if readings is None else readings)}
    looked = [key for key in wanted if key in rows and rows[key].grade is not None]
    seen = set(looked)
    gaps = {
        quantity: tuple(
            key for key in looked if getattr(rows[key], quantity) is None and quantity not in rows[key].again
        )
        for quantity in check.quantities
    }
    return OpenPoints(
        unread=tuple(key for key in wanted if key not in seen),
        gaps={quantity: keys for quantity, keys in gaps.items() if keys},
        differ=tuple(sorted(key for key, row in rows.items() if DIFFER in row.again.values())),
        no_humidity=check.humidity is None,
        read=sum(row.grade is not None for row in rows.values()),
    )


@transaction.atomic
def check_close(check: Check, *, by: Person, confirm: bool = False, at: datetime.datetime | None = None) -> Check:
    """The person says the check is done; the route goes on where it waited for this.

    Refused when nothing was read, and, without confirm, while keys are unread (of the sample, where there is one).
    """
    at = at or timezone.now()
    check = _lock_open(check)
    points = open_points(check)
    if not points.read:
        raise Refused(_("Nothing has been read yet."))
    if points.unread and not confirm:
        raise Refused(
            _("Not looked at yet: keys %(keys)s. Close the check all the same?") % {"keys": format_keys(points.unread)}
        )
    check.closed_at, check.closed_by = at, by
    _keep(check, KeyReading.objects.filter(check_done=check).tallies()[check.pk])
    check.save(update_fields=["closed_at", "closed_by", *_TALLY])
    _tell_the_search(check.job)
    record(
        "check_closed",
        by=by,
        job=check.job,
        at=at,
        check=check.pk,
        kind=check.kind,
        read=points.read,
        unread=list(points.unread),
    )
    if check.kind != CheckKind.VISIT:
        stages.advance(check.job, stage_of(check.kind), by=by, at=at)
    if check.kind == CheckKind.FINAL:
        recount(check.job)
    return check


@transaction.atomic
def check_reopen(
    check: Check, *, by: Person, reason: str, put_right: Sequence[int] = (), at: datetime.datetime | None = None
) -> Check:
    """A closed check takes entries again. Views let technicians and the owner do it. put_right: the keys it is opened
    for, where work was done on them; the report says so."""
    check = Check.objects.select_for_update(of=("self",)).select_related("job").get(pk=check.pk)
    if not check.is_closed:
        raise Refused(_("This check is open."))
    if not reason.strip():
        raise Refused(_("Say why the check is opened again."))
    if check.job.left_at and check.kind != CheckKind.VISIT:
        raise Refused(_("This set has gone home."))
    _refuse_a_second(stages.lock(check.job), check.kind)
    check.closed_at = check.closed_by = None
    _keep(check, {})
    # A release was given on readings that may change now.
    check.released_by, check.release_reason = None, ""
    check.save(update_fields=["closed_at", "closed_by", "released_by", "release_reason", *_TALLY])
    told = {"put_right": list(put_right)} if put_right else {}
    record(
        "check_reopened", by=by, job=check.job, at=at, check=check.pk, kind=check.kind, reason=reason.strip(), **told
    )
    if check.kind == CheckKind.FINAL:
        recount(check.job)
    return check


@transaction.atomic
def check_discard(check: Check, *, by: Person, at: datetime.datetime | None = None) -> None:
    """Throws away a check begun by mistake. Refused once anything was entered or photographed in it."""
    check = _lock_open(check)
    if check.entries.exists() or check.photos.exists():
        raise Refused(_("Something was entered in this check already: it stays."))
    record("check_discarded", by=by, job=check.job, at=at, kind=check.kind)
    check.delete()


def _keep(check: Check, tally: Mapping[str, int | None]) -> None:
    for name in _TALLY:
        setattr(check, name, tally.get(name))


def _tell_the_search(job: Job) -> None:
    """Keeps the titles of all that closed checks found with the job, where a search finds them without a join."""
    rows = KeyReading.objects.filter(check_done__job=job, check_done__closed_at__isnull=False).exclude(findings={})
    codes = {code for found in rows.values_list("findings", flat=True) for code, severity in found.items() if severity}
    titles = list(Finding.objects.filter(code__in=codes).values_list("title", flat=True))
    job.found = "||".join(("|".join(titles), "|".join(map(search_key, titles)))) if titles else ""
    job.save(update_fields=["found"])
    FoundTitle.objects.bulk_create((FoundTitle(title=title) for title in titles), ignore_conflicts=True)


def stage_of(kind: str) -> str:
    """The stage of the route that is this check."""
    return f"{kind}_check"


def _lock_open(check: Check) -> Check:
    check = Check.objects.select_for_update(of=("self",)).select_related("job").get(pk=check.pk)
    if check.is_closed:
        raise CheckClosed(_("This check is closed. Open it again to change it."))
    return check


def _refuse_a_second(job: Job, kind: str) -> None:
    if job.checks.filter(kind=kind, closed_at__isnull=True).exists():
        raise Refused(_("A check of this kind is open already. Go on with that one."))


def _put(check: Check, compass: Compass, **facts: Any) -> None:
    unknown = [quantity for quantity in facts.get("quantities", ()) if quantity not in QUANTITIES]
    if unknown:
        raise Refused(_("This is no quantity we know."))
    strangers = sorted(set(facts.get("sample", ())) - set(compass.present))
    if strangers:
        raise Refused(_("The sample names keys this set does not have: %(keys)s.") % {"keys": format_keys(strangers)})
    for name, value in facts.items():
        if name == "quantities":
            value = [quantity for quantity in QUANTITIES if quantity in value]
        elif name == "sample":
            value = sorted(set(value))
        elif name == "note":
            value = value.strip()
        elif name not in ("gauge", "humidity", "temperature", "sample_random", "drop_tested"):
            raise TypeError(name)
        setattr(check, name, value)

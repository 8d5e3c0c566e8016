"""The office: what waits for whom."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db.models import Exists, OuterRef, Q
from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe
from post_office.models import STATUS, Email

from shop.access import OWNER, PersonRequest, allowed
from shop.models import Answer, AnswerKind, Bill, Estimate, EstimateState, Job, Material, Workshop
from shop.models.jobs import JobQuerySet
from shop.views.bills import owed_by, sums
from shop.workflow import promises
from shop.workflow.backups import state
from shop.workflow.letters import WAITING
from shop.workflow.privacy import papers_due

# Sets that went home longer ago than this are no longer asked for a bill: they may be from before bills were kept here.
BILL_DAYS = 90


@dataclass(frozen=True)
class Waiting:
    """An estimate with the client: since how many days, when opened last, how many days it is still good, whether the
    days have passed after which the shop reminds."""

    estimate: Estimate
    days: int
    seen: datetime.datetime | None
    left: int
    remind: bool

    @property
    def late(self) -> bool:
        return self.remind or self.left < 0


def to_bill(today: datetime.date) -> JobQuerySet:
    """Agreed sets that are ready to leave, or went home lately, and have no bill: neither issued nor being written."""
    since = timezone.make_aware(
        datetime.datetime.combine(today - datetime.timedelta(days=BILL_DAYS), datetime.time.min)
    )
    agreed = Exists(Estimate.objects.filter(job=OuterRef("pk"), state=EstimateState.ACCEPTED))
    billed = Exists(Bill.objects.filter(job=OuterRef("pk"), kind="bill", credit__isnull=True))
    return (
        Job.objects.filter(Q(left_at__isnull=True, stage__in=("pack", "leave", "")) | Q(left_at__gte=since))
        .filter(agreed, ~billed)
        .select_related("client", "instrument")
        .order_by("left_at", "number")
    )


def _month(today: datetime.date) -> datetime.datetime:
    return timezone.make_aware(datetime.datetime.combine(today.replace(day=1), datetime.time.min))


def _agreed(today: datetime.date) -> tuple[list[tuple[Estimate, Any]], dict[str, Decimal]]:
    """Yeses of this month with what they come to before tax, and the sum of each currency."""
    rows = (
        Estimate.objects.with_lines()
        .filter(state=EstimateState.ACCEPTED, answers__kind=AnswerKind.YES, answers__at__gte=_month(today))
        .select_related("job__client")
        .order_by("-answers__at")
    )
    listed, together = [], dict[str, Decimal]()
    for row in rows:
        agreed = row.agreed
        if agreed is not None:
            listed.append((row, agreed))
            together[row.currency] = together.get(row.currency, Decimal(0)) + agreed.totals.net
    return listed, together


@require_safe
@allowed(OWNER)
def office(request: PersonRequest) -> HttpResponse:
    """What waits for the owner, what waits for clients, what is late, what was agreed this month."""
    now = timezone.now()
    today = timezone.localdate(now)
    estimates = Estimate.objects.select_related("job__client", "job__instrument")
    patience = Workshop.ours().reminder_days
    waiting = [
        Waiting(
            row,
            (today - timezone.localdate(row.sent_at)).days if row.sent_at else 0,
            max((link.last_seen_at for link in row.links.all() if link.last_seen_at), default=None),
            (row.valid_until - today).days,
            row.reminder_is_due(patience, today),
        )
        for row in estimates.waiting_for_answer().prefetch_related("links")
    ]
    questions = (
        Answer.objects.filter(kind=AnswerKind.QUESTION, replied_at__isnull=True)
        .select_related("estimate__job__client")
        .order_by("at")
    )
    jobs = Job.objects.on_the_rack().select_related("client", "instrument")
    agreed, agreed_sums = _agreed(today)
    deposits = estimates.with_lines().filter(
        state=EstimateState.ACCEPTED, deposit_paid_at__isnull=True, job__left_at__isnull=True
    )
    owed = owed_by(list(Bill.objects.unsettled().with_payments()), today)
    fears = promises.fears(at=now)
    backups = state()
    context = {
        "today": today,
        "fears": [(job, fears[job.pk]) for job in jobs.filter(pk__in=fears).order_by("promised_on", "number")],
        "incomplete": list(jobs.filter(Q(keys_short__gt=0) | Q(boxes_short__gt=0))),
        "waiting": waiting,
        "to_revise": [row.estimate for row in waiting if row.left < 0],
        "drafts": list(estimates.drafts()),
        "questions": list(questions),
        "to_price": list(jobs.filter(stage="estimate", estimates__isnull=True)),
        "late": [(job, (today - job.promised_on).days) for job in jobs.filter(promised_on__lt=today)],
        "deposits": [(row, row.agreed) for row in deposits if row.waits_for_deposit],
        "agreed": agreed,
        "sums": agreed_sums,
        "to_bill": list(to_bill(today)),
        "bill_days": BILL_DAYS,
        "owed": owed,
        "owed_sums": sums(owed),
        "overdue": [row for row in owed if row.late],
        "backup_due": backups.stale(now),
        "files_absent": backups.absent,
        "papers_due": list(papers_due(today)),
        # A set leaves the stage by itself once its check is closed: one still there was found worse than agreed. Once
        # the revised estimate went out it waits for an answer.
        "found_worse": list(
            Job.objects.on_the_rack()
            .filter(stage="stripped_check", events__what="check_closed", events__details__kind="stripped")
            .exclude(estimates__state=EstimateState.SENT)
            .select_related("client", "instrument")
            .distinct()
        ),
        "low": list(Material.objects.filter(low_since__isnull=False, retired_at__isnull=True)),
        "letters": Email.objects.filter(status__in=WAITING).count(),
        "given_up": Email.objects.filter(status=STATUS.failed).count(),
    }
    return render(request, "shop/office/office.html", context)

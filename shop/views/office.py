"""The office: what waits for whom."""

import datetime
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe
from post_office.models import STATUS, Email

from shop.access import OWNER, PersonRequest, allowed
from shop.models import Answer, AnswerKind, Estimate, EstimateState, Job
from shop.workflow.letters import WAITING

# Days after which somebody should ask the client again, and before which a lapse is announced: an estimate.
PATIENCE = 7


@dataclass(frozen=True)
class Waiting:
    """An estimate with the client: since how many days, opened or not, how many days it is still good."""

    estimate: Estimate
    days: int
    seen: bool
    left: int

    @property
    def late(self) -> bool:
        return self.days >= PATIENCE or self.left < 0


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
    listed, sums = [], dict[str, Decimal]()
    for row in rows:
        agreed = row.agreed
        if agreed is not None:
            listed.append((row, agreed))
            sums[row.currency] = sums.get(row.currency, Decimal(0)) + agreed.totals.net
    return listed, sums


@require_safe
@allowed(OWNER)
def office(request: PersonRequest) -> HttpResponse:
    """What waits for the owner, what waits for clients, what is late, what was agreed this month."""
    now = timezone.now()
    today = timezone.localdate(now)
    estimates = Estimate.objects.select_related("job__client", "job__instrument")
    waiting = [
        Waiting(
            row,
            (today - timezone.localdate(row.sent_at)).days if row.sent_at else 0,
            any(link.first_seen_at for link in row.links.all()),
            (row.valid_until - today).days,
        )
        for row in estimates.waiting_for_answer().prefetch_related("links")
    ]
    questions = (
        Answer.objects.filter(kind=AnswerKind.QUESTION, replied_at__isnull=True)
        .select_related("estimate__job__client")
        .order_by("at")
    )
    jobs = Job.objects.on_the_rack().select_related("client", "instrument")
    written = set(Estimate.objects.values_list("job_id", flat=True))
    agreed, sums = _agreed(today)
    deposits = list(estimates.filter(state=EstimateState.ACCEPTED, deposit_paid_at__isnull=True))
    context = {
        "today": today,
        "waiting": waiting,
        "drafts": list(estimates.drafts()),
        "questions": list(questions),
        "to_price": [job for job in jobs.filter(stage="estimate") if job.pk not in written],
        "late": [(job, (today - job.promised_on).days) for job in jobs.filter(promised_on__lt=today)],
        "deposits": [row for row in deposits if row.waits_for_deposit],
        "agreed": agreed,
        "sums": sums,
        "letters": Email.objects.filter(status__in=WAITING).count(),
        "given_up": Email.objects.filter(status=STATUS.failed).count(),
    }
    return render(request, "shop/office/office.html", context)

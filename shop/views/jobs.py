"""One job: what it is, where it is, what comes next, what happened."""

from dataclasses import dataclass
from decimal import Decimal

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Prefetch
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import rack, seams
from shop.access import ANYONE_HERE, DESK, OWNER, TECHNICIAN, PersonRequest, allowed, job_for, may
from shop.core import route
from shop.documents import pdf
from shop.documents.receipt import receipt
from shop.documents.tag import tags_of
from shop.forms.jobs import ArrivalForm, HoldForm, PromiseForm
from shop.models import Estimate, EstimateState, Job, Role, Stage
from shop.workflow import jobs, promises, stages
from shop.workflow.refusal import Refused

_EVENTS = 12
_EVENTS_A_PAGE = 50
# Who moves a stage on. The bench's are a technician's; the client's answer is taken at the counter or the office.
_MOVERS = {
    route.DESK: ANYONE_HERE,
    route.BENCH: (TECHNICIAN,),
    route.OFFICE: (OWNER,),
    route.CLIENT: (DESK, OWNER),
}
_CHECKS = ("arrival_check", "stripped_check", "final_check")
_WAITS = {
    route.DESK: gettext_lazy("This set waits at the counter."),
    route.BENCH: gettext_lazy("This set waits for the bench."),
    route.OFFICE: gettext_lazy("This set waits for the office."),
    route.CLIENT: gettext_lazy("This set waits for the client."),
}


@dataclass(frozen=True)
class Step:
    """What comes next: a link with words for the one who may do it, a sentence for the others.

    check: the step is a check; the trade draws its button.
    """

    words: str = ""
    href: str = ""
    check: bool = False
    sentence: str = ""


@dataclass(frozen=True)
class Price:
    """What a set costs with tax, as far as it is known: agreed, or between the cheapest and the dearest option that
    lies with the client. more: what hidden damage may add."""

    estimate: Estimate
    agreed: bool
    lowest: Decimal
    highest: Decimal
    more: Decimal


def price_of(job: Job) -> Price | None:
    """The price to tell the client who asks. Reads job.estimates.all() with their lines."""
    rows = {row.state: row for row in job.estimates.all()}
    accepted, sent = rows.get(EstimateState.ACCEPTED), rows.get(EstimateState.SENT)
    if accepted is not None and accepted.agreed is not None:
        # What the allowance was used for is known by now, and nothing more is hidden.
        sums = [accepted.agreed.totals.gross + sum(line.gross for line in accepted.hidden)]
    elif sent is not None:
        sums = [priced.totals.gross for priced in sent.offer]
    else:
        return None
    estimate = accepted or sent
    if estimate is None or not sums:
        return None
    return Price(
        estimate=estimate,
        agreed=estimate is accepted,
        lowest=min(sums),
        highest=max(sums),
        more=Decimal(0) if estimate.hidden_keys else estimate.with_tax(estimate.allowance_ceiling),
    )


def next_step(job: Job, person) -> Step:
    """The step that moves the set on, as this person may take it."""
    stage = job.current_stage
    if job.left_at or job.held_since or job.away_to or stage is None:
        return Step()
    if stage.kind == "estimate" and not may(person, OWNER) and may(person, TECHNICIAN):
        return Step(words=_("Cloth or buttons?"), href=reverse("advice", args=[job.number]))
    if not may(person, *_MOVERS[stage.whose]):
        return Step(sentence=str(_WAITS[stage.whose]))
    if stage.kind in _CHECKS:
        return Step(check=True)
    words, href = _words_and_address(job, stage)
    return Step(words=words, href=href)


def _words_and_address(job: Job, stage: Stage) -> tuple[str, str]:
    if stage.kind == "count_in":
        return _("Count it in"), reverse("job_count_in", args=[job.number])
    if stage.kind == "estimate":
        draft = next((row for row in job.estimates.all() if row.is_draft), None)
        if draft is not None:
            return _("Finish the estimate"), reverse("estimate_detail", args=[draft.number])
        return _("Advice and estimate"), reverse("advice", args=[job.number])
    if stage.kind == "answer":
        sent = next((row for row in job.estimates.all() if row.state == "sent"), None)
        if sent is not None:
            return _("Take the answer"), reverse("estimate_detail", args=[sent.number])
    words = {
        "pack": _("Count out and pack"),
        "leave": _("Hand it over"),
    }.get(stage.kind, _("Go on: %(stage)s") % {"stage": stage.title})
    return words, reverse("stage_detail", args=[job.number, stage.pk])


@require_safe
@allowed()
def job_scan(request: PersonRequest, number: int) -> HttpResponse:
    """A tag was scanned: to the place that fits who scans it. A technician comes to the check that is open, or to the
    stage the set stands at; the desk to counting in, packing or handing over when that is due; everybody else, and
    whenever nothing is due, to the set's own page."""
    job = job_for(number)
    stage = job.current_stage
    if request.user.role == Role.TECHNICIAN:
        if address := next((found for ask in seams.at_hand if (found := ask(job))), ""):
            return redirect(address)
        if stage is not None and stage.whose == route.BENCH:
            return redirect("stage_detail", number, stage.pk)
    if request.user.role == Role.DESK and stage is not None and job.held_since is None:
        if stage.kind == "count_in":
            return redirect("job_count_in", number)
        if stage.kind in ("pack", "leave"):
            return redirect("stage_detail", number, stage.pk)
    return redirect("job_detail", number)


@require_safe
@allowed()
def job_detail(request: PersonRequest, number: int) -> HttpResponse:
    """Everything about one set on one page; the QR code on its boxes leads here."""
    priced = Prefetch("estimates", queryset=Estimate.objects.with_lines())
    job = job_for(number, Job.objects.for_lists().select_related("received_by").prefetch_related(priced))
    events = list(job.events.newest_first()[: _EVENTS + 1])
    context = {
        "job": job,
        "price": price_of(job),
        "row": rack.row(job, timezone.now(), promises.fears().get(job.pk, "") if job.promised_on else ""),
        "step": next_step(job, request.user),
        "stage": job.current_stage,
        "events": events[:_EVENTS],
        "more_events": len(events) > _EVENTS,
        "may_promise": may(request.user, DESK, OWNER),
        "may_advise": may(request.user, TECHNICIAN),
        "may_own": may(request.user, OWNER),
        "hold_form": HoldForm(),
    }
    return render(request, "shop/jobs/detail.html", context)


@require_safe
@allowed()
def job_events(request: PersonRequest, number: int) -> HttpResponse:
    """Everything that happened to one set, the newest first."""
    job = job_for(number)
    page = Paginator(job.events.newest_first(), _EVENTS_A_PAGE).get_page(request.GET.get("page"))
    return render(request, "shop/jobs/events.html", {"job": job, "page": page})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def job_edit(request: PersonRequest, number: int) -> HttpResponse:
    """Puts right what was written down about the arrival."""
    job = job_for(number)
    form = ArrivalForm(request.POST if request.method == "POST" else None, instance=job)
    if form.is_bound and form.is_valid():
        jobs.job_change(job, by=request.user, **form.cleaned_data)
        messages.success(request, _("Kept."))
        return redirect("job_detail", number)
    return render(request, "shop/jobs/edit.html", {"job": job, "form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK, OWNER)
def job_promise(request: PersonRequest, number: int) -> HttpResponse:
    """Another day for the set, or none, with the reason."""
    job = job_for(number)
    form = PromiseForm(request.POST if request.method == "POST" else None, instance=job)
    if form.is_bound and form.is_valid():
        try:
            jobs.promise_change(
                job, by=request.user, to=form.cleaned_data["promised_on"], reason=form.cleaned_data["reason"]
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("The promise is kept with the set."))
            return redirect("job_detail", number)
    context = {"job": job, "form": form, "reckoned": promises.next_day_to_promise(job)}
    return render(request, "shop/jobs/promise.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def job_hold(request: PersonRequest, number: int) -> HttpResponse:
    """Puts the set on hold, with the reason."""
    job = job_for(number)
    form = HoldForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            stages.job_hold(job, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            messages.error(request, str(refusal))
        return redirect("job_detail", number)
    return render(request, "shop/jobs/hold.html", {"job": job, "form": form})


@require_POST
@allowed()
def job_release(request: PersonRequest, number: int) -> HttpResponse:
    """Takes the set off hold."""
    try:
        stages.job_release(job_for(number), by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("job_detail", number)


@require_safe
@allowed()
def job_tags(request: PersonRequest, number: int) -> HttpResponse:
    """A tag for every box, to print."""
    job = job_for(number)
    return pdf.pdf_response(tags_of(job), f"{job.tag}-tags.pdf")


@require_safe
@allowed()
def job_receipt(request: PersonRequest, number: int) -> HttpResponse:
    """What arrived, to sign."""
    job = job_for(number)
    return pdf.pdf_response(receipt(job), f"{job.tag}-receipt.pdf")

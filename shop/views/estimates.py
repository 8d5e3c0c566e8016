"""An estimate in the office: written, looked at, sent, withdrawn, answered for the client at the counter."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import Prefetch
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import DESK, OWNER, PersonRequest, allowed, estimate_for, fetch, job_for, may
from shop.core.errors import MeasurementError
from shop.documents.changes import changes_since
from shop.documents.estimate import estimate_pdf, estimate_sums, paid_before
from shop.documents.pdf import pdf_response
from shop.forms.estimates import (
    COMMON,
    EXTRA,
    DraftForms,
    FreeDraftForm,
    ResendForm,
    SendForm,
    TakenAnswerForm,
    WithdrawForm,
)
from shop.htmx import page_or_part
from shop.models import Answer, AnswerKind, Estimate, EstimateState, LineKind, Link, Workshop
from shop.workflow import estimates, promises
from shop.workflow.estimates import DraftOption
from shop.workflow.letters import state_of
from shop.workflow.refusal import Refused


def _version(request: PersonRequest) -> int | None:
    """The version an address names; one that is no number counts as none at all."""
    text = request.GET.get("version", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 5 else None


def _read(number: int, version: int | None = None) -> Estimate:
    """A version with everything its pages show."""
    row = estimate_for(number, version)
    links = Link.objects.select_related("letter").prefetch_related("letter__logs")
    return (
        Estimate.objects.select_related("job__client", "job__instrument", "created_by")
        .prefetch_related("options", "lines", "answers__extras", "answers__option", "answers__taken_by")
        .prefetch_related("answers__replied_by", "answers__letter__logs", Prefetch("links", queryset=links))
        .get(pk=row.pk)
    )


def estimate_page(estimate: Estimate) -> dict[str, Any]:
    """What every page about one version shows."""
    return {
        "estimate": estimate,
        "job": estimate.job,
        "currency": estimate.currency,
        "workshop": Workshop.ours(),
        "moment": estimate.sent_at,
        **estimate_sums(estimate),
        "changes": changes_since(estimate),
        "paid": paid_before(estimate, estimate.sent_at),
    }


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK)
def estimate_detail(request: PersonRequest, number: int) -> HttpResponse:
    """One version: the draft to write on for the owner, otherwise what it says and what has become of it."""
    estimate = _read(number, _version(request))
    writes = estimate.is_draft and may(request.user, OWNER)
    if request.method == "POST":
        if not may(request.user, OWNER):
            raise PermissionDenied
        if not estimate.is_draft:
            messages.error(request, _("This version has been sent and cannot be changed any more. Make a new version."))
            return redirect(estimate)
        return _keep(request, estimate)
    return _draft_page(request, estimate, DraftForms(estimate)) if writes else _shown(request, estimate)


def _draft_page(request: PersonRequest, estimate: Estimate, forms: DraftForms, *, refusal: str = "") -> HttpResponse:
    context = {
        **estimate_page(estimate),
        "forms": forms,
        "refusal": refusal or forms.trouble,
        "reckoned": promises.working_days_for(estimate),
        "versions": _versions(estimate),
    }
    return page_or_part(request, "shop/estimates/draft.html", context)


def _keep(request: PersonRequest, estimate: Estimate) -> HttpResponse:
    """Everything on the draft's page is kept, whatever button was pressed; then the button does its own."""
    forms = DraftForms(estimate, request.POST)
    good = forms.is_valid()
    if not all([good, *(form.is_valid() for _group, form in forms.adding)]):
        return _draft_page(request, estimate, forms)
    try:
        with transaction.atomic():
            estimates.draft_change(
                estimate, values=forms.values, options=forms.options, lines=forms.lines, by=request.user
            )
            goes_to = _press(request, estimate, forms)
    except Refused as refusal:
        return _draft_page(request, _read(estimate.number, estimate.version), forms, refusal=str(refusal))
    return goes_to


def _whole(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 16 else 0


def _press(request: PersonRequest, estimate: Estimate, forms: DraftForms) -> HttpResponse:
    post, by = request.POST, request.user
    anchor = ""
    for group, form in forms.adding:
        kind = LineKind.EXTRA if group.key == EXTRA else LineKind.WORK
        estimates.line_add(estimate, form.draft(kind), option=group.option, by=by)
        anchor = f"#group-{group.key}"
    if "add" in post:
        anchor = f"#group-{post['add']}" if post["add"].isalnum() else ""
    elif "remove" in post:
        estimates.line_remove(estimate, _whole(post["remove"]), by=by)
        anchor = f"#group-{post.get('group', COMMON)}" if post.get("group", "").isalnum() else ""
    elif "up" in post or "down" in post:
        line_id = _whole(post.get("up") or post.get("down"))
        estimates.line_move(estimate, line_id, up="up" in post, by=by)
        anchor = f"#line-{line_id}"
    elif "option_add" in post:
        option = estimates.option_add(estimate, by=by)
        anchor = f"#group-{option.pk}"
    elif "option_remove" in post:
        estimates.option_remove(estimate, _whole(post["option_remove"]), by=by)
    elif post.get("then") in ("send", "preview", "pdf"):
        return redirect(f"estimate_{post['then']}", estimate.number)
    else:
        messages.success(request, _("Kept."))
    response = redirect("estimate_detail", estimate.number)
    response["Location"] += anchor
    return response


@require_POST
@allowed(OWNER)
def estimate_totals(request: PersonRequest, number: int) -> HttpResponse:
    """The sums of what stands on the draft's page, without keeping it."""
    estimate = _read(number, _version(request))
    if not estimate.is_draft:
        return redirect(estimate)
    forms = DraftForms(estimate, request.POST)
    forms.is_valid()
    context = {**_unkept(estimate), "forms": forms, "refusal": forms.trouble, "versions": _versions(estimate)}
    return page_or_part(request, "shop/estimates/draft.html", context, part="reckoned")


def _unkept(estimate: Estimate) -> dict[str, Any]:
    """The page of rows that hold what was typed; where that cannot be added up, of the rows as they are kept."""
    try:
        return estimate_page(estimate)
    except MeasurementError:
        return estimate_page(_read(estimate.number, estimate.version))


def _versions(estimate: Estimate) -> list[Estimate]:
    return list(Estimate.objects.latest_of(estimate.number).only("number", "version", "state", "sent_at", "job_id"))


def _shown(request: PersonRequest, estimate: Estimate, **forms: Any) -> HttpResponse:
    answers = list(estimate.answers.all())
    links = list(estimate.links.all())
    alive = next((link for link in links if link.withdrawn_at is None), None)
    over = estimate.is_over(timezone.localdate())
    owner = may(request.user, OWNER)
    state = EstimateState(estimate.state)
    context = {
        **estimate_page(estimate),
        "versions": _versions(estimate),
        "agreed": estimate.agreed,
        "answer": (answer := estimate.answer),
        "confirmed": state_of(answer.letter) if answer and answer.letter else "",
        "questions": [answer for answer in answers if answer.kind == AnswerKind.QUESTION],
        "links": [(link, state_of(link.letter) if link.letter else "") for link in links],
        "alive": alive,
        "over": over,
        "owner": owner,
        "may_answer": state == EstimateState.SENT,
        "may_resend": owner and state in (EstimateState.SENT, EstimateState.ACCEPTED),
        "may_withdraw": owner and state == EstimateState.SENT,
        "may_renew": owner and not estimate.is_draft and not estimate.job.left_at,
        "taken": forms.get("taken") or TakenAnswerForm(estimate=estimate),
        "resend": forms.get("resend") or ResendForm(initial={"to": estimate.sent_to or estimate.job.client.email}),
        "withdraw": forms.get("withdraw") or WithdrawForm(),
        "refusal": forms.get("refusal", ""),
    }
    return render(request, "shop/estimates/detail.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def estimate_new(request: PersonRequest, number: int) -> HttpResponse:
    """A free estimate for a job, without an advice: so much of each kind of work."""
    job = job_for(number)
    form = FreeDraftForm(request.POST or None)
    refusal = ""
    if request.method == "POST" and form.is_valid():
        try:
            estimate = estimates.estimate_draft(
                job=job,
                options=[DraftOption(title=form.cleaned_data["title"], lines=form.lines)],
                by=request.user,
            )
            return redirect(estimate)
        except Refused as sentence:
            refusal = str(sentence)
    writing = job.estimates.drafts().first()
    context = {"job": job, "form": form, "refusal": refusal, "writing": writing}
    return render(request, "shop/estimates/new.html", context)


@require_safe
@allowed(DESK)
def estimate_pdf_view(request: PersonRequest, number: int) -> HttpResponse:
    """The PDF as it was sent, or of the draft as it stands."""
    estimate = estimate_for(number, _version(request))
    return pdf_response(estimate_pdf(estimate), f"{estimate.file_name}.pdf")


@require_safe
@allowed(DESK)
def estimate_preview(request: PersonRequest, number: int) -> HttpResponse:
    """The client's page as it will look, with nothing to press."""
    estimate = _read(number, _version(request))
    context = {**estimate_page(estimate), "preview": True, "questions": [], "state": estimate.state}
    return render(request, "shop/answers/estimate.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def estimate_send(request: PersonRequest, number: int) -> HttpResponse:
    """The last look before an estimate goes out: how, to which address, with which words."""
    estimate = _read(number, _version(request))
    if not estimate.is_draft:
        messages.error(request, _("This version has been sent."))
        return redirect(estimate)
    address = estimate.job.client.email
    start = {"to": address, "message": estimates.usual_message(estimate), "how": "letter" if address else "paper"}
    form = SendForm(request.POST or None, initial=start)
    refusal = estimates.why_not_ready(estimate)
    if request.method == "POST" and form.is_valid() and not refusal:
        typed = form.cleaned_data
        to = typed["to"] if typed["how"] == "letter" else ""
        try:
            estimates.estimate_send(estimate, to=to, message=typed["message"], by=request.user)
        except Refused as sentence:
            refusal = str(sentence)
        else:
            messages.success(request, _("Sent.") if to else _("Ready to be printed and handed over."))
            return redirect(estimate)
    agreed = Estimate.objects.filter(job=estimate.job, state=EstimateState.ACCEPTED).first()
    context = {**estimate_page(estimate), "form": form, "refusal": refusal, "agreed_before": agreed}
    estimate.days_reckoned = promises.working_days_for(estimate)  # as it will be when it goes out
    if estimate.working_days and not estimate.days_are_sure:
        context["too_soon"] = estimate.days_reckoned
    return render(request, "shop/estimates/send.html", context)


def _change(request: PersonRequest, estimate: Estimate, change: Callable[[], Any], told: str) -> HttpResponse:
    """Does it, says so, or says why not; then back to the estimate."""
    try:
        change()
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, told)
    return redirect(estimate)


@require_POST
@allowed(OWNER)
def estimate_new_version(request: PersonRequest, number: int) -> HttpResponse:
    """A draft that begins as a copy."""
    estimate = estimate_for(number, _version(request))
    try:
        new = estimates.estimate_new_version(estimate, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect(estimate)
    return redirect(new)


@require_POST
@allowed(OWNER)
def estimate_discard(request: PersonRequest, number: int) -> HttpResponse:
    """Throws the draft away."""
    estimate = estimate_for(number, _version(request))
    job = estimate.job
    try:
        estimates.estimate_discard(estimate, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect(estimate)
    messages.success(request, _("The draft is gone."))
    return redirect("job_detail", job.number)


@require_POST
@allowed(OWNER)
def estimate_withdraw(request: PersonRequest, number: int) -> HttpResponse:
    """Takes an estimate back that is with the client."""
    estimate = _read(number, _version(request))
    form = WithdrawForm(request.POST)
    if not form.is_valid():
        return _shown(request, estimate, withdraw=form)
    reason = form.cleaned_data["reason"]
    return _change(
        request,
        estimate,
        lambda: estimates.estimate_withdraw(estimate, by=request.user, reason=reason),
        _("Withdrawn. The client's link says so."),
    )


@require_POST
@allowed(OWNER)
def link_resend(request: PersonRequest, number: int) -> HttpResponse:
    """A new letter with a new link."""
    estimate = _read(number, _version(request))
    form = ResendForm(request.POST)
    if not form.is_valid():
        return _shown(request, estimate, resend=form)
    typed = form.cleaned_data
    return _change(
        request,
        estimate,
        lambda: estimates.link_resend(estimate, to=typed["to"], message=typed["message"], by=request.user),
        _("A new letter with a new link is on its way; the link before has ended."),
    )


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def estimate_remind(request: PersonRequest, number: int) -> HttpResponse:
    """A letter that reminds, to look at and send."""
    estimate = _read(number, _version(request))
    if estimate.state != EstimateState.SENT:
        messages.error(request, _("Only an estimate that is with the client can be reminded of."))
        return redirect(estimate)
    start = {"to": estimate.sent_to or estimate.job.client.email, "message": estimates.usual_reminder(estimate)}
    form = ResendForm(request.POST or None, initial=start)
    if request.method == "POST" and form.is_valid():
        typed = form.cleaned_data
        return _change(
            request,
            estimate,
            lambda: estimates.estimate_remind(estimate, to=typed["to"], message=typed["message"], by=request.user),
            _("The reminder is on its way."),
        )
    seen = max((link.last_seen_at for link in estimate.links.all() if link.last_seen_at), default=None)
    context = {**estimate_page(estimate), "form": form, "seen": seen, "over": estimate.is_over(timezone.localdate())}
    return render(request, "shop/estimates/remind.html", context)


@require_POST
@allowed(OWNER)
def link_withdraw(request: PersonRequest, number: int) -> HttpResponse:
    """Ends the client's link."""
    estimate = estimate_for(number, _version(request))
    return _change(
        request,
        estimate,
        lambda: estimates.link_withdraw(estimate, by=request.user),
        _("The link has ended."),
    )


@require_POST
@allowed(DESK)
def answer_take(request: PersonRequest, number: int) -> HttpResponse:
    """A yes, a no or a question given by phone or at the counter."""
    estimate = _read(number, _version(request))
    form = TakenAnswerForm(request.POST, estimate=estimate)
    if not form.is_valid():
        return _shown(request, estimate, taken=form)
    typed = form.cleaned_data
    said, name, text = typed["said"], typed["name"], typed["text"]
    try:
        if said == "question":
            estimates.question_ask(estimate, text=text, name=name, by=request.user)
            messages.success(request, _("The question is noted for the owner."))
        elif said == "no":
            told = estimates.estimate_decline(estimate, reason=text, name=name, by=request.user)
            _say(request, told, _("Taken down: no work is done. The set can go home."))
        else:
            extras = typed.get("extras", [])
            told = estimates.estimate_accept(
                estimate, option=said, name=name, extras=extras, text=text, by=request.user
            )
            _say(request, told, _agreed(told))
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect(estimate)


def _agreed(told: estimates.Told) -> str:
    letter = told.answer.letter
    if letter is not None:
        return _("Taken down: the work is agreed. A letter that confirms it goes to %(to)s.") % {"to": letter.to[0]}
    if Workshop.ours().confirm_yes:
        return _("Taken down: the work is agreed. No letter confirms it, since no good address is known.")
    return _("Taken down: the work is agreed.")


def _say(request: PersonRequest, told: estimates.Told, fresh: str) -> None:
    if told.fresh:
        messages.success(request, fresh)
    else:
        messages.info(request, told.sentence)


@require_POST
@allowed(OWNER)
def question_reply(request: PersonRequest, number: int, answer_id: int) -> HttpResponse:
    """Our answer to a question."""
    estimate = estimate_for(number, _version(request))
    rows = Answer.objects.filter(estimate__number=number, kind=AnswerKind.QUESTION)
    question = fetch(rows, pk=answer_id)
    text = request.POST.get("reply", "")[:4000].replace("\x00", "")
    return _change(
        request,
        estimate,
        lambda: estimates.question_reply(question, text=text, by=request.user),
        _("Answered."),
    )


@require_POST
@allowed(DESK)
def deposit_receive(request: PersonRequest, number: int) -> HttpResponse:
    """The deposit has come."""
    estimate = estimate_for(number, _version(request))
    return _change(
        request,
        estimate,
        lambda: estimates.deposit_receive(estimate, by=request.user),
        _("Noted. The working days count from today."),
    )

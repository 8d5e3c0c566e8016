"""The client's page behind the link in our letter: read, compare, ask, say yes or no. See shop/links.py."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from shop.documents.estimate import estimate_pdf
from shop.documents.pdf import pdf_response
from shop.forms.answers import NoForm, QuestionForm, YesForm
from shop.htmx import page_or_part
from shop.links import by_link
from shop.models import AnswerKind, Estimate, EstimateState, Line, Link
from shop.views.estimates import estimate_page
from shop.workflow import estimates
from shop.workflow.refusal import Refused


def _read(link: Link) -> Estimate:
    return (
        Estimate.objects.with_lines()
        .select_related("job__client", "job__instrument")
        .prefetch_related("answers__option")
        .get(pk=link.estimate_id)
    )


def _page(estimate: Estimate, token: str) -> dict[str, Any]:
    answers = list(estimate.answers.all())
    newer = Estimate.objects.filter(
        number=estimate.number, version__gt=estimate.version, state=EstimateState.SENT
    ).first()
    return {
        **estimate_page(estimate),
        "token": token,
        "state": estimate.state,
        "agreed": estimate.agreed,
        "answer": estimate.answer,
        "questions": [answer for answer in answers if answer.kind == AnswerKind.QUESTION],
        "closed": estimates.why_closed(estimate, timezone.localdate()),
        "newer": newer,
        "newer_over": newer is not None and newer.is_over(timezone.localdate()),
        "over": estimate.state == EstimateState.SENT and estimate.is_over(timezone.localdate()),
    }


def _show(
    request: HttpRequest, estimate: Estimate, token: str, *, question: QuestionForm | None = None, told: str = ""
) -> HttpResponse:
    context = {**_page(estimate, token), "question": question or QuestionForm(), "told": told}
    return render(request, "shop/answers/estimate.html", context, status=409 if told else 200)


@require_safe
@by_link
def estimate_answer(request: HttpRequest, token: str, link: Link) -> HttpResponse:
    """The estimate as the client reads it."""
    if not request.user.is_authenticated and request.method == "GET":
        estimates.estimate_seen(link)
    return _show(request, _read(link), token)


def _chosen(request: HttpRequest, estimate: Estimate) -> tuple[Any, list[Line]]:
    """The option and the extras that the address or the form names; None where there is no such option."""
    typed = request.POST if request.method == "POST" else request.GET
    letter = typed.get("option", "")
    option = next((row for row in estimate.options.all() if row.letter == letter), None)
    wanted = set(typed.getlist("extra"))
    return option, [line for line in estimate.extras if str(line.pk) in wanted]


@require_http_methods(["GET", "HEAD", "POST"])
@by_link
def answer_yes(request: HttpRequest, token: str, link: Link) -> HttpResponse:
    """Yes to one option: what it comes to with the extras ticked, then a name."""
    estimate = _read(link)
    option, extras = _chosen(request, estimate)
    closed = estimates.why_closed(estimate, timezone.localdate())
    if option is None or (closed and request.method != "POST"):
        return redirect("estimate_answer", token)
    form = YesForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            told = estimates.estimate_accept(
                estimate,
                option=option,
                name=form.cleaned_data["name"],
                extras=[line.pk for line in extras],
            )
        except Refused as refusal:
            return _show(request, _read(link), token, told=str(refusal))
        if not told.fresh:
            return _show(request, _read(link), token, told=told.sentence)
        return redirect("estimate_answer", token)
    context = {
        **_page(estimate, token),
        "form": form,
        "choice": estimate.priced(option, extras),
        "ticked": {line.pk for line in extras},
    }
    return page_or_part(request, "shop/answers/yes.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@by_link
def answer_no(request: HttpRequest, token: str, link: Link) -> HttpResponse:
    """No, with a reason if the client likes."""
    estimate = _read(link)
    if estimate.state != EstimateState.SENT and request.method != "POST":
        return redirect("estimate_answer", token)
    form = NoForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            told = estimates.estimate_decline(
                estimate, name=form.cleaned_data["name"], reason=form.cleaned_data["reason"]
            )
        except Refused as refusal:
            return _show(request, _read(link), token, told=str(refusal))
        if not told.fresh:
            return _show(request, _read(link), token, told=told.sentence)
        return redirect("estimate_answer", token)
    return render(request, "shop/answers/no.html", {**_page(estimate, token), "form": form})


@require_http_methods(["POST"])
@by_link
def answer_question(request: HttpRequest, token: str, link: Link) -> HttpResponse:
    """A question, answered by letter and on the page."""
    estimate = _read(link)
    form = QuestionForm(request.POST)
    if not form.is_valid():
        return _show(request, estimate, token, question=form)
    try:
        estimates.question_ask(estimate, text=form.cleaned_data["text"], name=form.cleaned_data["name"])
    except Refused as refusal:
        return _show(request, _read(link), token, question=form, told=str(refusal))
    response = redirect("estimate_answer", token)
    response["Location"] += "#questions"
    return response


@require_safe
@by_link
def answer_pdf(request: HttpRequest, token: str, link: Link) -> HttpResponse:
    """The PDF that was sent."""
    estimate = link.estimate
    return pdf_response(estimate_pdf(estimate), f"{estimate.file_name}.pdf")

"""Checks: begun, shown as a sheet, changed at their head, closed, opened again, thrown away."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from keyboards.advising import assumptions_for
from keyboards.core.keys import format_keys
from keyboards.core.spread import upper_failing
from keyboards.forms.checks import CheckForm, ReasonForm
from keyboards.forms.readings import FindingsForm, two_diameters
from keyboards.models import Check, CheckKind, Compass
from keyboards.proving import agreed_proof, owed_of, proof_of
from keyboards.sheets import far_off, finding_titles, picture_of, repeats_of, sheet_of
from keyboards.words import quantity_title
from keyboards.workflow import checks as workflow
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for, may
from shop.htmx import page_or_part
from shop.models import Job, proves_in_words
from shop.workflow.refusal import Refused


def check_for(number: int, pk: int) -> Check:
    """The check of that job with all that its pages name, or 404."""
    rows = Check.objects.select_related(
        "job__client", "job__instrument", "job__compass", "gauge", "begun_by", "closed_by", "released_by"
    )
    return fetch(rows, pk=pk, job__number=number)


def compass_for(job: Job) -> Compass:
    """The keys of the set, or 404: nothing can be read where no keys are written down."""
    compass = getattr(job, "compass", None)
    if compass is None:
        raise Http404
    return compass


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def check_begin(request: PersonRequest, number: int) -> HttpResponse:
    """Begins a check of the kind named in the address (?kind=), with what is usually measured in it."""
    job = job_for(number, Job.objects.select_related("client", "instrument", "compass"))
    kind = request.GET.get("kind", CheckKind.ARRIVAL)
    if kind not in CheckKind.values:
        raise Http404
    context: dict[str, Any] = {"job": job, "kind": kind, "heading": CheckKind(kind).label}
    compass = getattr(job, "compass", None)
    if compass is None:
        return render(request, "keyboards/checks/no_keys.html", context)
    usual = {
        "quantities": workflow.usual_quantities(job, kind),
        "gauge": Check.objects.filter(begun_by=request.user)
        .order_by("-begun_at")
        .values_list("gauge", flat=True)
        .first(),
    }
    form = CheckForm(request.POST if request.method == "POST" else None, compass=compass, kind=kind, initial=usual)
    if form.is_bound and form.is_valid():
        try:
            check = workflow.check_begin(job=job, kind=kind, by=request.user, **form.facts)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Begun. Every reading is kept as it is entered."))
            return redirect("check_detail", number, check.pk)
    open_check = job.checks.filter(kind=kind, closed_at__isnull=True).first()
    return render(
        request,
        "keyboards/checks/begin.html",
        {**context, "form": form, "open_check": open_check, "agreed": _agreed(job, kind)},
    )


def _agreed(job: Job, kind: str) -> str:
    """What the client was promised of a final check, in words."""
    return proves_in_words(agreed_proof(job.estimates.agreed_lines())) if kind == CheckKind.FINAL else ""


@require_safe
@allowed()
def check_detail(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """The sheet: every reading of the check, the row above it, what is still open. htmx may ask for the row alone."""
    check = check_for(number, pk)
    return page_or_part(request, "keyboards/checks/detail.html", sheet_context(request, check))


def sheet_context(request: PersonRequest, check: Check) -> dict[str, Any]:
    """All that the sheet's page needs, in a number of queries that does not grow with the set."""
    compass, units = compass_for(check.job), request.user.units
    readings = list(check.keys.all())
    held = assumptions_for(check.job)
    sheet = sheet_of(check, compass, readings, titles=finding_titles(), units=units, held=held)
    return {
        "job": check.job,
        "check": check,
        "sheet": sheet,
        "keys_address": reverse("key_detail", args=[check.job.number, check.pk, 0]).removesuffix("0/"),
        "picture": picture_of(check, compass, readings, units=units, held=held, odd=sheet.odd),
        "repeats": repeats_of(check, units),
        "sample": format_keys(check.sample),
        "agreed": _agreed(check.job, check.kind),
        "may_write": may(request.user, TECHNICIAN) and not check.is_closed,
        "may_reopen": may(request.user, TECHNICIAN) and check.is_closed,
        "empty": not readings,
        "reason_form": ReasonForm(),
        "findings_form": FindingsForm(compass=compass),
        "bound": _bound(check, compass),
        "two_diameters": two_diameters(units),
    }


def _bound(check: Check, compass: Compass) -> int | None:
    """How many of all keys may at most be bad when a random sample shows none: what this sample can say."""
    if not check.sample or not check.sample_random:
        return None
    return upper_failing(len(compass.present), len(check.wanted(compass.present)), 0)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def check_edit(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """Puts the head of an open check right."""
    check = check_for(number, pk)
    compass = compass_for(check.job)
    form = CheckForm.of(check, compass, request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            workflow.check_change(check, by=request.user, **form.facts)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Kept."))
            return redirect("check_detail", number, pk)
    context = {
        "job": check.job,
        "check": check,
        "form": form,
        "heading": check.get_kind_display(),
        "agreed": _agreed(check.job, check.kind),
    }
    return render(request, "keyboards/checks/edit.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def check_close(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """Says what is still open, and closes the check when the person says so all the same."""
    check = check_for(number, pk)
    compass_for(check.job)
    refused = ""
    if request.method == "POST":
        try:
            workflow.check_close(check, by=request.user, confirm=request.POST.get("confirm") == "yes")
        except Refused as refusal:
            refused = str(refusal)
        else:
            messages.success(request, _("Closed."))
            return redirect("check_detail", number, pk)
    points = workflow.open_points(check)
    context = {
        "job": check.job,
        "check": check,
        "heading": check.get_kind_display(),
        "points": points,
        "unread": format_keys(points.unread),
        "differ": format_keys(points.differ),
        "gaps": [(quantity_title(quantity), format_keys(keys), len(keys)) for quantity, keys in points.gaps.items()],
        "owed": owed_of(check),
        "far_off": far_off(check, assumptions_for(check.job), request.user.units),
        "worked_after": format_keys(proof_of(check.job).worked_after) if check.kind == CheckKind.FINAL else "",
        "refused": refused,
    }
    return render(request, "keyboards/checks/close.html", context)


@require_POST
@allowed(TECHNICIAN)
def check_reopen(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """A closed check takes entries again, with a reason."""
    check = check_for(number, pk)
    form = ReasonForm(request.POST)
    if form.is_valid():
        try:
            workflow.check_reopen(check, by=request.user, reason=form.cleaned_data["reason"])
        except Refused as refusal:
            form.add_error("reason", str(refusal))
        else:
            messages.success(request, _("Open again."))
            return redirect("check_detail", number, pk)
    context = {**sheet_context(request, check), "reason_form": form}
    return page_or_part(request, "keyboards/checks/detail.html", context)


@require_POST
@allowed(TECHNICIAN)
def check_discard(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """Throws away a check begun by mistake, while it is empty."""
    check = check_for(number, pk)
    try:
        workflow.check_discard(check, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("check_detail", number, pk)
    messages.success(request, _("Thrown away: nothing had been entered."))
    return redirect("job_detail", number)

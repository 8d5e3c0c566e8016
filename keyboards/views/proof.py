"""The proof of a set: the verdicts of its final check, its release, the hand-off report, the keyframe label."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from keyboards import pictures
from keyboards.core.keys import format_keys
from keyboards.documents import benchsheet, handoff, label
from keyboards.forms.proof import AgainForm, ReleaseForm
from keyboards.models import Check, Compass
from keyboards.progressing import put_right, redo_of
from keyboards.proving import Proof, proof_of
from keyboards.workflow.proof import check_release as release
from keyboards.workflow.proof import read_again, send_failing_back
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for, may
from shop.documents.pdf import pdf_response
from shop.htmx import page_or_part
from shop.models import STAGE_TITLES, Job, proves_in_words
from shop.workflow.refusal import Refused


def _page(
    request: PersonRequest, job: Job, form: ReleaseForm | None = None, again: AgainForm | None = None
) -> HttpResponse:
    proof = proof_of(job)
    units = request.user.units
    why_not = proof.why_not
    stage = job.current_stage
    may_work = may(request.user, TECHNICIAN)
    touched = put_right(proof)
    context: dict[str, Any] = {
        "job": job,
        "proof": proof,
        "check": proof.check,
        "heading": _("Final check"),
        "row": _row(proof, units) if proof.compass and proof.rows else None,
        "stats": [
            (handoff.verdict_words(verdict), count, verdict.replace(" ", "-"))
            for verdict, count in proof.verdicts.counts.items()
        ],
        "rows": handoff.exceptions(proof, units) if proof.check else [],
        "limits": handoff.limit_rows(proof, units),
        "why_not": why_not,
        "agreed": proves_in_words(proof.agreed),
        "owed": proof.owed_words,
        "drop": handoff.drop_words(proof),
        "left": handoff.left_words(proof),
        "may_release": bool(
            proof.closed
            and why_not
            and not proof.verdicts.proved
            and not proof.released
            and not proof.worked_since
            and not job.left_at
            and may_work
        ),
        "may_work": may_work,
        "undecided": format_keys(proof.undecided),
        "may_read_again": bool(proof.undecided and may_work and not job.left_at and not proof.worked_since),
        "put_right": format_keys(touched),
        "again": (again or AgainForm(compass=proof.compass))
        if proof.compass
        and proof.worked_since
        and len(touched) < len(proof.before.present)
        and may_work
        and not job.left_at
        else None,
        "worked_after": format_keys(proof.worked_after),
        "back_to": stage if stage is not None and stage.kind in ("final_check", "pack", "leave") else None,
        "redo": [(STAGE_TITLES[kind], format_keys(keys)) for kind, keys in redo_of(job).by_stage] if why_not else [],
        "form": form or ReleaseForm(),
    }
    return page_or_part(request, "keyboards/proof/final.html", context)


def _row(proof: Proof, units: str) -> dict[str, str]:
    """The row after the work with what was judged under it, wide and narrow."""
    assert proof.compass is not None
    faces = handoff.faces_after(proof)
    title = _("The keys of %(tag)s after the work") % {"tag": proof.job.tag}
    plots = handoff.plots(proof, units)[:2]
    return {
        "wide": pictures.row_svg(faces, uid="final-wide", title=title, plots=plots, after=True),
        "narrow": pictures.row_svg(faces, uid="final-narrow", title=title, split=3, width=360, after=True),
    }


@require_safe
@allowed()
def final_verdicts(request: PersonRequest, number: int) -> HttpResponse:
    """Whether the set may leave: the verdict of every key, what did not pass, the way back or out."""
    return _page(request, job_for(number))


@require_POST
@allowed(TECHNICIAN)
def check_release(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """Lets the set go although keys fail, with a reason."""
    job = job_for(number)
    check = fetch(Check.objects.all(), pk=pk, job=job)
    form = ReleaseForm(request.POST)
    if form.is_valid():
        try:
            release(check, by=request.user, reason=form.cleaned_data["reason"])
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Released. The exceptions and your reason stand on the report."))
            return redirect("final_verdicts", number)
    return _page(request, job, form)


@require_POST
@allowed(TECHNICIAN)
def final_send_back(request: PersonRequest, number: int) -> HttpResponse:
    """Sends the set back to where the keys that fail are put right; each stage then shows its own."""
    try:
        to = send_failing_back(job_for(number), by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("final_verdicts", number)
    messages.success(request, _("The set went back to: %(stage)s.") % {"stage": to.title})
    return redirect("stage_detail", number, to.pk)


@require_POST
@allowed(TECHNICIAN)
def final_read_again(request: PersonRequest, number: int) -> HttpResponse:
    """Opens a bench run over the keys that were put right, or over those that one reading leaves undecided."""
    job = job_for(number)
    compass = Compass.objects.filter(job=job).first()
    form = AgainForm(request.POST, compass=compass) if compass else None
    if form is not None and not form.is_valid():
        return _page(request, job, again=form)
    also = form.cleaned_data["also"] if form is not None else []
    try:
        check, keys, quantities = read_again(job, also=also, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("final_verdicts", number)
    asked = {"keys": format_keys(keys)} | ({"quantities": ",".join(quantities)} if quantities else {})
    return redirect(f"{reverse('check_run', args=[check.pk])}?{urlencode(asked)}")


@require_safe
@allowed()
def handoff_pdf(request: PersonRequest, number: int) -> HttpResponse:
    """The hand-off report, provisional until the final check is closed."""
    job = job_for(number)
    return pdf_response(handoff.handoff(job, request.user.units), f"{job.tag}-hand-off.pdf")


@require_safe
@allowed()
def bench_sheet(request: PersonRequest, number: int) -> HttpResponse:
    """The sheet that goes through the shop with the keys."""
    job = job_for(number, Job.objects.for_lists().prefetch_related("stages__finished_by"))
    return pdf_response(benchsheet.bench_sheet(job, request.user.units), f"{job.tag}-bench-sheet.pdf")


@require_safe
@allowed()
def keyframe_label(request: PersonRequest, number: int) -> HttpResponse:
    """The label for the keyframe."""
    job = job_for(number)
    return pdf_response(label.keyframe_label(job, request.user.units), f"{job.tag}-label.pdf")

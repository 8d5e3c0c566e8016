"""The readings of a set behind a secret link, and the links themselves."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from keyboards import pictures
from keyboards.documents import handoff
from keyboards.forms.shares import ShareForm
from keyboards.models import Share
from keyboards.proving import proof_of
from keyboards.workflow import shares
from shop.access import DESK, TECHNICIAN, PersonRequest, allowed, fetch, job_for, open_to_all
from shop.documents.pdf import pdf_response
from shop.downloads import download
from shop.guessing import too_many_misses
from shop.links import quiet
from shop.models import Job, Workshop, token_hash
from shop.workflow.refusal import Refused

_LONGEST_TOKEN = 100


def by_share(view: Callable) -> Callable:
    """Finds the link of the address. One that is not there, has ended or was withdrawn gets a plain page, the same for
    every token that was never given out."""

    @open_to_all
    @wraps(view)
    def found(request: HttpRequest, token: str) -> HttpResponse:
        share = Share.objects.filter(token_hash=token_hash(token[:_LONGEST_TOKEN])).first()
        if share is None:
            return quiet(_closed(request, 429 if too_many_misses(request) else 404))
        at = timezone.now()
        if not share.is_open(at):
            return quiet(_closed(request, 410))
        shares.share_seen(share, at=at)
        return quiet(view(request, token, Job.objects.for_lists().get(pk=share.job_id), share))

    return found


def _closed(request: HttpRequest, status: int) -> HttpResponse:
    context = {"workshop": Workshop.ours(), "ended": status == 410}
    return render(request, "keyboards/shares/closed.html", context, status=status)


@require_safe
@by_share
def shared(request: HttpRequest, token: str, job: Job, share: Share) -> HttpResponse:
    """The set, what was found and what was proved, and the files."""
    proof = proof_of(job)
    context: dict[str, Any] = {
        "workshop": Workshop.ours(),
        "token": token,
        "job": job,
        "proof": proof,
        "ends": share.expires_at,
        "stats": [(handoff.verdict_words(verdict), count) for verdict, count in proof.verdicts.counts.items()],
        "limits": handoff.limit_rows(proof, "mm"),
        "rows": handoff.exceptions(proof, "mm") if proof.check else [],
    }
    if proof.compass and proof.rows:
        title = _("The keys of %(tag)s after the work") % {"tag": job.tag}
        faces = handoff.faces_after(proof)
        context["wide"] = pictures.row_svg(faces, uid="shared-wide", title=title, after=True)
        context["narrow"] = pictures.row_svg(faces, uid="shared-narrow", title=title, split=3, width=360, after=True)
    return render(request, "keyboards/shares/shared.html", context)


@require_safe
@by_share
def shared_csv(request: HttpRequest, token: str, job: Job, share: Share) -> HttpResponse:
    """Every reading, a line a key."""
    return download(handoff.readings_csv(proof_of(job)), f"{job.tag}-readings.csv")


@require_safe
@by_share
def shared_json(request: HttpRequest, token: str, job: Job, share: Share) -> HttpResponse:
    """Every reading, limit and verdict."""
    return download(handoff.readings_json(proof_of(job)), f"{job.tag}-readings.json")


@require_safe
@by_share
def shared_pdf(request: HttpRequest, token: str, job: Job, share: Share) -> HttpResponse:
    """The hand-off report."""
    return pdf_response(handoff.handoff(job), f"{job.tag}-hand-off.pdf")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(DESK, TECHNICIAN)
def share_list(request: PersonRequest, number: int) -> HttpResponse:
    """The links of a set, with the form that makes one; an address is shown once."""
    job, new = job_for(number), f"new_share_{number}"  # never shown on the page of another set
    initial = {"whom": job.client.contact or job.client.name, "to": job.client.email, "days": 90}
    form = ShareForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            _share, token = shares.share_make(job, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error("to", str(refusal))
        else:
            if form.cleaned_data["to"]:
                messages.success(request, _("The link is on its way."))
            else:
                request.session[new] = shares.share_address(token)
            return redirect("share_list", number)
    context = {
        "job": job,
        "form": form,
        "heading": _("The readings for a technician"),
        "shares": Share.objects.filter(job=job).select_related("created_by"),
        "now": timezone.now(),
        "address": request.session.pop(new, "") if request.method == "GET" else "",
    }
    return render(request, "keyboards/shares/list.html", context)


@require_POST
@allowed(DESK, TECHNICIAN)
def share_withdraw(request: PersonRequest, number: int, share_id: int) -> HttpResponse:
    """The link opens nothing from now on."""
    share = fetch(Share.objects.select_related("job"), pk=share_id, job__number=number)
    try:
        shares.share_withdraw(share, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("Withdrawn: that link opens nothing any more."))
    return redirect(reverse("share_list", args=[number]))

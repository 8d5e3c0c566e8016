"""Photos: added on a job's or a key's page, sent by a tablet, shown to the people of the shop and nobody else."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from keyboards.core.entries import Problem, read_operation
from keyboards.forms.photos import PhotoForm
from keyboards.images import LARGEST_FILE
from keyboards.models import Check, Photo
from keyboards.views.entries import OTHER, answer
from keyboards.words import sentence
from keyboards.workflow.photos import photo_add as keep
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, job_for
from shop.htmx import page_of_ours
from shop.workflow.refusal import Refused

_A_DAY = 60 * 60 * 24


@require_POST
@allowed()
def photo_add(request: PersonRequest, number: int) -> HttpResponse:
    """Several photos of a set, or of one of its keys. Those that can be kept are; each other one is named."""
    job = job_for(number)
    back = page_of_ours(request.POST.get("next", ""), reverse("job_detail", args=[number]))
    form = PhotoForm(request.POST, request.FILES, job=job)
    if not form.is_valid():
        for problem in dict.fromkeys(error for errors in form.errors.values() for error in errors):
            messages.error(request, str(problem))
        return redirect(back)
    kept = 0
    for file in form.cleaned_data["photos"]:
        try:
            keep(
                job=job,
                data=file.read(),
                by=request.user,
                key=form.cleaned_data["key"],
                check=form.cleaned_data["check"],
                stage=form.cleaned_data["stage"],
                caption=form.cleaned_data["caption"],
            )
        except Refused as refusal:
            messages.error(request, f"{file.name[:60]}: {refusal}")
        else:
            kept += 1
    if kept:
        messages.success(request, ngettext("%(count)d photo kept.", "%(count)d photos kept.", kept) % {"count": kept})
    return redirect(back)


@require_safe
@allowed()
def photo_show(request: PersonRequest, op: UUID) -> HttpResponse:
    """The photo, up to 1600 px."""
    return served(fetch(Photo.objects.all(), op=op).image)


@require_safe
@allowed()
def photo_small(request: PersonRequest, op: UUID) -> HttpResponse:
    """The photo, up to 400 px."""
    return served(fetch(Photo.objects.all(), op=op).small)


def served(kept: Any) -> HttpResponse:
    try:
        with kept.open("rb") as file:
            response = HttpResponse(file.read(), content_type="image/jpeg")  # a few hundred kB at most
    except FileNotFoundError:
        raise Http404 from None
    # The file of an op never changes; but it is for those who are signed in, so no shared cache may keep it.
    response["Cache-Control"] = f"private, max-age={_A_DAY}, immutable"
    return response


@require_POST
@allowed(TECHNICIAN, json=True)
def photo_send(request: PersonRequest, pk: int) -> JsonResponse:
    """One photo from a tablet, multipart: op, key, taken_at, caption, photo. The same op rule as for entries.

    200 {"kept": [op]} or {"refused": [{"op", "reason", "why"}]}; 400 no photo in it; 401, 403, 404, 409 as for
    operations.
    """
    if request.POST.get("person", str(request.user.pk)) != str(request.user.pk):
        return answer(401, error=OTHER)
    check = Check.objects.select_related("job__compass").filter(pk=pk).first()
    if check is None:
        return answer(404, error=_("This check is no longer there."))
    if check.is_closed:
        return answer(409, error=_("This check is closed. Open it again to add a photo."))
    compass = getattr(check.job, "compass", None)
    file = request.FILES.get("photo")
    if file is None or compass is None:
        return answer(400, error=_("There is no photo in it."))
    op, key = request.POST.get("op", ""), request.POST.get("key", "")
    # A photo's op, key and moment are checked as those of a note are; a photo of the whole set has no key.
    number = int(key) if key.isascii() and key.isdecimal() and len(key) < 5 else None
    raw = {"op": op, "kind": "note", "key": number if key else 1, "taken_at": request.POST.get("taken_at")}
    operation = read_operation(raw, count=compass.count, now=timezone.now())
    if isinstance(operation, Problem):
        return _refused(op, sentence(operation), operation.reason)
    if (file.size or 0) > LARGEST_FILE:
        return _refused(op, _("The photo is larger than %(size)d MB.") % {"size": LARGEST_FILE // (1024 * 1024)})
    try:
        keep(
            job=check.job,
            data=file.read(),
            by=request.user,
            key=number,
            check=check,
            caption=request.POST.get("caption", ""),
            op=operation.op,
            at=operation.taken_at,
        )
    except Refused as refusal:
        return _refused(op, str(refusal))
    return answer(200, kept=[str(operation.op)], refused=[])


def _refused(op: str, why: str, reason: str = "photo") -> JsonResponse:
    return answer(200, kept=[], refused=[{"op": op[:64] or None, "reason": reason, "why": why}])

"""How the shop does its stages: the guides, and their steps ticked."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import ANYONE_HERE, OWNER, PersonRequest, allowed, fetch, job_for
from shop.forms.guides import GuideForm
from shop.models import STAGE_TITLES, Guide
from shop.workflow.guides import guide_keep, ticks_keep
from shop.workflow.refusal import Refused


@require_safe
@allowed(OWNER)
def guide_list(request: PersonRequest) -> HttpResponse:
    """Every kind of stage with its guide."""
    written = {guide.kind: guide for guide in Guide.objects.all()}
    rows = [(kind, title, written.get(kind)) for kind, title in STAGE_TITLES.items()]
    return render(request, "shop/guides/list.html", {"rows": rows})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def guide_edit(request: PersonRequest, kind: str) -> HttpResponse:
    """The guide of one kind of stage."""
    if kind not in STAGE_TITLES:
        raise Http404
    guide = Guide.objects.filter(kind=kind).first() or Guide(kind=kind)
    form = GuideForm(request.POST or None, instance=guide)
    if request.method == "POST" and form.is_valid():
        guide_keep(kind=kind, by=request.user, **form.cleaned_data)
        messages.success(request, _("Kept. Every stage of this kind shows it from now on."))
        return redirect("guide_list")
    return render(request, "shop/guides/edit.html", {"form": form, "title": STAGE_TITLES[kind]})


@require_POST
@allowed(*ANYONE_HERE)
def stage_tick(request: PersonRequest, number: int, stage_id: int) -> HttpResponse:
    """Keeps the steps ticked and unticked since the page was shown."""
    job = job_for(number)
    stage = fetch(job.stages.all(), pk=stage_id)
    stage.job = job
    shown, ticked = set(request.POST.getlist("shown")), set(request.POST.getlist("step"))
    try:
        ticks_keep(stage, ticked=ticked - shown, unticked=shown - ticked, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    return redirect("stage_detail", number, stage_id)

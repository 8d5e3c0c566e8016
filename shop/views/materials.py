"""The shelf: materials and their lots; a bad lot shows every set that has it."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, F, Prefetch
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import rack
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch
from shop.forms.materials import LotForm, MaterialForm
from shop.forms.stages import ReasonForm
from shop.models import Client, Job, Lot, Material
from shop.workflow import materials
from shop.workflow.refusal import Refused

_A_PAGE = 50
_LOTS_A_ROW = 6


@require_safe
@allowed()
def material_list(request: PersonRequest) -> HttpResponse:
    """Everything on the shelf with its newest lots."""
    newest = Prefetch("lots", Lot.objects.all()[:_LOTS_A_ROW], to_attr="newest")
    stocked = Material.objects.filter(retired_at__isnull=True).alias(lots_in_all=Count("lots"))
    rows = list(stocked.annotate(earlier=F("lots_in_all") - _LOTS_A_ROW).prefetch_related(newest))
    rows.sort(key=lambda material: material.low_since is None)  # what runs low first
    return render(request, "shop/materials/list.html", {"materials": rows})


@require_POST
@allowed()
def material_low(request: PersonRequest, material_id: int) -> HttpResponse:
    """It runs low, or there is enough again."""
    material = fetch(Material.objects.all(), pk=material_id)
    materials.material_low(material, low=request.POST.get("low") == "1", by=request.user)
    return redirect("material_list")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def material_new(request: PersonRequest) -> HttpResponse:
    """A new material on the shelf."""
    return _material_page(request, Material())


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def material_edit(request: PersonRequest, material_id: int) -> HttpResponse:
    """One material: its facts and its lots."""
    return _material_page(request, fetch(Material.objects.all(), pk=material_id))


def _material_page(request: PersonRequest, material: Material) -> HttpResponse:
    form = MaterialForm(request.POST or None, instance=material)
    if request.method == "POST" and form.is_valid():
        materials.material_keep(form.save(commit=False), by=request.user)
        messages.success(request, _("Kept."))
        return redirect("material_edit", material.pk)
    return _edit(request, material, form, LotForm(material=material) if material.pk else None)


def _edit(request: PersonRequest, material: Material, form: MaterialForm, lot_form: LotForm | None) -> HttpResponse:
    context = {"material": material, "form": form, "lot_form": lot_form}
    if lot_form is not None:
        context["page"] = Paginator(material.lots.all(), _A_PAGE).get_page(request.GET.get("page"))
    return render(request, "shop/materials/edit.html", context)


@require_POST
@allowed(TECHNICIAN)
def lot_add(request: PersonRequest, material_id: int) -> HttpResponse:
    """A delivery of this material."""
    material = fetch(Material.objects.all(), pk=material_id)
    lot_form = LotForm(request.POST, material=material)
    if not lot_form.is_valid():
        return _edit(request, material, MaterialForm(instance=material), lot_form)
    materials.lot_add(lot_form.save(commit=False), by=request.user)
    messages.success(request, _("The lot is on the shelf."))
    return redirect("material_edit", material.pk)


def _lot_page(request: PersonRequest, lot: Lot, form: ReasonForm) -> HttpResponse:
    jobs = Job.objects.for_lists().filter(uses__lot=lot).distinct()
    page = Paginator(jobs, _A_PAGE).get_page(request.GET.get("page"))
    rows = rack.rows(page, timezone.now())
    clients: dict[Client, list[Job]] = {}
    for job in page if lot.bad_since else ():
        clients.setdefault(job.client, []).append(job)
    context = {"lot": lot, "page": page, "rows": rows, "clients": list(clients.items()), "form": form}
    return render(request, "shop/materials/lot.html", context)


@require_safe
@allowed()
def lot_detail(request: PersonRequest, lot_id: int) -> HttpResponse:
    """One lot and every set that has it."""
    return _lot_page(request, fetch(Lot.objects.select_related("material"), pk=lot_id), ReasonForm())


@require_POST
@allowed(TECHNICIAN)
def lot_found_bad(request: PersonRequest, lot_id: int) -> HttpResponse:
    """Marks a lot bad, with a reason."""
    lot = fetch(Lot.objects.select_related("material"), pk=lot_id)
    form = ReasonForm(request.POST)
    if not form.is_valid():
        return _lot_page(request, lot, form)
    try:
        materials.lot_found_bad(lot, by=request.user, reason=form.cleaned_data["reason"])
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("Marked bad. Every set that has it is listed here."))
    return redirect("lot_detail", lot.pk)

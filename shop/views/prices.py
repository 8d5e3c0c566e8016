"""The price list: read, edited, taken out as CSV and put back in after a look at what would change."""

from decimal import Decimal

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import OWNER, PersonRequest, allowed, fetch
from shop.core import route
from shop.core.errors import MeasurementError
from shop.forms.prices import OperationForm, PriceFileForm, price_file, price_list_csv
from shop.models import STAGE_TITLES, Operation, Workshop
from shop.workflow.estimates import price_of
from shop.workflow.prices import FIELDS, price_change, prices_import


def _priced() -> list[tuple[Operation, Decimal]]:
    workshop = Workshop.ours()
    return [(operation, price_of(operation, workshop)) for operation in Operation.objects.all()]


@require_safe
@allowed(OWNER)
def price_list(request: PersonRequest) -> HttpResponse:
    """All kinds of work by the stage they are done at, each with the price it comes to."""
    rows = _priced()
    retired = [row for row in rows if row[0].retired_at]
    stages = []
    for slug in sorted(STAGE_TITLES, key=lambda slug: route.KINDS[slug].order):
        here = [row for row in rows if row[0].stage == slug and not row[0].retired_at]
        if here:
            stages.append((STAGE_TITLES[slug], here))
    context = {"stages": stages, "retired": retired, "workshop": Workshop.ours()}
    return render(request, "shop/prices/list.html", context)


def _edit(request: PersonRequest, operation: Operation) -> HttpResponse:
    fresh = operation.pk is None
    form = OperationForm(request.POST or None, instance=operation)
    if request.method == "POST" and form.is_valid():
        values = {name: form.cleaned_data[name] for name in FIELDS if name != "retired"}
        changed = price_change(form.cleaned_data["code"], values, by=request.user)
        messages.success(request, _("Kept: %(title)s.") % {"title": changed.title})
        return redirect("price_list")
    workshop = Workshop.ours()
    try:
        price = price_of(operation, workshop)
    except MeasurementError:
        price = None  # a field beside it says what is wrong
    context = {"form": form, "operation": operation, "fresh": fresh, "price": price, "workshop": workshop}
    return render(request, "shop/prices/edit.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def price_add(request: PersonRequest) -> HttpResponse:
    """A new kind of work."""
    return _edit(request, Operation())


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def price_edit(request: PersonRequest, operation_id: int) -> HttpResponse:
    """One kind of work. Estimates that were written keep the price they were written with."""
    return _edit(request, fetch(Operation.objects.all(), pk=operation_id))


@require_POST
@allowed(OWNER)
def price_retire(request: PersonRequest, operation_id: int) -> HttpResponse:
    """Takes a kind of work off the list, or puts it back: old estimates still name it."""
    operation = fetch(Operation.objects.all(), pk=operation_id)
    retire = operation.retired_at is None
    price_change(operation.code, {"retired": retire}, by=request.user)
    said = _("%(title)s is off the list.") if retire else _("%(title)s is on the list again.")
    messages.success(request, said % {"title": operation.title})
    return redirect("price_list")


@require_safe
@allowed(OWNER)
def price_csv(request: PersonRequest) -> HttpResponse:
    """The whole list for a spreadsheet."""
    # The mark tells spreadsheets that the text is UTF-8; the way back in takes it off.
    response = HttpResponse("\ufeff" + price_list_csv(_priced()), content_type="text/csv; charset=utf-8")
    name = f"prices-{timezone.localdate():%Y-%m-%d}.csv"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def price_import(request: PersonRequest) -> HttpResponse:
    """A file is first shown with what it would change, then kept."""
    form = PriceFileForm(request.POST or None, request.FILES or None)
    found = None
    if request.method == "POST" and form.is_valid():
        found = price_file(form.cleaned_data["text"])
        if "keep" in request.POST and not found.trouble and not found.wrong:
            count = prices_import({row.code: row.values for row in found.to_do}, by=request.user)
            messages.success(request, _("Kept. Lines added or changed: %(count)d.") % {"count": count})
            return redirect("price_list")
    return render(request, "shop/prices/import.html", {"form": form, "found": found})

"""The price list: read, edited, taken out as CSV and put back in after a look at what would change; classes of tax."""

from copy import copy
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import OWNER, PersonRequest, allowed, fetch
from shop.core import route
from shop.core.errors import MeasurementError
from shop.downloads import download
from shop.forms.prices import OperationForm, PriceFileForm, TaxClassForm, price_file, price_list_csv
from shop.models import STAGE_TITLES, Operation, Price, TaxClass, Workshop
from shop.workflow.estimates import price_of
from shop.workflow.prices import FIELDS, price_change, price_drop, prices_import, tax_keep, tax_remove
from shop.workflow.refusal import Refused


def priced() -> list[tuple[Operation, Decimal]]:
    """Every operation as of today with what it comes to."""
    workshop = Workshop.ours()
    return [(row, price_of(row, workshop)) for row in Operation.objects.as_of(timezone.localdate())]


def _later(operation: Operation, workshop: Workshop) -> list[tuple[Operation, Decimal]]:
    """The same for each price whose day has not come. Reads prices.all()."""
    out = []
    for price in operation.prices.all():
        if price.starts_on > timezone.localdate():
            row = copy(operation)
            row.minutes, row.material_price, row.since = price.minutes, price.material_price, price.starts_on
            out.append((row, price_of(row, workshop)))
    return out


@require_safe
@allowed(OWNER)
def price_list(request: PersonRequest) -> HttpResponse:
    """All kinds of work by the stage they are done at, each with the price it comes to."""
    workshop = Workshop.ours()
    rows = [(operation, price, _later(operation, workshop)) for operation, price in priced()]
    retired = [row for row in rows if row[0].retired_at]
    stages = []
    for slug in sorted(STAGE_TITLES, key=lambda slug: route.KINDS[slug].order):
        here = [row for row in rows if row[0].stage == slug and not row[0].retired_at]
        if here:
            stages.append((STAGE_TITLES[slug], here))
    context = {"stages": stages, "retired": retired, "workshop": workshop, "taxes": TaxClass.objects.all()}
    return render(request, "shop/prices/list.html", context)


def _history(operation: Operation, workshop: Workshop) -> list[dict[str, Any]]:
    """Every price the operation has had or will have, the latest first."""
    today = timezone.localdate()
    rows: list[tuple[Any, Decimal, Decimal]] = [(None, operation.minutes, operation.material_price)]
    rows += [(row, row.minutes, row.material_price) for row in operation.prices.all()]
    holds = max((place for place, row in enumerate(rows) if row[0] is None or row[0].starts_on <= today), default=0)
    out = []
    for place, (price, minutes, material) in enumerate(rows):
        priced = copy(operation)
        priced.minutes, priced.material_price = minutes, material
        each = price_of(priced, workshop)
        facts = {"price": price, "minutes": minutes, "material_price": material, "each": each}
        out.append({**facts, "holds": place == holds, "later": price is not None and place > holds})
    return out[::-1]


def _edit(request: PersonRequest, operation: Operation, history: list[dict[str, Any]]) -> HttpResponse:
    fresh = operation.pk is None
    form = OperationForm(request.POST or None, instance=operation)
    if request.method == "POST" and form.is_valid():
        values = {name: form.cleaned_data[name] for name in FIELDS if name != "retired"}
        day = form.cleaned_data["starts_on"]
        changed = price_change(form.cleaned_data["code"], values, by=request.user, starts_on=day)
        messages.success(request, _("Kept: %(title)s.") % {"title": changed.title})
        return redirect("price_list")
    workshop = Workshop.ours()
    try:
        price = price_of(operation, workshop)
    except MeasurementError:
        price = None  # a field beside it says what is wrong
    context = {"form": form, "operation": operation, "fresh": fresh, "price": price, "workshop": workshop}
    return render(request, "shop/prices/edit.html", {**context, "history": history})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def price_add(request: PersonRequest) -> HttpResponse:
    """A new kind of work."""
    return _edit(request, Operation(), [])


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def price_edit(request: PersonRequest, operation_id: int) -> HttpResponse:
    """One kind of work. Estimates that were written keep the price they were written with."""
    operation = fetch(Operation.objects.prefetch_related("prices"), pk=operation_id)
    history = _history(operation, Workshop.ours())
    operation.minutes, operation.material_price, operation.since = operation.price_on(timezone.localdate())
    return _edit(request, operation, history)


@require_POST
@allowed(OWNER)
def price_withdraw(request: PersonRequest, price_id: int) -> HttpResponse:
    """Takes back a price whose day has not come."""
    price = fetch(Price.objects.select_related("operation"), pk=price_id)
    try:
        price_drop(price, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("That price does not come."))
    return redirect("price_edit", price.operation_id)


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
    workshop = Workshop.ours()
    rows = [line for row in priced() for line in (row, *_later(row[0], workshop))]
    return download(price_list_csv(rows), f"prices-{timezone.localdate():%Y-%m-%d}.csv")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def price_import(request: PersonRequest) -> HttpResponse:
    """A file is first shown with what it would change, then kept."""
    form = PriceFileForm(request.POST or None, request.FILES or None)
    found = None
    if request.method == "POST" and form.is_valid():
        found = price_file(form.cleaned_data["text"])
        if "keep" in request.POST and not found.trouble and not found.wrong:
            count = prices_import([(row.code, row.starts_on, row.values) for row in found.to_do], by=request.user)
            messages.success(request, _("Kept. Lines added or changed: %(count)d.") % {"count": count})
            return redirect("price_list")
    return render(request, "shop/prices/import.html", {"form": form, "found": found})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def tax_list(request: PersonRequest) -> HttpResponse:
    """The classes of tax beside the usual one, each to change; a new one under them."""
    rows = list(TaxClass.objects.all())
    which = request.POST.get("keep", "")
    forms = [
        TaxClassForm(request.POST if which == str(row.pk) else None, instance=row, prefix=f"t{row.pk}") for row in rows
    ]
    add = TaxClassForm(request.POST if which == "new" else None, prefix="new")
    pressed = next((form for form in [*forms, add] if form.is_bound), None)
    if pressed is not None and pressed.is_valid():
        tax_keep(pressed.instance, by=request.user)
        messages.success(request, _("Kept: %(title)s.") % {"title": pressed.instance})
        return redirect("tax_list")
    names = [str(row) for row in TaxClass.objects.all()]
    context = {"rows": list(zip(names, forms, strict=True)), "add": add, "workshop": Workshop.ours()}
    return render(request, "shop/prices/taxes.html", context)


@require_POST
@allowed(OWNER)
def tax_delete(request: PersonRequest, tax_id: int) -> HttpResponse:
    """Takes a class of tax off the list."""
    tax = fetch(TaxClass.objects.all(), pk=tax_id)
    try:
        tax_remove(tax, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("It is off the list. Estimates that name it keep it."))
    return redirect("tax_list")

"""What is known about an instrument."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shop.access import PersonRequest, allowed, fetch
from shop.forms.instruments import InstrumentForm
from shop.models import Instrument
from shop.views.clients import back_to
from shop.workflow.instruments import instrument_change


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def instrument_edit(request: PersonRequest, instrument_id: int) -> HttpResponse:
    """Maker, kind, year, serial number, keytops, a note."""
    rows = Instrument.objects.select_related("client")
    instrument = fetch(rows, pk=instrument_id)
    form = InstrumentForm(request.POST if request.method == "POST" else None, instance=instrument)
    if form.is_bound and form.is_valid():
        instrument_change(form.instance, by=request.user, fields=form.changed_data)
        messages.success(request, _("Kept."))
        return redirect(back_to(request, request.path))
    context = {"instrument": fetch(rows, pk=instrument_id), "form": form, "back": back_to(request, "")}
    return render(request, "shop/instruments/edit.html", context)

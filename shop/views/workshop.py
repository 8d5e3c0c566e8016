"""The workshop's settings."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shop.access import OWNER, PersonRequest, allowed
from shop.forms.workshop import WorkshopForm
from shop.models import Workshop
from shop.workflow.workshop import workshop_change


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def workshop_edit(request: PersonRequest) -> HttpResponse:
    """Letterhead, money, terms, bench hours. Estimates that were sent keep what they were made with."""
    form = WorkshopForm(request.POST if request.method == "POST" else None, instance=Workshop.ours())
    if form.is_bound and form.is_valid():
        workshop_change(form.instance, by=request.user, fields=form.changed_data)
        messages.success(request, _("Kept."))
        return redirect("workshop_edit")
    return render(request, "shop/workshop/edit.html", {"form": form})

"""The workshop's settings."""

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from shop.access import OWNER, PersonRequest, allowed
from shop.forms.workshop import WorkshopForm
from shop.models import Workshop
from shop.workflow.workshop import workshop_change


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def workshop_edit(request: PersonRequest) -> HttpResponse:
    """Letterhead, money, terms, bench hours. Estimates that were sent keep what they were made with."""
    posted = (request.POST, request.FILES) if request.method == "POST" else (None, None)
    form = WorkshopForm(*posted, instance=Workshop.ours())
    if form.is_bound and form.is_valid():
        logo = form.cleaned_data["logo_file"]
        workshop_change(
            form.instance,
            by=request.user,
            fields=form.changed_data,
            logo=logo,
            logo_off=form.cleaned_data["logo_off"],
        )
        messages.success(request, _("Kept."))
        return redirect("workshop_edit")
    return render(request, "shop/workshop/edit.html", {"form": form})


@require_safe
@allowed(OWNER)
def workshop_logo(request: PersonRequest) -> HttpResponse:
    """The logo as it is printed."""
    logo = Workshop.ours().logo
    if not logo:
        raise Http404
    try:
        with logo.open("rb") as kept:
            return HttpResponse(kept.read(), content_type="image/png", headers={"Cache-Control": "private, no-cache"})
    except FileNotFoundError:
        raise Http404 from None

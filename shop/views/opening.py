"""The first day: nobody works here yet, so whoever comes first opens the shop. Once only."""

from django.contrib import messages
from django.contrib.auth import login
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from shop.access import open_to_all
from shop.forms.people import OwnerForm
from shop.forms.workshop import WorkshopOpeningForm
from shop.models import Workshop
from shop.workflow.opening import first_day, is_open
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@open_to_all
def shop_open(request: HttpRequest) -> HttpResponse:
    """The shop's name, money and paper, and its owner. Not there any more once somebody works here."""
    if is_open():
        raise Http404
    data = request.POST if request.method == "POST" else None
    shop_form = WorkshopOpeningForm(data, prefix="shop", instance=Workshop())
    owner_form = OwnerForm(data, prefix="owner")
    if data is not None and all([shop_form.is_valid(), owner_form.is_valid()]):
        try:
            owner = first_day(
                workshop=shop_form.cleaned_data,
                owner=owner_form.instance,
                password=owner_form.cleaned_data["password"],
            )
        except Refused as refusal:
            raise Http404 from refusal
        login(request, owner, backend="django.contrib.auth.backends.ModelBackend")
        messages.success(request, _("The workshop is open. Log the first keyboard in, or look at the price list."))
        return redirect("counter")
    context = {"shop_form": shop_form, "owner_form": owner_form}
    return render(request, "shop/opening/first_day.html", context)

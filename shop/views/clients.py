"""What is known about a client."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shop.access import PersonRequest, allowed, fetch
from shop.forms.clients import ClientForm
from shop.models import Client
from shop.workflow.clients import client_change


def back_to(request: HttpRequest, otherwise: str) -> str:
    """The page of ours that somebody came from (?next=), else the other address."""
    wanted = request.GET.get("next", "")
    return wanted if url_has_allowed_host_and_scheme(wanted, allowed_hosts=None) else otherwise


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def client_edit(request: PersonRequest, client_id: int) -> HttpResponse:
    """Name, how to reach them, a note."""
    client = fetch(Client.objects.all(), pk=client_id)
    form = ClientForm(request.POST if request.method == "POST" else None, instance=client)
    if form.is_bound and form.is_valid():
        client_change(form.instance, by=request.user, fields=form.changed_data)
        messages.success(request, _("Kept."))
        return redirect(back_to(request, request.path))
    context = {"client": fetch(Client.objects.all(), pk=client_id), "form": form, "back": back_to(request, "")}
    return render(request, "shop/clients/edit.html", context)

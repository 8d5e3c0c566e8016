"""What is known about a client."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils.timezone import localdate
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import OWNER, PersonRequest, allowed, fetch, may
from shop.forms.clients import ClientForm, EraseForm
from shop.htmx import page_of_ours
from shop.models import Client
from shop.workflow import privacy
from shop.workflow.clients import client_change
from shop.workflow.refusal import Refused


def back_to(request: HttpRequest, otherwise: str) -> str:
    """The page of ours that somebody came from (?next=), else the other address."""
    return page_of_ours(request.GET.get("next", ""), otherwise)


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
    context = {
        "client": fetch(Client.objects.all(), pk=client_id),
        "form": form,
        "back": back_to(request, ""),
        "may_own": may(request.user, OWNER),
    }
    return render(request, "shop/clients/edit.html", context)


@require_safe
@allowed(OWNER)
def client_data(request: PersonRequest, client_id: int) -> HttpResponse:
    """All that is known of a client, to be shown on demand, with the ways to take it along or out."""
    return _data_page(request, fetch(Client.objects.all(), pk=client_id))


@require_safe
@allowed(OWNER)
def client_data_json(request: PersonRequest, client_id: int) -> HttpResponse:
    """The same as a file."""
    client = fetch(Client.objects.all(), pk=client_id)
    contents = {section.slug: section.rows for section in privacy.personal_data(client)}
    answer = JsonResponse(contents, json_dumps_params={"indent": 2, "ensure_ascii": False})
    answer["Content-Disposition"] = f'attachment; filename="client-{client.pk}.json"'
    return answer


@require_POST
@allowed(OWNER)
def client_erase(request: PersonRequest, client_id: int) -> HttpResponse:
    """Takes out who a client is; the technical history of the sets stays."""
    client = fetch(Client.objects.all(), pk=client_id)
    form = EraseForm(request.POST)
    if form.is_valid():
        try:
            privacy.client_erase(client, by=request.user, papers_until=form.cleaned_data["papers_until"])
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _("Erased. Backups made until now still hold it, until they are a year old."))
            return redirect("client_data", client.pk)
    return _data_page(request, client, form)


@require_POST
@allowed(OWNER)
def papers_erase(request: PersonRequest, client_id: int) -> HttpResponse:
    """Takes the client out of papers that were kept, once their day has passed."""
    client = fetch(Client.objects.all(), pk=client_id)
    try:
        privacy.papers_erase(client, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("The papers are erased."))
    return redirect("client_data", client.pk)


def _data_page(request: PersonRequest, client: Client, form: EraseForm | None = None) -> HttpResponse:
    # What a form refused has not changed the row that is shown.
    client = fetch(Client.objects.all(), pk=client.pk)
    today = localdate()
    context = {
        "client": client,
        "sections": privacy.personal_data(client),
        "form": form or EraseForm(initial={"papers_until": today.replace(month=12, day=31, year=today.year + 10)}),
        "papers_over": bool(client.papers_until and client.papers_until < today),
        "job": client.jobs.order_by("-number").first(),
    }
    return render(request, "shop/clients/data.html", context)

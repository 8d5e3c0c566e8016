"""Branches: a list the owner writes, and which of them a page shows."""

from dataclasses import dataclass

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from shop.access import OWNER, PersonRequest, allowed, fetch
from shop.forms.branches import BranchForm
from shop.models import Branch
from shop.workflow.branches import branch_keep


@dataclass(frozen=True)
class Shown:
    """Which branch a page shows (None: all of them), out of which."""

    branches: list[Branch]
    branch: Branch | None


def shown(request: PersonRequest) -> Shown:
    """The one that is asked for, else the person's own. One query."""
    branches = list(Branch.objects.all())
    asked = request.GET.get("branch") or str(request.user.branch_id or "")
    return Shown(branches, next((row for row in branches if str(row.pk) == asked), None))


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def branch_list(request: PersonRequest) -> HttpResponse:
    """All branches, and a new one."""
    form = BranchForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        branch_keep(form.instance, by=request.user, fields=form.changed_data)
        messages.success(request, _("Kept."))
        return redirect("branch_list")
    return render(request, "shop/branches/list.html", {"form": form, "branches": Branch.objects.all()})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def branch_edit(request: PersonRequest, branch_id: int) -> HttpResponse:
    """Name and address of one. Papers that went out keep what they said."""
    branch = fetch(Branch.objects.all(), pk=branch_id)
    form = BranchForm(request.POST if request.method == "POST" else None, instance=branch)
    if form.is_bound and form.is_valid():
        branch_keep(form.instance, by=request.user, fields=form.changed_data)
        messages.success(request, _("Kept."))
        return redirect("branch_list")
    return render(request, "shop/branches/edit.html", {"form": form})

"""Signing out elsewhere: one's own sessions, and, for the owner, anybody's."""

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from shop.access import OWNER, PersonRequest, allowed, fetch, password_lately
from shop.forms.factors import ProofForm
from shop.models import Person
from shop.views.factors import factor_page
from shop.workflow import sessions


def _end(request: PersonRequest, person: Person, which: str) -> None:
    if sessions.session_end(person, which, by=request.user):
        messages.success(request, _("Signed out there."))
    else:
        messages.info(request, _("That session had ended already."))


def _proof(request: PersonRequest) -> ProofForm:
    return ProofForm(request.POST, person=request.user, with_code=False, auto_id="end_%s")


@require_POST
@sensitive_post_parameters()
@allowed()
def session_end(request: PersonRequest, which: str) -> HttpResponse:
    """Ends one of one's own sessions, after the password once more."""
    form = _proof(request)
    if not form.is_valid():
        return factor_page(request, end_form=form)
    _end(request, request.user, which)
    return redirect("factor")


@require_POST
@sensitive_post_parameters()
@allowed()
def signed_out_everywhere(request: PersonRequest) -> HttpResponse:
    """Ends all of one's sessions but this one, after the password once more."""
    form = _proof(request)
    if not form.is_valid():
        return factor_page(request, end_form=form)
    sessions.sessions_end(request.user, by=request.user)
    update_session_auth_hash(request, request.user)  # with a row of its own again
    messages.success(request, _("You are signed out everywhere but here."))
    return redirect("factor")


@require_POST
@allowed(OWNER)
@password_lately
def person_session_end(request: PersonRequest, person_id: int, which: str) -> HttpResponse:
    """Ends a session of somebody."""
    _end(request, fetch(Person.objects.all(), pk=person_id), which)
    return redirect("person_edit", person_id)


@require_POST
@allowed(OWNER)
@password_lately
def person_signed_out(request: PersonRequest, person_id: int) -> HttpResponse:
    """Ends all sessions of somebody."""
    person = fetch(Person.objects.all(), pk=person_id)
    sessions.sessions_end(person, by=request.user)
    if person.pk == request.user.pk:
        update_session_auth_hash(request, person)
    messages.success(request, _("%(person)s is signed out everywhere.") % {"person": person})
    return redirect("person_edit", person_id)

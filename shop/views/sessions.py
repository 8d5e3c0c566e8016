"""Signing out elsewhere: one's own sessions, and, for the owner, anybody's."""

from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from shop.access import OWNER, PersonRequest, allowed, fetch
from shop.models import Person
from shop.workflow import sessions


def _end(request: PersonRequest, person: Person, which: str) -> None:
    if sessions.session_end(person, which, by=request.user):
        messages.success(request, _("Signed out there."))
    else:
        messages.info(request, _("That session had ended already."))


@require_POST
@allowed()
def session_end(request: PersonRequest, which: str) -> HttpResponse:
    """Ends one of one's own sessions."""
    _end(request, request.user, which)
    return redirect("factor")


@require_POST
@allowed()
def signed_out_everywhere(request: PersonRequest) -> HttpResponse:
    """Ends all of one's sessions but this one."""
    sessions.sessions_end(request.user, by=request.user)
    update_session_auth_hash(request, request.user)  # with a row of its own again
    messages.success(request, _("You are signed out everywhere but here."))
    return redirect("factor")


@require_POST
@allowed(OWNER)
def person_session_end(request: PersonRequest, person_id: int, which: str) -> HttpResponse:
    """Ends a session of somebody."""
    _end(request, fetch(Person.objects.all(), pk=person_id), which)
    return redirect("person_edit", person_id)


@require_POST
@allowed(OWNER)
def person_signed_out(request: PersonRequest, person_id: int) -> HttpResponse:
    """Ends all sessions of somebody."""
    person = fetch(Person.objects.all(), pk=person_id)
    sessions.sessions_end(person, by=request.user)
    if person.pk == request.user.pk:
        update_session_auth_hash(request, person)
    messages.success(request, _("%(person)s is signed out everywhere.") % {"person": person})
    return redirect("person_edit", person_id)

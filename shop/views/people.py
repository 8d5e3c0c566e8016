"""Signing in and out, how a person likes to work, and who works here."""

import logging
import time
from typing import Any

from django.contrib import messages
from django.contrib.auth import logout, update_session_auth_hash
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.crypto import constant_time_compare
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop import sessions, tablets
from shop.access import OWNER, PersonRequest, allowed, fetch, open_to_all, password_lately
from shop.forms.people import (
    NewPasswordForm,
    OwnPasswordForm,
    PersonAddForm,
    PersonForm,
    PersonSettingsForm,
    SignInForm,
)
from shop.guessing import device_remember
from shop.models import Event, Person, Workshop
from shop.workflow import people
from shop.workflow.factors import factor_demanded, factor_of
from shop.workflow.opening import is_open
from shop.workflow.pins import pin_forgive
from shop.workflow.refusal import Refused
from shop.workflow.sessions import signed_in

logger = logging.getLogger(__name__)

_WAITING = "second_step"  # in the session: who has typed the password and nothing more, and where they want to go
_WAITS = 10 * 60
_EVENTS = 12


class _SignIn(LoginView):
    template_name = "shop/people/sign_in.html"
    authentication_form = SignInForm

    def get_initial(self) -> dict[str, Any]:
        """Who is in and is asked once more has a name already."""
        known = {"username": self.request.user.get_username()} if self.request.user.is_authenticated else {}
        return {**super().get_initial(), "shared": tablets.is_shared(self.request), **known}

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """In, or one step further: nobody is signed in between the two."""
        person = form.get_user()
        self.request.session.flush()  # whatever an earlier visitor began
        self.request.session[_WAITING] = {
            "person": person.pk,
            "password": person.get_session_auth_hash(),
            "next": self.get_success_url(),
            "until": time.time() + _WAITS,
            "shared": form.cleaned_data["shared"],
        }
        if factor_of(person):
            return redirect("sign_in_code")
        if factor_demanded(person):
            return redirect("factor_set_up")
        return enter(self.request, person)


def waiting(request: HttpRequest) -> Person | None:
    """Who has typed the password, of late, and has the second step before them."""
    begun = request.session.get(_WAITING)
    if not begun or request.user.is_authenticated or begun["until"] < time.time():
        return None
    person = Person.objects.filter(pk=begun["person"], is_active=True).first()
    if person is None or not constant_time_compare(begun["password"], person.get_session_auth_hash()):
        return None
    return person


def enter(request: HttpRequest, person: Person) -> HttpResponse:
    """Signs in who has shown everything that is asked of them, and leads them where they wanted to go."""
    begun = request.session.pop(_WAITING)
    sessions.begin(request, person)
    logger.info("person %s signed in", person.pk)
    response = redirect(begun["next"])
    device_remember(request, response, person.username.casefold())
    pin_forgive(person)
    if begun["shared"]:
        tablets.share(request, by_pin=False)
        tablets.remember(request, response, person)
    return response


@require_http_methods(["GET", "HEAD", "POST"])
@open_to_all
def sign_in(request: HttpRequest, **kwargs: Any) -> HttpResponseBase:
    """Name and password; on the first day nobody has any, and the shop is opened instead."""
    if request.method != "POST" and not request.user.is_authenticated and not is_open():
        return redirect("shop_open")
    asked_again = tablets.by_pin(request) or (_next(request) and not sessions.begun_lately(request))
    return _SignIn.as_view(redirect_authenticated_user=not asked_again)(request, **kwargs)


def _next(request: HttpRequest) -> str:
    return request.POST.get("next", request.GET.get("next", ""))


@require_POST
@open_to_all
def sign_out(request: HttpRequest) -> HttpResponse:
    """Ends the session. By POST, so that no link can sign anybody out."""
    logout(request)
    return redirect("sign_in")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def person_settings(request: PersonRequest) -> HttpResponse:
    """Units, sound, side of the key pad."""
    form = PersonSettingsForm(request.POST if request.method == "POST" else None, instance=request.user)
    if form.is_bound and form.is_valid():
        form.save()
        messages.success(request, _("Kept."))
        return redirect("person_settings")
    return render(request, "shop/people/settings.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@allowed()
def password_change(request: PersonRequest) -> HttpResponse:
    """One's own password."""
    form = OwnPasswordForm(request.user, request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        form.save()
        update_session_auth_hash(request, form.user)  # stays signed in here; everywhere else is out
        messages.success(request, _("Your password is changed."))
        return redirect("person_settings")
    return render(request, "shop/people/password.html", {"form": form})


@require_safe
@allowed(OWNER)
def person_list(request: PersonRequest) -> HttpResponse:
    """Everybody who works here or did, and what of late gave, took or guarded access."""
    everybody = Person.objects.select_related("branch", "second_factor")
    rows = list(everybody.order_by("-is_active", "first_name", "last_name", "username"))
    names, events = {person.pk: person for person in rows}, Event.objects.about_access().newest_first()[:_EVENTS]
    context = {
        "people": rows,
        "shop": Workshop.ours(),
        "events": [(event, names.get(event.details.get("person"))) for event in events],
    }
    return render(request, "shop/people/list.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@allowed(OWNER)
@password_lately
def person_add(request: PersonRequest) -> HttpResponse:
    """Somebody new, with a role and a password to begin with."""
    form = PersonAddForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        person = people.person_add(form.instance, password=form.cleaned_data["password"], by=request.user)
        messages.success(request, _("%(person)s can sign in now. Tell them the password.") % {"person": person})
        return redirect("person_list")
    return render(request, "shop/people/add.html", {"form": form})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
@password_lately
def person_edit(request: PersonRequest, person_id: int) -> HttpResponse:
    """Name, role and units of somebody; from here their access is closed or a new password set."""
    person = fetch(Person.objects.all(), pk=person_id)
    form = PersonForm(request.POST if request.method == "POST" else None, instance=person)
    if form.is_bound and form.is_valid():
        try:
            people.person_change(form.instance, by=request.user, fields=form.changed_data)
        except Refused as refusal:
            form.add_error("role", str(refusal))
        else:
            messages.success(request, _("Kept."))
            return redirect("person_list")
    return _edit_page(request, person_id, form=form)


def _edit_page(request: PersonRequest, person_id: int, **forms: Any) -> HttpResponse:
    person = fetch(Person.objects.all(), pk=person_id)
    context = {
        "person": person,
        "form": PersonForm(instance=person),
        "password_form": NewPasswordForm(person=person),
        "sessions": signed_in(person, here=request.session.session_key),
        **forms,
    }
    return render(request, "shop/people/edit.html", context)


@require_POST
@sensitive_post_parameters()
@allowed(OWNER)
@password_lately
def person_password(request: PersonRequest, person_id: int) -> HttpResponse:
    """A new password for somebody who has forgotten theirs; for one's own the old one is asked for."""
    person = fetch(Person.objects.all(), pk=person_id)
    if person.pk == request.user.pk:
        return redirect("password_change")
    form = NewPasswordForm(request.POST, person=person)
    if not form.is_valid():
        return _edit_page(request, person_id, password_form=form)
    people.password_set(person, password=form.cleaned_data["password"], by=request.user)
    messages.success(request, _("%(person)s has a new password. Tell them.") % {"person": person})
    return redirect("person_list")


@require_POST
@allowed(OWNER)
@password_lately
def person_deactivate(request: PersonRequest, person_id: int) -> HttpResponse:
    """Closes somebody's access."""
    person = fetch(Person.objects.all(), pk=person_id)
    try:
        people.person_deactivate(person, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
        return redirect("person_edit", person_id)
    messages.success(request, _("%(person)s cannot sign in any more.") % {"person": person})
    return redirect("person_list")


@require_POST
@allowed(OWNER)
@password_lately
def person_reactivate(request: PersonRequest, person_id: int) -> HttpResponse:
    """Opens somebody's access again."""
    person = people.person_reactivate(fetch(Person.objects.all(), pk=person_id), by=request.user)
    messages.success(request, _("%(person)s can sign in again.") % {"person": person})
    return redirect("person_list")

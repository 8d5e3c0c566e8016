"""Signing in and out, and how a person likes to work."""

from django.contrib import messages
from django.contrib.auth import logout
from django.contrib.auth.views import LoginView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from shop.access import allowed, open_to_all
from shop.forms.people import PersonSettingsForm

sign_in = open_to_all(LoginView.as_view(template_name="shop/people/sign_in.html"))


@require_POST
@open_to_all
def sign_out(request: HttpRequest) -> HttpResponse:
    """Ends the session. By POST, so that no link can sign anybody out."""
    logout(request)
    return redirect("sign_in")


@allowed()
def person_settings(request: HttpRequest) -> HttpResponse:
    """Units, sound, side of the key pad."""
    form = PersonSettingsForm(request.POST or None, instance=request.user)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, _("Kept."))
        return redirect("person_settings")
    return render(request, "shop/people/settings.html", {"form": form})

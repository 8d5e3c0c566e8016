"""The first day: nobody works here yet, so whoever comes first opens the shop, once, and is led through the rest of it.

What was typed on the first page waits in the session until there is an owner; from then on every page keeps its own.
"""

from typing import Any

from django.contrib import messages
from django.forms import ModelForm
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from shop.access import OWNER, PersonRequest, allowed, open_to_all, password_lately
from shop.forms.people import OwnerForm, PersonAddForm
from shop.forms.workshop import HoursForm, MoneyForm, WorkshopOpeningForm
from shop.models import Person, Workshop
from shop.sessions import begin
from shop.views.prices import priced
from shop.workflow.opening import STEPS, first_day, is_open, step_done
from shop.workflow.people import person_add
from shop.workflow.refusal import Refused
from shop.workflow.workshop import workshop_change

_DRAFT = "first_day"
_TITLES = {
    "workshop": gettext_lazy("The workshop"),
    "owner": gettext_lazy("You"),
    "hours": gettext_lazy("Hours"),
    "money": gettext_lazy("Money"),
    "prices": gettext_lazy("Prices"),
    "people": gettext_lazy("People"),
}
_FORMS: dict[str, type[ModelForm]] = {"hours": HoursForm, "money": MoneyForm}


def _page(request: HttpRequest, step: str, **context: Any) -> HttpResponse:
    here = list(_TITLES).index(step)
    steps = [(title, "done" if at < here else "now" if at == here else "") for at, title in enumerate(_TITLES.values())]
    back = STEPS[STEPS.index(step) - 1] if step in STEPS[1:] else ""
    context |= {"steps": steps, "title": _TITLES[step], "place_of": here + 1, "back": back}
    return render(request, f"shop/opening/{step}.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@open_to_all
def shop_open(request: HttpRequest) -> HttpResponse:
    """Who the shop is. Once somebody works here it leads to where everybody goes on."""
    if is_open():
        return redirect("home")
    data = request.POST if request.method == "POST" else None
    form = WorkshopOpeningForm(data, instance=Workshop(), initial=request.session.get(_DRAFT))
    if data is not None and form.is_valid():
        request.session[_DRAFT] = form.cleaned_data
        return redirect("shop_owner")
    return _page(request, "workshop", form=form)


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@open_to_all
def shop_owner(request: HttpRequest) -> HttpResponse:
    """Its owner: with that it is open."""
    if is_open():
        return redirect("home")
    shop_form = WorkshopOpeningForm(request.session.get(_DRAFT), instance=Workshop())
    if not shop_form.is_valid():
        return redirect("shop_open")
    form = OwnerForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            owner = first_day(
                workshop=shop_form.cleaned_data, owner=form.instance, password=form.cleaned_data["password"]
            )
        except Refused:  # somebody was quicker
            return redirect("home")
        del request.session[_DRAFT]
        begin(request, owner)
        messages.success(request, _("The workshop is open."))
        return redirect("opening_step", STEPS[0])
    return _page(request, "owner", form=form)


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@allowed(OWNER)
def opening_step(request: PersonRequest, step: str) -> HttpResponse:
    """One of the steps that follow, until the last is done: then all of it stands in the Office."""
    workshop = Workshop.ours()
    if step not in STEPS or not workshop.opening:
        raise Http404
    if step == "people":
        return _people(request)
    if step == "prices":
        if request.method == "POST":
            return redirect("opening_step", step_done(step))
        return _page(request, step, priced=[row for row in priced() if not row[0].retired_at])
    form = _FORMS[step](request.POST if request.method == "POST" else None, instance=workshop)
    if form.is_bound and form.is_valid():
        workshop_change(form.instance, by=request.user, fields=form.changed_data)
        return redirect("opening_step", step_done(step))
    return _page(request, step, form=form)


@password_lately
def _people(request: PersonRequest) -> HttpResponse:
    form = PersonAddForm()
    if request.method == "POST":
        over = "over" in request.POST
        typed = [name for name in ("first_name", "last_name", "username", "password") if request.POST.get(name)]
        if typed or not over:  # whoever was typed in is not lost by going on
            form = PersonAddForm(request.POST)
            if not form.is_valid():
                return _page(request, "people", form=form, people=Person.objects.all())
            person = person_add(form.instance, password=form.cleaned_data["password"], by=request.user)
            messages.success(request, _("%(person)s can sign in now. Tell them the password.") % {"person": person})
        if not over:
            return redirect("opening_step", "people")
        step_done("people")
        messages.success(request, _("That is all. Log the first keyboard in."))
        return redirect("counter")
    return _page(request, "people", form=form, people=Person.objects.all())

"""The second step of signing in: typed, set up, taken off; a PIN; where one is signed in."""

from typing import Any

import segno
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from shop.access import OWNER, PersonRequest, allowed, open_to_all, password_lately
from shop.forms.factors import CodeForm, FirstCodeForm, OwnPinForm, ProofForm
from shop.models import Person
from shop.views.people import enter, waiting
from shop.workflow import factors
from shop.workflow.pins import pin_set
from shop.workflow.refusal import Refused
from shop.workflow.sessions import signed_in

_KEY = "second_factor_key"  # a secret that nobody has typed a code of yet lives in the session alone


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@open_to_all
def sign_in_code(request: HttpRequest) -> HttpResponse:
    """The step after the password. Nobody is signed in before it; it waits ten minutes."""
    person = waiting(request)
    if person is None or factors.factor_of(person) is None:
        return redirect("sign_in")
    form = CodeForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            factors.code_take(person, form.cleaned_data["code"])
        except Refused as refusal:
            form.add_error("code", str(refusal))
        else:
            return enter(request, person)
    return render(request, "shop/factors/code.html", {"form": form, "person": person})


@require_safe
@allowed()
def factor(request: PersonRequest) -> HttpResponse:
    """What stands between somebody else and this person's work."""
    return factor_page(request)


def factor_page(request: PersonRequest, **forms: Any) -> HttpResponse:
    """That page, with what was wrong in one of its forms."""
    own = factors.factor_of(request.user)
    context = {
        "factor": own,
        "codes_left": own.codes.count() if own else 0,
        "demanded": factors.factor_demanded(request.user),
        "sessions": signed_in(request.user, here=request.session.session_key),
        "form": ProofForm(person=request.user, with_code=own is not None, auto_id="proof_%s"),
        "end_form": ProofForm(person=request.user, with_code=False, auto_id="end_%s"),
        "pin_form": OwnPinForm(person=request.user, with_code=own is not None, auto_id="own_%s"),
        **forms,
    }
    return render(request, "shop/factors/factor.html", context)


def _proof(request: PersonRequest) -> ProofForm:
    own = factors.factor_of(request.user)
    return ProofForm(request.POST, person=request.user, with_code=own is not None, auto_id="proof_%s")


@require_POST
@sensitive_post_parameters()
@allowed()
def factor_change(request: PersonRequest, what: str) -> HttpResponse:
    """Begin, renew the codes, or take it off: all after the password once more, and a code if there is one."""
    if what not in ("begin", "codes", "off"):
        raise Http404
    form = _proof(request)
    if not form.is_valid():
        return factor_page(request, form=form)
    own = factors.factor_of(request.user)
    if what == "begin":
        request.session[_KEY] = factors.key_make()
        return redirect("factor_set_up")
    if own is not None and what == "codes":
        return _codes(request, factors.codes_renew(request.user))
    if own is not None and what == "off":
        try:
            factors.factor_remove(request.user, by=request.user)
        except Refused as refusal:
            messages.error(request, str(refusal))
        else:
            messages.success(request, _("The password alone is asked for now."))
    return redirect("factor")


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_post_parameters()
@open_to_all
def factor_set_up(request: HttpRequest) -> HttpResponse:
    """The secret as a picture and as letters, and the first code of it. For whoever has just typed their password: an
    owner who may not come in without, or somebody who began it on their own page."""
    person = waiting(request)
    if person is not None and factors.factor_of(person) is None and factors.factor_demanded(person):
        key = request.session.setdefault(_KEY, factors.key_make())
    elif isinstance(request.user, Person) and _KEY in request.session:
        person, key = request.user, request.session[_KEY]
    else:
        return redirect("factor")
    form = FirstCodeForm(request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            codes = factors.factor_add(person, key=key, code=form.cleaned_data["code"])
        except Refused as refusal:
            form.add_error("code", str(refusal))
        else:
            del request.session[_KEY]
            if request.user.is_authenticated:
                update_session_auth_hash(request, person)  # signed out everywhere but here
                return _codes(request, codes)
            inside = enter(request, person)
            page = _codes(request, codes, after=inside["Location"])
            page.cookies.update(inside.cookies)
            return page
    picture = segno.make(factors.key_address(person, key), error="m", micro=False)
    context = {
        "form": form,
        "person": person,
        "picture": picture.svg_data_uri(border=4, omitsize=True),
        "key": [key[at : at + 4] for at in range(0, len(key), 4)],
        "demanded": not request.user.is_authenticated,
    }
    return render(request, "shop/factors/set_up.html", context)


def _codes(request: HttpRequest, codes: list[str], after: str = "") -> HttpResponse:
    # Shown as the answer itself: kept nowhere, a page that is asked for again has none.
    return render(request, "shop/factors/codes.html", {"codes": codes, "after": after})


@require_POST
@sensitive_post_parameters()
@allowed()
def quick_pin(request: PersonRequest) -> HttpResponse:
    """One's PIN for shared tablets, after the password."""
    own = factors.factor_of(request.user)
    form = OwnPinForm(request.POST, person=request.user, with_code=own is not None, auto_id="own_%s")
    if not form.is_valid():
        return factor_page(request, pin_form=form)
    pin_set(request.user, form.cleaned_data["pin"])
    messages.success(request, _("Kept."))
    return redirect("factor")


@require_POST
@allowed(OWNER)
@password_lately
def factor_demand(request: PersonRequest) -> HttpResponse:
    """Whether owners must have a second step."""
    try:
        factors.factor_demand("on" in request.POST, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("Kept."))
    return redirect("person_list")

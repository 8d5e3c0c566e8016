"""Who may open what: every address of the program, for everybody."""

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from shop.access import ANYONE_HERE
from shop.models import Role
from tests.factories import make_person

# What nobody has to sign in for: signing in and out, the first day, the client's own page behind its link.
OPEN = {
    "answer_no",
    "answer_pdf",
    "answer_question",
    "answer_yes",
    "bench_worker",
    "change_person",
    "change_person_to",
    "estimate_answer",
    "estimate_photo",
    "estimate_photo_small",
    "health",
    "feed",
    "shared",
    "shared_csv",
    "shared_json",
    "shared_pdf",
    "factor_set_up",
    "home",
    "shop_open",
    "shop_owner",
    "sign_in",
    "sign_in_code",
    "sign_out",
}
# An argument for each converter, of something that is not there.
ARGUMENTS = {"TagConverter": 9999, "EstimateNumberConverter": 9999, "IntConverter": 9999, "SlugConverter": "nothing"}
ARGUMENTS |= {"StringConverter": "x" * 43, "UUIDConverter": "00000000-0000-4000-8000-000000000000"}


def patterns(resolver: URLResolver | None = None) -> list[URLPattern]:
    """Every address, those of included files too."""
    out: list[URLPattern] = []
    for entry in (resolver or get_resolver()).url_patterns:
        if isinstance(entry, URLResolver):
            out += patterns(entry)
        else:
            out.append(entry)
    return out


def address(pattern: URLPattern) -> str:
    arguments = {name: ARGUMENTS[type(converter).__name__] for name, converter in pattern.pattern.converters.items()}
    return reverse(pattern.name, kwargs=arguments)


def test_every_view_says_whom_it_is_for():
    silent = {pattern.name for pattern in patterns() if not hasattr(pattern.callback, "roles")}
    assert silent == set()


def test_only_these_views_ask_nobody_to_sign_in():
    open_to_all = {pattern.name for pattern in patterns() if getattr(pattern.callback, "roles", ()) is None}
    assert open_to_all <= OPEN


@pytest.mark.django_db
def test_nobody_passes_without_signing_in():
    visitor = Client()
    for pattern in patterns():
        if pattern.callback.roles is None:
            continue
        for method in (visitor.get, visitor.post):
            answer = method(address(pattern))
            asked = answer.status_code == 302 and reverse("sign_in") in answer["Location"]
            assert asked or answer.status_code in (401, 405), pattern.name


@pytest.mark.django_db
@pytest.mark.parametrize("role", ANYONE_HERE)
def test_a_role_opens_what_is_for_it_and_nothing_else(role):
    visitor = Client()
    visitor.force_login(make_person(role=role))
    for pattern in patterns():
        roles = pattern.callback.roles
        if roles is None or role in roles:
            continue
        assert role != Role.OWNER, pattern.name
        for method in (visitor.get, visitor.post):
            assert method(address(pattern)).status_code in (403, 405), pattern.name

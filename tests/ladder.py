"""The rungs that every view has: signed out, wrong role, wrong method, nothing there; htmx with what asks for it."""

from django.test import Client
from django.urls import reverse

from shop.models import Role
from tests.factories import make_person


def climb(name: str, *args: object, roles: set[str] | None = None, methods: set[str] | None = None) -> None:
    """Signed out leads to sign-in and back; a role that is not named gets 403; a method that is not named gets 405.

    roles: who may (the owner always; None: everybody here). methods: what the view answers to, "GET" and "POST".
    """
    address, methods = reverse(name, args=args), methods or {"GET"}
    first = "GET" if "GET" in methods else "POST"

    def ask(who: Client, method: str) -> int:
        answer = who.generic(method, address)
        if answer.streaming:
            b"".join(answer.streaming_content)  # a file that nobody reads stays open
        elif b"</html>" in answer.content:
            assert b" hx-target=" not in answer.content or b"js/htmx.min" in answer.content, address
        return answer.status_code

    nobody = Client()
    answer = nobody.generic(first, address)
    assert answer.status_code == 302
    assert answer["Location"].startswith(f"{reverse('sign_in')}?next={address}")
    for role in Role.values:
        who = Client()
        who.force_login(make_person(role=role))
        may = roles is None or role in roles or role == Role.OWNER
        assert (ask(who, first) != 403) is may, (role, first)
        if may:
            for method in {"GET", "POST", "PUT", "DELETE"} - methods:
                assert ask(who, method) == 405, (role, method)


def gone(name: str, *args: object, method: str = "GET") -> None:
    """For the owner there is nothing at this address."""
    who = Client()
    who.force_login(make_person(role=Role.OWNER))
    assert who.generic(method, reverse(name, args=args)).status_code == 404

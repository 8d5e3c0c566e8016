"""A tablet that several people share: who has signed in on it with the password, and when it signs them out.

A signed cookie names them. It is worth nothing without the PIN, and nothing any more once the person has a new password
or was signed out everywhere: what a session is checked by stands in it too.
"""

import time

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse

from shop.models import Person

DAYS = 30
_A_DAY = 24 * 60 * 60
_IDLE = 30 * 60
_LONGEST = 12 * 60 * 60
_SALT = "tablet"
_MOST = 20
SHARED, BY_PIN = "shared", "by_pin"


def _known(request: HttpRequest) -> dict[str, list]:
    """Person -> [what a session of theirs is checked by, when they typed the password here]."""
    try:
        return signing.loads(request.COOKIES.get(settings.TABLET_COOKIE_NAME, ""), salt=_SALT, max_age=DAYS * _A_DAY)
    except signing.BadSignature:
        return {}


def is_shared(request: HttpRequest) -> bool:
    """Whether somebody has said so of late."""
    return bool(_known(request))


def people_here(request: HttpRequest) -> list[Person]:
    """Who may come in here with a PIN."""
    known = {pk: hashed for pk, (hashed, since) in _known(request).items() if since > time.time() - DAYS * _A_DAY}
    rows = Person.objects.filter(pk__in=known, is_active=True).exclude(quick_pin="")
    return [person for person in rows if known[str(person.pk)] == person.get_session_auth_hash()]


def remember(request: HttpRequest, response: HttpResponse, person: Person) -> None:
    """The person has shown everything that is asked of them, on this tablet."""
    known = {**_known(request), str(person.pk): [person.get_session_auth_hash(), int(time.time())]}
    newest = sorted(known.items(), key=lambda item: item[1][1])[-_MOST:]
    response.set_cookie(
        settings.TABLET_COOKIE_NAME,
        signing.dumps(dict(newest), salt=_SALT, compress=True),
        max_age=DAYS * _A_DAY,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )


def share(request: HttpRequest, *, by_pin: bool) -> None:
    """The session that has just begun ends when the tablet lies idle."""
    request.session[SHARED] = {"since": time.time(), "seen": time.time()}
    request.session[BY_PIN] = by_pin
    request.session.set_expiry(_IDLE)


def by_pin(request: HttpRequest) -> bool:
    """Whether nothing but a PIN was typed for this session."""
    return bool(request.session.get(BY_PIN))


def stay(request: HttpRequest) -> None:
    """Puts a shared tablet's half hour off, not for ever, and not with a write for every page."""
    shared, now = request.session.get(SHARED), time.time()
    if shared and now - shared["seen"] > 120 and now - shared["since"] < _LONGEST:
        request.session[SHARED] = {**shared, "seen": now}

"""Where somebody is signed in: listed, and ended one by one or all at once."""

import datetime
from dataclasses import dataclass

from django.contrib.auth import HASH_SESSION_KEY
from django.db import transaction
from django.utils import timezone
from django.utils.crypto import constant_time_compare, salted_hmac

from shop.models import Person, Session
from shop.sessions import BEGUN, device
from shop.tablets import BY_PIN, SHARED
from shop.workflow.events import record
from shop.workflow.factors import sign_out_everywhere


@dataclass(frozen=True)
class SignedIn:
    """One session of a person. which names it without opening anything; since is None for one of an earlier version."""

    which: str
    device: str
    since: datetime.datetime | None
    seen: datetime.datetime
    shared: bool
    by_pin: bool
    here: bool


def _which(key: str) -> str:
    return salted_hmac("shop.sessions", key, algorithm="sha256").hexdigest()[:24]


def signed_in(person: Person, *, here: str | None = None) -> list[SignedIn]:
    """Every session that still opens something, this one (its key: here) first, then the one seen last."""
    rows = Session.objects.filter(person=person, expire_date__gt=timezone.now()).order_by("-seen")
    found = []
    for row in rows if person.is_active else ():
        data = row.get_decoded()
        if not constant_time_compare(data.get(HASH_SESSION_KEY, ""), person.get_session_auth_hash()):
            continue  # of before a new password: it ends when it is used
        begun = data.get(BEGUN)
        found.append(
            SignedIn(
                which=_which(row.session_key),
                device=device(begun["agent"] if begun else ""),
                since=datetime.datetime.fromtimestamp(begun["at"], datetime.UTC) if begun else None,
                seen=row.seen,
                shared=SHARED in data,
                by_pin=bool(data.get(BY_PIN)),
                here=row.session_key == here,
            )
        )
    return sorted(found, key=lambda one: not one.here)


@transaction.atomic
def session_end(person: Person, which: str, *, by: Person) -> bool:
    """Ends one; whether it was there still."""
    keys = Session.objects.filter(person=person).values_list("session_key", flat=True)
    key = next((key for key in keys if constant_time_compare(_which(key), which)), None)
    if key is None:
        return False
    Session.objects.filter(pk=key).delete()
    record("session_ended", by=by, person=person.pk)
    return True


@transaction.atomic
def sessions_end(person: Person, *, by: Person) -> None:
    """Ends all, on whatever machine, and the tablets that a PIN opened ask for the password."""
    sign_out_everywhere(person)
    Session.objects.filter(person=person).delete()
    record("sessions_ended", by=by, person=person.pk)

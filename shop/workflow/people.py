"""People come, change and go. Nobody is ever deleted: what they did keeps their name."""

from collections.abc import Iterable

from django.db import transaction
from django.utils.translation import gettext as _

from shop.guessing import count_miss, forget_misses
from shop.models import Person, Role
from shop.workflow.events import record
from shop.workflow.refusal import Refused

_TRIES = 5
_WAIT = 15 * 60


def _owners() -> set[int]:
    """The active owners, their rows locked, so that two at once cannot close the last two."""
    rows = Person.objects.select_for_update().filter(role=Role.OWNER, is_active=True)
    return {person.pk for person in rows}


@transaction.atomic
def person_add(person: Person, *, password: str, by: Person) -> Person:
    """A new, unsaved person with the password to begin with (already validated)."""
    person.set_password(password)
    person.save()
    record("person_added", by=by, person=person.pk, role=person.role)
    return person


@transaction.atomic
def person_change(person: Person, *, by: Person, fields: Iterable[str]) -> Person:
    """Keeps a changed person. The last owner stays one."""
    owners = _owners()
    if person.role != Role.OWNER and owners == {person.pk}:
        raise Refused(_("This is the only owner: make somebody else an owner first."))
    person.save()
    if names := list(fields):
        record("person_changed", by=by, person=person.pk, fields=names)
    return person


@transaction.atomic
def person_deactivate(person: Person, *, by: Person) -> Person:
    """Nobody signs in as this person any more, and where they are signed in they are out."""
    owners = _owners()
    if person.pk == by.pk:
        raise Refused(_("You cannot close your own access."))
    if owners == {person.pk}:
        raise Refused(_("This is the only owner: make somebody else an owner first."))
    if person.is_active:
        person.is_active = False
        person.save(update_fields=["is_active"])
        record("person_deactivated", by=by, person=person.pk)
    return person


@transaction.atomic
def person_reactivate(person: Person, *, by: Person) -> Person:
    """The person may sign in again, with the password they had."""
    if not person.is_active:
        person.is_active = True
        person.save(update_fields=["is_active"])
        record("person_reactivated", by=by, person=person.pk)
    return person


@transaction.atomic
def password_set(person: Person, *, password: str, by: Person) -> Person:
    """A new password (already validated) for somebody; their sessions end with the old one."""
    person.set_password(password)
    person.save(update_fields=["password"])
    record("password_set", by=by, person=person.pk)
    return person


def password_take(person: Person, typed: str) -> None:
    """Whoever is signed in types their password once more. Raises Refused for a wrong one, and for any after five."""
    name = f"again:{person.pk}"
    if count_miss(name, seconds=_WAIT) > _TRIES:
        raise Refused(_("Too many wrong passwords. Wait a quarter of an hour."))
    if not person.check_password(typed):
        raise Refused(_("This is not your password."))
    forget_misses(name)

"""A person's PIN, for changing over on a tablet that knows them."""

import re

from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.utils.translation import gettext as _

from shop.guessing import count_miss, forget_misses
from shop.models import Person
from shop.workflow.events import record
from shop.workflow.refusal import Refused

_TRIES = 5
_WAIT = 24 * 60 * 60


def is_plain(pin: str) -> bool:
    """Whether it is among the first that anybody tries: one digit over and over, or counting up or down."""
    return len(set(pin)) == 1 or pin in "01234567890" or pin in "09876543210"


@transaction.atomic
def pin_set(person: Person, pin: str) -> None:
    """Six digits, already checked; empty takes it off."""
    if pin and (not re.fullmatch("[0-9]{6}", pin) or is_plain(pin)):
        raise Refused(_("Six digits, not all the same and not in a row."))
    person.quick_pin = make_password(pin) if pin else ""
    person.save(update_fields=["quick_pin"])
    pin_forgive(person)
    record("quick_pin_set" if pin else "quick_pin_removed", by=person, person=person.pk)


def pin_take(person: Person, typed: str) -> None:
    """Raises Refused for a wrong one, and after five for any, until the password was typed or a day is over."""
    if count_miss(f"pin:{person.pk}", seconds=_WAIT) > _TRIES:
        raise Refused(_("Too many wrong PINs. Sign in with your password."))
    if not check_password(typed, person.quick_pin):
        raise Refused(_("This is not your PIN."))
    pin_forgive(person)


def pin_forgive(person: Person) -> None:
    """Wrong ones count no more."""
    forget_misses(f"pin:{person.pk}")

"""The second step of signing in is set up, asked for, taken off.

Codes by the clock are those of RFC 6238 (SHA-1, six digits, half a minute), which every app for them reads; django-otp
reckons them. One step to either side is taken, since clocks differ. A code, once used, is used.
"""

import base64
import logging
import re
import secrets
from urllib.parse import quote, urlencode

from django.db import transaction
from django.db.models import F
from django.utils import timezone
from django.utils.translation import gettext as _
from django_otp.oath import TOTP

from shop.guessing import count_miss, forget_misses
from shop.models import Person, RecoveryCode, Role, SecondFactor, Workshop, token_hash
from shop.workflow.events import record
from shop.workflow.refusal import Refused

logger = logging.getLogger(__name__)

CODES = 10
_TRIES = 5
_WAIT = 15 * 60
_STEPS_ASIDE = 1


def factor_of(person: Person) -> SecondFactor | None:
    """What the person is asked for after the password, or None."""
    return SecondFactor.objects.filter(person=person).first()


def factor_demanded(person: Person) -> bool:
    """Whether the person may not sign in without a second step."""
    return person.role == Role.OWNER and Workshop.ours().second_factor_for_owners


def key_make() -> str:
    """A new secret of 160 bits (RFC 4226, section 4), as base32."""
    return base64.b32encode(secrets.token_bytes(20)).decode()


def key_address(person: Person, key: str) -> str:
    """The secret as apps read it from a QR code: otpauth://totp/SHOP:NAME?secret=..."""
    shop = Workshop.ours().name.replace(":", " ")
    asked = urlencode({"secret": key, "issuer": shop}, quote_via=quote)
    return f"otpauth://totp/{quote(f'{shop}:{person.username}')}?{asked}"


def _step_of(key: str, typed: str, after: int) -> int | None:
    """The step of the clock, later than after, that the code belongs to; None if it is none of those near now."""
    if not re.fullmatch("[0-9]{6}", typed):
        return None
    clock = TOTP(base64.b32decode(key))
    clock.time = timezone.now().timestamp()
    return clock.t() if clock.verify(int(typed), tolerance=_STEPS_ASIDE, min_t=after + 1) else None


def _plain(typed: str) -> str:
    return re.sub(r"[\s-]", "", typed).upper()


@transaction.atomic
def factor_add(person: Person, *, key: str, code: str) -> list[str]:
    """The person's app shows the right code for the key: from now on it is asked for, everywhere else they are signed
    out. Gives the recovery codes, which nobody can read again."""
    step = _step_of(key, _plain(code), after=-1)
    if step is None:
        raise Refused(_("This is not the code of now. Look at the app again; its clock and ours must agree."))
    SecondFactor.objects.filter(person=person).delete()
    factor = SecondFactor.objects.create(person=person, key=key, last_step=step, since=timezone.now())
    record("second_factor_added", by=person, person=person.pk)
    sign_out_everywhere(person)
    return _codes_new(factor)


def _codes_new(factor: SecondFactor) -> list[str]:
    factor.codes.all().delete()
    # 120 bits each: with so many a plain hash is enough to keep them by.
    codes = [base64.b32encode(secrets.token_bytes(15)).decode() for _again in range(CODES)]
    RecoveryCode.objects.bulk_create(RecoveryCode(factor=factor, code_hash=token_hash(code)) for code in codes)
    return ["-".join(re.findall("....", code)) for code in codes]


def code_take(person: Person, typed: str) -> None:
    """A code of the app, or one from paper: good once. Raises Refused for a wrong one, and for any after too many."""
    name = f"second-step:{person.pk}"
    # Counted before it is looked at: a hundred tries at once are a hundred tries.
    if count_miss(name, seconds=_WAIT) > _TRIES:
        raise Refused(_("Too many wrong codes. Wait a quarter of an hour."))
    if not _is_good(person, _plain(typed)):
        logger.warning("wrong code for person %s", person.pk)
        raise Refused(_("This code is wrong or was used already. Wait for the next one."))
    forget_misses(name)


@transaction.atomic
def _is_good(person: Person, typed: str) -> bool:
    factor = factor_of(person)
    if factor is None:
        return False
    step = _step_of(factor.key, typed, after=factor.last_step)
    if step is not None:
        # The condition once more, so that of two at the same moment one gets in.
        return bool(SecondFactor.objects.filter(pk=factor.pk, last_step__lt=step).update(last_step=step))
    if RecoveryCode.objects.filter(factor=factor, code_hash=token_hash(typed)).delete()[0]:
        record("recovery_code_used", by=person, person=person.pk, left=factor.codes.count())
        return True
    return False


@transaction.atomic
def codes_renew(person: Person) -> list[str]:
    """New recovery codes; the old ones open nothing any more."""
    codes = _codes_new(SecondFactor.objects.select_for_update().get(person=person))
    record("recovery_codes_renewed", by=person, person=person.pk)
    return codes


@transaction.atomic
def factor_remove(person: Person, *, by: Person | None) -> None:
    """The password is enough again. by: None from the machine itself, which no rule of the shop holds back."""
    if by is not None and factor_demanded(person):
        raise Refused(_("Owners need a second step here. Turn that off under People first."))
    if SecondFactor.objects.filter(person=person).delete()[0]:
        forget_misses(f"second-step:{person.pk}")
        record("second_factor_removed", by=by, person=person.pk)


@transaction.atomic
def factor_demand(on: bool, *, by: Person) -> None:
    """Whether every owner needs a second step. Owners without one are signed out and set one up on the way in."""
    if on and factor_of(by) is None:
        raise Refused(_("Set up your own second step first, so that you are not the one who stands outside."))
    workshop = Workshop.ours()
    if workshop.second_factor_for_owners == on:
        return
    workshop.second_factor_for_owners = on
    workshop.save(update_fields=["second_factor_for_owners"])
    record("second_factor_demanded" if on else "second_factor_left_free", by=by)
    if on:
        without = Person.objects.filter(role=Role.OWNER, second_factor=None)
        without.update(signed_out=F("signed_out") + 1)


def sign_out_everywhere(person: Person) -> None:
    """Every session of the person ends, on whatever machine."""
    Person.objects.filter(pk=person.pk).update(signed_out=F("signed_out") + 1)
    person.refresh_from_db(fields=["signed_out"])

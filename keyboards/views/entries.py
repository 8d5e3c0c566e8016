"""What tablets send, and the token they send it with. All answers are JSON; none is a redirect."""

import json
from collections.abc import Mapping
from typing import Any

from django.http import JsonResponse
from django.middleware.csrf import get_token
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from keyboards.core.quantities import QUANTITIES
from keyboards.models import Check, KeyReading
from keyboards.workflow.entries import CheckClosed, entries_apply
from shop.access import TECHNICIAN, PersonRequest, allowed
from shop.workflow.refusal import Refused

MOST_OPERATIONS = 50
LARGEST_BODY = 256 * 1024  # fifty notes of the greatest length fit
OTHER = "other"  # a box belongs to one person: nobody sends it for another


class NotReadable(ValueError):  # noqa: N818  (an answer, not a fault)
    """The body is not what was asked for. str() is a translated sentence."""

    status = 400


class NotTheirs(NotReadable):
    """The body names somebody else than is signed in: its person signs in again first."""

    status = 401


@require_safe
@never_cache
@allowed(json=True)
def bench_token(request: PersonRequest) -> JsonResponse:
    """A fresh token for a tablet whose own went stale, and who is signed in: its box belongs to one person."""
    return JsonResponse({"token": get_token(request), "person": request.user.pk, "time": _now()})


@require_POST
@allowed(TECHNICIAN, json=True)
def operations(request: PersonRequest, pk: int) -> JsonResponse:
    """A batch of up to fifty entries of one check.

    200 {"kept": [op], "refused": [{"op", "reason", "why"}], "keys": {key: what holds}, "time"}; 400 when the body is no
    such batch; 401 signed out, or ("other") somebody else than the "person" of the batch is signed in; 403 stale token;
    404 no such check; 409 the check is closed.
    """
    try:
        batch = list_in(read_body(request), "operations", MOST_OPERATIONS)
    except NotReadable as error:
        return answer(error.status, error=str(error))
    try:
        result = entries_apply(Check(pk=pk), batch, by=request.user)  # which reads the row itself, under its lock
    except Check.DoesNotExist:
        return answer(404, error=_("This check is no longer there."))
    except CheckClosed as refusal:
        return answer(409, error=str(refusal))
    except Refused as refusal:
        return answer(400, error=str(refusal))
    return answer(
        200,
        kept=list(result.kept),
        refused=[{"op": one.op, "reason": one.reason, "why": one.why} for one in result.refused],
        keys={str(key): standing(row) for key, row in result.keys.items()},
    )


def answer(status: int, **contents: Any) -> JsonResponse:
    """JSON with the server's time, which tells a tablet how far its own clock is off."""
    return JsonResponse({**contents, "time": _now()}, status=status)


def standing(row: KeyReading) -> dict[str, Any]:
    """What holds for a key, for a script: canonical integers by quantity, findings, marks, note and grade."""
    values = {quantity: getattr(row, quantity) for quantity in QUANTITIES}
    return {
        "values": {quantity: value for quantity, value in values.items() if value is not None},
        "findings": row.findings,
        "again": row.again,
        "note": row.note,
        "grade": row.grade,
    }


def read_body(request: PersonRequest) -> dict[str, Any]:
    """The object in a JSON body, whatever was sent. NotReadable with a sentence for anything else; NotTheirs where it
    says that another "person" typed it."""
    size = request.META.get("CONTENT_LENGTH") or ""
    if size.isdecimal() and int(size) > LARGEST_BODY:
        raise NotReadable(_("More was sent than can be taken at once."))
    try:
        body = json.loads(request.body, parse_constant=_no_constant)
    except (ValueError, RecursionError):  # bad JSON, bad UTF-8, endless digits; brackets a thousand deep
        raise NotReadable(_("What was sent is not JSON.")) from None
    if not isinstance(body, dict):
        raise NotReadable(_("What was sent is not what was asked for."))
    if body.get("person", request.user.pk) != request.user.pk:
        raise NotTheirs(OTHER)
    return body


def list_in(body: Mapping[str, Any], name: str, most: int) -> list[object]:
    """The list under that name, of at most so many. NotReadable with a sentence otherwise."""
    found = body.get(name)
    if not isinstance(found, list):
        raise NotReadable(_("A list under the name “%(name)s” is needed.") % {"name": name})
    if len(found) > most:
        raise NotReadable(_("At most %(most)d at once.") % {"most": most})
    return found


def _no_constant(name: str) -> None:
    raise ValueError(name)


def _now() -> str:
    return timezone.now().isoformat(timespec="milliseconds")

"""Who may do what, and the only way a view fetches an object.

Every view stands under @allowed(...) or @open_to_all; a test walks all addresses and finds none without.
Everybody who works in the shop may see every set, so a role opens views, not single rows. A client has no account:
an unguessable link opens one estimate and nothing else.
"""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme

from shop import sessions, tablets
from shop.models import Estimate, Job, Link, Person, Role, token_hash

DESK = Role.DESK
TECHNICIAN = Role.TECHNICIAN
OWNER = Role.OWNER
ANYONE_HERE = (DESK, TECHNICIAN, OWNER)


class PersonRequest(HttpRequest):
    """What a view behind @allowed is given: its user is a person of the shop. Says so to the type checker alone."""

    user: Person


def may(person: Any, *roles: str) -> bool:
    """Whether the person works here in one of the roles; the owner may everything."""
    return bool(person.is_authenticated and person.is_active and (person.role == OWNER or person.role in roles))


def allowed(*roles: str, json: bool = False) -> Callable:
    """Only people of the shop in one of these roles (none named: anyone who works here); the owner always.

    Signed out: to the sign-in page and back, or 401 as JSON where a tablet asks. Wrong role: 403.
    """
    wanted = roles or ANYONE_HERE

    def decorate(view: Callable) -> Callable:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            if not request.user.is_authenticated:
                if json:
                    return JsonResponse({"error": "signed out"}, status=401)
                return redirect_to_login(request.get_full_path())
            if not may(request.user, *wanted):
                raise PermissionDenied
            if roles == (OWNER,) and tablets.by_pin(request):
                # Money, people and settings: six digits that others see typed all day are not enough for these.
                return _password_first(request)
            tablets.stay(request)
            sessions.note_seen(request)
            return view(request, *args, **kwargs)

        guarded.roles = frozenset(wanted) | {OWNER}  # type: ignore[attr-defined]
        return guarded

    return decorate


def password_lately(view: Callable) -> Callable:
    """Under @allowed(OWNER): what gives or takes access, for whoever signed in a short while ago. Anybody else types
    the password (and the code) once more: a session left open must not make a second owner."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not sessions.begun_lately(request):
            return _password_first(request)
        return view(request, *args, **kwargs)

    return guarded


def _password_first(request: HttpRequest) -> HttpResponse:
    """To the sign-in page and back: to the page itself, or to the one that a button was pressed on."""
    page = request.get_full_path()
    if request.method == "POST":
        page = request.headers.get("Referer", "")
        if not url_has_allowed_host_and_scheme(page, {request.get_host()}, require_https=request.is_secure()):
            page = reverse("home")
    return redirect_to_login(page)


def open_to_all(view: Callable) -> Callable:
    """Says on purpose that a view asks nobody to sign in."""
    view.roles = None  # type: ignore[attr-defined]
    return view


def fetch(queryset: QuerySet, **lookup: Any) -> Any:
    """The one row, or 404."""
    try:
        return queryset.get(**lookup)
    except (queryset.model.DoesNotExist, queryset.model.MultipleObjectsReturned, ValueError, OverflowError):
        raise Http404 from None


def job_for(number: int, jobs: QuerySet[Job] | None = None) -> Job:
    """The job with this number (the <tag> of an address is turned into its number on the way in), or 404."""
    rows = Job.objects.for_lists() if jobs is None else jobs
    return fetch(rows, number=number)


def estimate_for(number: int, version: int | None = None) -> Estimate:
    """A version of an estimate, the newest where none is named, or 404."""
    rows = Estimate.objects.latest_of(number).select_related("job__client", "job__instrument")
    if version is not None:
        return fetch(rows, version=version)
    newest = rows.first()
    if newest is None:
        raise Http404
    return newest


def link_for(token: str) -> Link | None:
    """The client's link with this token, whatever has become of it, or None. The page says what to do next."""
    rows = Link.objects.select_related("estimate__job__client", "estimate__job__instrument")
    return rows.filter(token_hash=token_hash(token)).first()

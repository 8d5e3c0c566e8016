"""Sessions: Django's, in a table that knows whose each is and when it was seen last (SESSION_ENGINE)."""

import datetime
import logging
import re
import time
from typing import Any, cast

from django.contrib.auth import SESSION_KEY, login, user_logged_in
from django.contrib.sessions.backends import db
from django.db import DatabaseError
from django.dispatch import receiver
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.models import Person, Session

logger = logging.getLogger(__name__)

BEGUN = "begun"  # in a session: when somebody signed in, and what the browser said it was
# How long a typed password is good for what is asked again for, and how long a page opened in that time may be sent.
_LATELY, _SENT_LATELY = 15 * 60, 60 * 60
_STEP = datetime.timedelta(minutes=5)
_LONGEST_AGENT = 300
_PLAIN = {"X11", "Linux", "U", "compatible"}


class SessionStore(db.SessionStore):
    """As Django's own, and with its name: what that one signed is read here too."""

    seen: datetime.datetime | None = None  # as it stood in the row that was read

    @classmethod
    def get_model_class(cls) -> type[Session]:
        """Which table."""
        return Session

    def _get_session_from_db(self) -> Session | None:
        row: Session | None = super()._get_session_from_db()  # type: ignore[misc]
        self.seen = row.seen if row else None
        return row

    def create_model_instance(self, data: dict[str, Any]) -> Session:
        """The row, with whose it is."""
        row = cast(Session, super().create_model_instance(data))
        row.person_id = int(data[SESSION_KEY]) if SESSION_KEY in data else None
        row.seen = timezone.now()
        return row


def begin(request: HttpRequest, person: Person) -> None:
    """Signs somebody in who has shown all that is asked of them, and takes away what has ended of all sessions."""
    Session.objects.filter(expire_date__lt=timezone.now()).delete()
    login(request, person, backend="django.contrib.auth.backends.ModelBackend")


@receiver(user_logged_in)
def _begun(sender: type[Person], request: HttpRequest, user: Person, **kwargs: Any) -> None:
    agent = request.headers.get("User-Agent", "")[:_LONGEST_AGENT]
    request.session[BEGUN] = {"at": time.time(), "agent": agent}


def begun_lately(request: HttpRequest) -> bool:
    """Whether the person signed in a short while ago: it is still they who sit there."""
    begun, longest = request.session.get(BEGUN), _SENT_LATELY if request.method == "POST" else _LATELY
    return bool(begun and 0 <= time.time() - begun["at"] < longest)


def note_seen(request: HttpRequest) -> None:
    """Writes down that the session is in use: every five minutes, not for every page."""
    session, now = cast(SessionStore, request.session), timezone.now()
    if session.modified or session.seen is None or now - session.seen < _STEP:
        return
    try:
        Session.objects.filter(pk=session.session_key).update(seen=now)
    except DatabaseError as error:
        # A disk without room keeps nobody from reading a page.
        logger.warning("when a session was seen last could not be written down: %s", error)


def device(agent: str) -> str:
    """ "Tablet, Android 14": what a browser says of the machine it runs on. It may say anything."""
    if not agent:
        return _("unknown device")
    known = re.search(r"\(([^()]*)\)", agent)
    parts = [part.strip() for part in known[1].split(";")] if known else []
    system = next((re.sub(r"[^\w .-]", "", part)[:30] for part in parts if part not in _PLAIN), "")
    if "iPad" in agent or "Tablet" in agent or ("Android" in agent and "Mobile" not in agent):
        kind = _("Tablet")
    elif "Mobi" in agent:
        kind = _("Phone")
    else:
        kind = _("Computer")
    return f"{kind}, {system}" if system else kind

"""Where people are signed in."""

from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models
from django.utils.translation import gettext_lazy as _

from shop.models.people import Person


class Session(AbstractBaseSession):
    """One browser's session, as Django keeps it; beside it whose it is, so that these can be listed and ended."""

    person = models.ForeignKey(Person, null=True, on_delete=models.CASCADE, related_name="sessions")
    seen = models.DateTimeField(_("last seen"))

    class Meta:
        verbose_name = _("session")

    @classmethod
    def get_session_store_class(cls):
        """What writes and reads the rows."""
        from shop.sessions import SessionStore

        return SessionStore

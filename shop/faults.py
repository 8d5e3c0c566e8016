"""Faults of the machine, in sentences: no room left, nothing may be written, the database is busy or away.

What a person typed was not kept when one of these happens, and nothing was kept by half: the transaction was undone.
"""

import errno
from collections.abc import Iterator

from django.db import DatabaseError, InterfaceError, OperationalError
from django.utils.translation import gettext as _

from shop.files import StoreError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_FULL_WORDS = ("database or disk is full", "no space left on device", "could not extend file")
_CLOSED = {errno.EROFS, errno.EACCES, errno.EPERM}
_CLOSED_WORDS = ("readonly database", "read-only transaction", "unable to open database file")
# PostgreSQL's codes (appendix A of its manual): disk_full, read_only_sql_transaction.
_FULL_CODE, _CLOSED_CODE = "53100", "25006"


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def fault_of(error: BaseException | None) -> str:
    """A sentence if the machine is at fault, else nothing. Looks through what was raised from what."""
    for cause in _causes(error):
        if isinstance(cause, StoreError):
            return str(cause)
        if isinstance(cause, OSError):
            if cause.errno in _FULL:
                return no_room()
            if cause.errno in _CLOSED:
                return closed()
        if isinstance(cause, DatabaseError | InterfaceError):
            words, code = str(cause).lower(), getattr(cause.__cause__, "sqlstate", "")
            if code == _FULL_CODE or any(part in words for part in _FULL_WORDS):
                return no_room()
            if code == _CLOSED_CODE or any(part in words for part in _CLOSED_WORDS):
                return closed()
            if "database is locked" in words:
                return _("Too many people were saving at once.")
            if "disk i/o error" in words or "malformed" in words:
                return _(
                    "The shop's computer cannot read or write its database. Tell the owner: the disk may be failing."
                )
            if isinstance(cause, OperationalError | InterfaceError) and "connect" in words:
                return _("The database does not answer.")
    return ""


def no_room() -> str:
    return _("The shop's computer has no room left. Tell the owner.")


def closed() -> str:
    return _("The shop's computer does not let the program write to its data. Tell the owner.")

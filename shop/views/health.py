"""Whether the program is well: a word for machines, the whole of it for the owner."""

import datetime
import shutil
import sqlite3
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import django
from django.conf import settings
from django.contrib import messages
from django.core.files.storage import default_storage
from django.db import Error, connection, transaction
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe
from post_office.models import STATUS, Email

from shop.about import NOTES, VERSION
from shop.access import OWNER, PersonRequest, allowed, open_to_all
from shop.htmx import page_or_part
from shop.workflow.backups import State, back_up_aside, state
from shop.workflow.letters import WAITING

# From here on SQLite's log takes two that write and tidy up at once without ever mixing them (its release notes).
_SOUND_SQLITE = (3, 51, 3)
# Less than this free and a day's photos may not fit: an estimate.
ROOM = 500_000_000
# A letter that waits longer than all the pauses between its first five tries.
LETTER_WAITS = datetime.timedelta(hours=2)


@dataclass(frozen=True)
class Health:
    """What was looked at. at_work: people can save; well: and nobody has to look after anything."""

    database: bool
    room: bool
    files: bool
    backup: bool
    letters: bool

    @property
    def at_work(self) -> bool:
        return self.database and self.room

    @property
    def well(self) -> bool:
        return self.at_work and self.files and self.backup and self.letters


def _writes() -> bool:
    """Whether the database takes a write: one that changes nothing and is undone."""
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(
                "UPDATE django_migrations SET name = name WHERE id = (SELECT min(id) FROM django_migrations)"
            )
            transaction.set_rollback(True)
    except Error:
        return False
    return True


def free() -> int:
    """Bytes free where the data lies."""
    return shutil.disk_usage(settings.DATA_DIR).free


def health_now(backups: State, *, at: datetime.datetime) -> Health:
    """Asks the database twice, the disk and the store of files once."""
    database = _writes()
    late = database and Email.objects.filter(status__in=WAITING, created__lt=at - LETTER_WAITS).exists()
    return Health(
        database=database,
        room=free() >= ROOM,
        files=not backups.absent and cast(Any, default_storage).answers(held=backups.file_count > 0),
        backup=not backups.stale(at),
        letters=database and not late,
    )


@require_safe
@never_cache
@open_to_all
def health(request: HttpRequest) -> HttpResponse:
    """For a machine that watches: 503 when people cannot work, else 200; ok minds backups and letters too."""
    now = health_now(state(), at=timezone.now())
    told = {
        "ok": now.well,
        "version": VERSION,
        "database": now.database,
        "room": now.room,
        "files": now.files,
        "backup": now.backup,
        "letters": now.letters,
    }
    return JsonResponse(told, status=200 if now.at_work else 503)


@require_safe
@never_cache
@allowed(OWNER)
def program(request: PersonRequest) -> HttpResponse:
    """State of the program: version and what is new, database, room, backups, letters."""
    at, backups = timezone.now(), state()
    context = {
        "backups": backups,
        "stale": backups.stale(at),
        "health": health_now(backups, at=at),
        "version": VERSION,
        "notes": NOTES,
        "database": _database(),
        "rare_fault": connection.vendor == "sqlite" and sqlite3.sqlite_version_info < _SOUND_SQLITE,
        "django": django.get_version(),
        "free": free(),
        "folder": settings.BACKUP_DIR,
        "files_in": cast(Any, default_storage).place,
        "same_disk": _same_disk(),
        "waiting": Email.objects.filter(status__in=WAITING).count(),
        "given_up": Email.objects.filter(status=STATUS.failed).count(),
    }
    return page_or_part(request, "shop/office/program.html", context)


def _same_disk() -> bool:
    with suppress(FileNotFoundError):  # the other disk may just be away
        return Path(settings.BACKUP_DIR).stat().st_dev == Path(settings.DATA_DIR).stat().st_dev
    return False


def _database() -> str:
    if connection.vendor == "sqlite":
        return f"SQLite {sqlite3.sqlite_version}"
    major, minor = divmod(cast(Any, connection).pg_version, 10_000)
    return f"PostgreSQL {major}.{minor}"


@require_POST
@allowed(OWNER)
def backup_now(request: PersonRequest) -> HttpResponse:
    """Starts a backup; the page tells how far it is."""
    if state().running:
        messages.info(request, _("A backup is being made just now."))
    else:
        back_up_aside()
    return redirect("program")

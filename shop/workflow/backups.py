"""Backups: one verified archive of everything a workshop cannot make again, and the way back from it.

An archive is a zip: `manifest.json`, `rows/<table>.jsonl` (see workflow/rows.py) and `media/<name>` (photos and stored
PDFs). It is the same whether the database is SQLite or PostgreSQL, and goes back into either. What it leaves out:
sessions, letters kept as files in the outbox (the database has them), the secret key (links and passwords do not need
it; everybody signs in again). It does hold the clients' data, so it is readable by its owner alone.

The manifest's checksums find damage. They do not find a forger, who can write a manifest too.
"""

import datetime
import fcntl
import hashlib
import json
import logging
import os
import re
import shutil
import struct
import threading
import time
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any, cast

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.base import File
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import DatabaseError, connection, models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.utils import timezone
from django.utils.translation import gettext as _

from shop.about import VERSION
from shop.faults import fault_of
from shop.files import Folder
from shop.workflow import rows
from shop.workflow.refusal import Refused

logger = logging.getLogger(__name__)

FORMAT = 1
# A backup is made when the last good one is a day old; the Office turns red after two.
DAILY = datetime.timedelta(days=1)
STALE = datetime.timedelta(days=2)
KEEP = (7, 5, 12)
_NAME = re.compile(r"balance-rail-(\d{8}-\d{6})\.zip")
_MANIFEST = "manifest.json"
_MEMBER = re.compile(r"(?:rows/[a-z0-9_]+\.jsonl|media/.+|README\.txt|read/.+)", re.DOTALL)
_PIECE = 1 << 20
# Text packs well, rows that repeat very well (the demonstration: 1 to 12); deflate itself ends at 1 to 1032.
_SWELL, _SWELL_FROM = 300, 1 << 20
_LONGEST_MANIFEST = _LONGEST_LINE = 64 << 20


@dataclass(frozen=True)
class Part:
    """What goes into an archive that is not everything: its title, the lines of each table, files to read beside them.

    Both are asked inside the snapshot. Of the media folder go the files that the lines name.
    """

    title: str
    lines: Callable[[str, rows.Table], Iterable[str]]
    beside: Callable[[], Iterable[tuple[str, Iterable[bytes]]]]


class Busy(Refused):
    """Somebody else is at it."""


class Damaged(Refused):
    """The archive is not what it was when it was made."""


@dataclass(frozen=True)
class State:
    """What became of the backups: the last good one, the last failure since then, how far the running one is."""

    good_at: datetime.datetime | None = None
    archive: str = ""
    size: int = 0
    row_count: int = 0
    file_count: int = 0
    absent: int = 0  # files that rows name and the media folder has not
    failed_at: datetime.datetime | None = None
    why: str = ""
    running: bool = False
    part: int = 0  # per cent

    def stale(self, at: datetime.datetime) -> bool:
        """Whether somebody should look: failed since, never made, too old, or from a day yet to come."""
        return bool(self.failed_at or not self.good_at or not -DAILY <= at - self.good_at <= STALE)


# --- what became of it: a file beside the data, for it must say so when the database cannot --------------------------


def _state_file() -> Path:
    return Path(settings.DATA_DIR) / "backups.json"


def _lock_file() -> Path:
    return Path(settings.DATA_DIR) / "backups.lock"


def _note(**fields: Any) -> None:
    path = _state_file()
    aside = path.with_suffix(f".{os.getpid()}-{threading.get_ident()}")
    try:
        aside.write_text(json.dumps({**_noted(), **fields}))
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)  # on a full disk nothing is left of it


def _noted() -> dict[str, Any]:
    try:
        noted = json.loads(_state_file().read_text())
    except (FileNotFoundError, ValueError):
        return {}
    return noted if isinstance(noted, dict) else {}


def _moment(value: Any) -> datetime.datetime | None:
    try:
        moment = datetime.datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return None
    return moment if moment.tzinfo else None


def state() -> State:
    """Reads two small files, no database."""
    noted = _noted()

    def count(name: str) -> int:
        return noted[name] if _whole_number(noted.get(name)) else 0

    return State(
        good_at=_moment(noted.get("good_at")),
        archive=str(noted.get("archive", "")),
        size=count("size"),
        row_count=count("row_count"),
        file_count=count("file_count"),
        absent=count("absent"),
        failed_at=_moment(noted.get("failed_at")),
        why=str(noted.get("why", "")),
        running=_is_running(),
        part=count("part"),
    )


@contextmanager
def _alone() -> Iterator[bool]:
    """Whether this is the one that backs up now; the lock goes with the process, however that ends."""
    with _lock_file().open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
        else:
            yield True


def _is_running() -> bool:
    with suppress(FileNotFoundError), _lock_file().open() as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
    return False


# --- making one ----------------------------------------------------------------------------------------------------


def back_up(folder: Path | None = None, *, at: datetime.datetime | None = None, keep: tuple = KEEP) -> Path:
    """Makes an archive in the folder (BACKUP_DIR), reads it back, takes old ones away, notes how it went.

    Nobody who works is held up. Raises Refused, with a sentence, when none could be made; nothing half is left.
    """
    folder, at = folder or Path(settings.BACKUP_DIR), at or timezone.now()
    try:
        with _alone() as free:
            if not free:
                raise Busy(_("A backup is being made just now."))
            _note(part=0)
            path, manifest = _make(folder, at)
            _prune(folder, keep=keep, at=at)
            counted = [table["rows"] for table in manifest["tables"].values()]
            _note(
                good_at=at.isoformat(),
                archive=str(path),
                size=path.stat().st_size,
                row_count=sum(counted),
                file_count=len(manifest["members"]) - len(counted),
                absent=manifest["absent"],
                failed_at=None,
                why="",
            )
    except Busy:
        raise
    except (OSError, DatabaseError, rows.Unknown, Refused) as error:
        why = fault_of(error) or str(error)
        logger.error("No backup was made: %s (%s)", why, error)
        with suppress(OSError):  # where there is no room for the note, the log and the caller still say it
            _note(failed_at=at.isoformat(), why=why)
        raise Refused(why) from error
    return path


def back_up_aside() -> threading.Thread:
    """Starts a backup beside the request that asked for it; back as soon as state() tells of it."""

    def run() -> None:
        with suppress(Refused):  # noted by back_up
            back_up()
        connection.close()

    thread = threading.Thread(target=run, name="backup")
    thread.start()
    while thread.is_alive() and not _is_running():
        time.sleep(0.02)
    return thread


def _make(folder: Path, at: datetime.datetime) -> tuple[Path, dict[str, Any]]:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"balance-rail-{timezone.localtime(at, datetime.UTC):%Y%m%d-%H%M%S}.zip"
    if path.exists():
        raise Refused(_("There is a backup of this very second already: %(path)s") % {"path": path})
    return path, archive_make(path, at)


def archive_make(path: Path, at: datetime.datetime, part: Part | None = None) -> dict[str, Any]:
    """Writes an archive aside, reads it back, and only then gives it its name. Returns its manifest."""
    aside = path.with_suffix(".partial")
    try:
        descriptor = os.open(aside, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w+b") as file:
            _write(file, at, part)
            file.flush()
            os.fsync(file.fileno())
        manifest = verify(aside)
        aside.replace(path)
        _sync(path.parent)
    finally:
        aside.unlink(missing_ok=True)
    return manifest


def _sync(folder: Path) -> None:
    """The new name outlives a power cut too."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _write(file: IO[bytes], at: datetime.datetime, part: Part | None) -> None:
    members: dict[str, dict[str, Any]] = {}
    counted: dict[str, dict[str, Any]] = {}
    named: set[str] = set()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        with rows.snapshot(connection):
            _whole(connection)
            done = rows.applied(connection)
            for table, model in rows.tables(connection, done).items():
                told = rows.Tally()
                paths = [
                    number
                    for number, field in enumerate(model._meta.concrete_fields)
                    if isinstance(field, models.FileField)
                ]
                found = part.lines(table, model) if part else rows.lines(connection, model)
                texts = _told(found, told, paths, named)
                members[f"rows/{table}.jsonl"] = _put(archive, f"rows/{table}.jsonl", texts)
                counted[table] = {"columns": rows.columns(model), "rows": told.rows, "sum": told.sum}
            for name, pieces in part.beside() if part else ():
                members[name] = _put(archive, name, pieces)
        kept = sorted(named if part else _files())
        shown = time.monotonic()
        for number, name in enumerate(kept):
            try:
                source = default_storage.open(name, "rb")
            except FileNotFoundError:
                continue  # taken away since it was listed
            with source:
                piece = zipfile.ZIP_STORED if name.endswith((".jpg", ".jpeg", ".png", ".pdf")) else None
                members[f"media/{name}"] = _put(archive, f"media/{name}", _pieces(source), how=piece)
            if not part and time.monotonic() - shown > 1:
                shown = time.monotonic()
                _note(part=100 * number // len(kept))
        manifest = {
            "format": FORMAT,
            "program": VERSION,
            "made_at": at.isoformat(),
            "database": connection.vendor,
            "part": part.title if part else "",
            "migrations": done,
            "tables": counted,
            "members": members,
            "absent": len([name for name in named if f"media/{name}" not in members]),
        }
        archive.writestr(_MANIFEST, json.dumps(manifest))


def _whole(source: BaseDatabaseWrapper) -> None:
    """SQLite can tell whether its file is damaged. Better known tonight than in a year."""
    if source.vendor == "sqlite":
        with source.cursor() as cursor:
            (said,) = cursor.execute("PRAGMA integrity_check(1)").fetchone()
        if said != "ok":
            raise Damaged(
                _("The database itself is damaged (%(said)s). Restore the last good backup.") % {"said": said}
            )


def _told(texts: Iterable[str], told: rows.Tally, paths: list[int], named: set[str]) -> Iterator[bytes]:
    """The lines with their ends, counted, and the files they name noted."""
    for line in texts:
        told.add(line)
        if paths:
            values = json.loads(line)
            named.update(values[number] for number in paths if values[number])
        yield line.encode() + b"\n"


def _pieces(file: IO[bytes] | File) -> Iterator[bytes]:
    while piece := file.read(_PIECE):
        yield piece


def _put(archive: zipfile.ZipFile, name: str, pieces: Iterable[bytes], *, how: int | None = None) -> dict[str, Any]:
    """One member, written as it comes: its checksum and length."""
    digest, length = hashlib.sha256(), 0
    info = zipfile.ZipInfo(name, time.localtime()[:6])
    info.compress_type = archive.compression if how is None else how
    info.external_attr = 0o600 << 16
    with archive.open(info, "w", force_zip64=True) as member:
        for piece in pieces:
            digest.update(piece)
            length += len(piece)
            member.write(piece)
    return {"sha256": digest.hexdigest(), "bytes": length}


def _files() -> list[str]:
    """Every photo and paper that is kept, wherever."""
    return cast(Any, default_storage).names()


# --- which to keep -------------------------------------------------------------------------------------------------


def kept(moments: Iterable[datetime.datetime], *, keep: tuple, at: datetime.datetime) -> set[datetime.datetime]:
    """Which of these stay: all of the last two days, then the newest of each of so many days, weeks and months."""
    newest_first = sorted(moments, reverse=True)
    stay = set(newest_first[:1]) | {moment for moment in newest_first if at - moment <= STALE}
    for form, many in zip(("%Y-%j", "%G-%V", "%Y-%m"), keep, strict=True):
        newest: dict[str, datetime.datetime] = {}
        for moment in newest_first:
            newest.setdefault(moment.strftime(form), moment)
        stay |= set(list(newest.values())[:many])
    return stay


def _prune(folder: Path, *, keep: tuple, at: datetime.datetime) -> None:
    archives = {}
    for path in folder.iterdir():
        if match := _NAME.fullmatch(path.name):
            with suppress(ValueError):  # not a day of any calendar: not one of ours
                moment = datetime.datetime.strptime(match[1], "%Y%m%d-%H%M%S").replace(tzinfo=datetime.UTC)
                archives[moment] = path
    stay = kept(archives, keep=keep, at=at)
    for moment, path in archives.items():
        if moment not in stay:
            path.unlink()


# --- reading one back ----------------------------------------------------------------------------------------------


def verify(path: Path) -> dict[str, Any]:
    """Reads the whole archive and holds it against its manifest, which is the result.

    Raises Damaged for whatever is not as it was made, Refused for one of a newer program.
    """
    if not path.is_file():
        raise Refused(_("There is no file %(path)s.") % {"path": path})
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = _manifest(archive, path)
            for name, told in manifest["members"].items():
                with archive.open(name) as member:
                    _hold_against(member, name, told, manifest["tables"])
    # What a zip file with a fault makes of itself: wrong sums, lengths, methods, text that is no text.
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        OSError,
        NotImplementedError,
        RuntimeError,
        ValueError,
        struct.error,
        OverflowError,
    ) as error:
        raise Damaged(_("This archive is damaged or cut short (%(error)s).") % {"error": error}) from error
    return manifest


def _hold_against(member: IO[bytes], name: str, told: dict[str, Any], counts: dict[str, Any]) -> None:
    digest, length, counted = hashlib.sha256(), 0, rows.Tally()
    table = name.removeprefix("rows/").removesuffix(".jsonl") if name.startswith("rows/") else ""
    for piece in _lines(member) if table else _pieces(member):
        digest.update(piece)
        length += len(piece)
        if table:
            counted.add(piece.decode().removesuffix("\n"))
    if (digest.hexdigest(), length) != (told["sha256"], told["bytes"]):
        raise Damaged(_("%(name)s in the archive is not what was put there.") % {"name": name})
    if table and (counted.rows, counted.sum) != (counts[table]["rows"], counts[table]["sum"]):
        raise Damaged(_("%(name)s in the archive has other rows than its manifest says.") % {"name": name})


def _lines(member: IO[bytes]) -> Iterator[bytes]:
    while line := member.readline(_LONGEST_LINE):
        if len(line) == _LONGEST_LINE:
            raise Damaged(_("The archive holds a row that is longer than any can be."))
        yield line


def _manifest(archive: zipfile.ZipFile, path: Path) -> dict[str, Any]:
    """The manifest, once it fits the archive: its names, their lengths, room for them. Nothing is unpacked yet."""
    infos = archive.infolist()
    names = [info.filename for info in infos]
    if names.count(_MANIFEST) != 1 or archive.getinfo(_MANIFEST).file_size > _LONGEST_MANIFEST:
        raise Damaged(_("This is no backup of Balance Rail: it has no manifest."))
    manifest = json.loads(archive.read(_MANIFEST))
    if isinstance(manifest, dict) and isinstance(manifest.get("format"), int) and manifest["format"] > FORMAT:
        raise Refused(_newer(str(manifest.get("program", "?"))[:40]))
    if not _well_formed(manifest):
        raise Damaged(_("The manifest of this archive is not one of Balance Rail."))
    members = manifest["members"]
    for name in members:
        if not _safe(name):
            raise Damaged(_("The archive names a file outside its folder: %(name)r.") % {"name": name[:200]})
    if missing := sorted(set(members) - set(names)):
        raise Damaged(_("%(name)s is missing from the archive.") % {"name": missing[0]})
    if len(names) != len(set(names)) or set(names) != {*members, _MANIFEST}:
        extra = sorted(set(names) - {*members, _MANIFEST}) or ["?"]
        raise Damaged(_("The archive holds a file its manifest does not name: %(name)r.") % {"name": extra[0][:200]})
    if {f"rows/{table}.jsonl" for table in manifest["tables"]} != {name for name in members if name[:5] == "rows/"}:
        raise Damaged(_("The manifest of this archive names other tables than are in it."))
    for info in infos:
        swollen = info.file_size > max(_SWELL_FROM, _SWELL * info.compress_size)
        if swollen or (info.filename in members and info.file_size != members[info.filename]["bytes"]):
            raise Damaged(_("%(name)s in the archive has not the length it should have.") % {"name": info.filename})
    if sum(info.compress_size for info in infos) > path.stat().st_size:
        raise Damaged(_("Files in the archive lie over one another."))
    return manifest


def _newer(version: str) -> str:
    return _("This archive was made by a newer version of the program (%(version)s). Update, then restore it.") % {
        "version": version
    }


def _safe(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return bool(
        _MEMBER.fullmatch(name)
        and not {"..", "."} & set(name.split("/"))
        and "/".join(parts) == name  # no doubled or closing stroke
        and not re.search(r"[\x00-\x1f\\:]", name)
    )


def _whole_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _well_formed(manifest: Any) -> bool:
    """Whether every field is there and of its type."""
    if (
        not isinstance(manifest, dict)
        or manifest.get("format") != FORMAT
        or not isinstance(manifest.get("program"), str)
    ):
        return False
    migrations, told, members = (manifest.get(name) for name in ("migrations", "tables", "members"))
    return (
        isinstance(migrations, list)
        and all(
            isinstance(key, list) and len(key) == 2 and all(isinstance(part, str) for part in key) for key in migrations
        )
        and isinstance(told, dict)
        and all(
            isinstance(table, dict)
            and _whole_number(table.get("rows"))
            and isinstance(table.get("sum"), str)
            and isinstance(table.get("columns"), list)
            for table in told.values()
        )
        and isinstance(members, dict)
        and all(
            isinstance(member, dict) and _whole_number(member.get("bytes")) and isinstance(member.get("sha256"), str)
            for member in members.values()
        )
        and _whole_number(manifest.get("absent"))
    )


# --- the way back --------------------------------------------------------------------------------------------------


def restore(path: Path, *, say: Callable[[str], object] = lambda sentence: None) -> dict[str, Any]:
    """Brings an archive back into an empty database and media folder, then up to the newest tables.

    All or nothing: the database appears in one step at the end. Raises Refused, with a sentence, for an archive that is
    damaged or newer and for a place that is not empty. Returns the manifest.
    """
    manifest = verify(path)
    _place_is_empty(manifest)
    say(_("The archive is whole: %(rows)d rows, %(files)d files.") % _sizes(manifest))
    try:
        with zipfile.ZipFile(path) as archive:
            _media_back(archive, manifest)
            with _database_aside():
                _rows_back(archive, manifest)
    except (OSError, DatabaseError, ValueError, ValidationError) as error:
        # A row without the one it names, a value that is none: only in an archive that was made up.
        raise Refused(_("Nothing was restored: %(error)s") % {"error": fault_of(error) or error}) from error
    return manifest


def _sizes(manifest: dict[str, Any]) -> dict[str, int]:
    told = manifest["tables"].values()
    files = sum(name.startswith("media/") for name in manifest["members"])
    return {"rows": sum(table["rows"] for table in told), "files": files}


def _place_is_empty(manifest: dict[str, Any]) -> None:
    if connection.introspection.table_names():
        raise Refused(
            _("The database of this place is not empty. Restore into a new folder (DATA_DIR) or a new database.")
        )
    # What an earlier try left may stay: it is written over.
    if any(f"media/{name}" not in manifest["members"] for name in _files()):
        raise Refused(_("There are photos in this place already. Restore into a new folder (DATA_DIR)."))
    # Photos go where they are kept: into a store they take no room here.
    members, here = manifest["members"].items(), isinstance(default_storage, Folder)
    needed = sum(member["bytes"] for name, member in members if here or name.startswith("rows/"))
    if shutil.disk_usage(settings.DATA_DIR).free < 2 * needed:
        raise Refused(
            _("There is not room enough here: it takes %(needed)d MB.") % {"needed": 1 + 2 * needed // 1_000_000}
        )


def _media_back(archive: zipfile.ZipFile, manifest: dict[str, Any]) -> None:
    for member in manifest["members"]:
        if member.startswith("media/"):
            name = member.removeprefix("media/")
            default_storage.delete(name)
            with archive.open(member) as source:
                if (stored := default_storage.save(name, File(source, name))) != name:
                    raise Refused(
                        _("%(name)s was kept under another name: %(stored)s") % {"name": name, "stored": stored}
                    )


@contextmanager
def _database_aside() -> Iterator[None]:
    """What is done inside stands whole at the end or not at all.

    PostgreSQL: one transaction. SQLite changes tables outside of one, so it is a file aside that gets its name last.
    """
    if connection.vendor != "sqlite":
        with transaction.atomic():
            yield
        return
    connection.close()
    name = connection.settings_dict["NAME"]
    path, aside = Path(name), Path(f"{name}.restoring")
    for left in (aside, Path(f"{aside}-wal"), Path(f"{aside}-shm"), Path(f"{name}-wal"), Path(f"{name}-shm")):
        left.unlink(missing_ok=True)
    connection.settings_dict["NAME"] = str(aside)
    try:
        yield
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        _whole(connection)
        connection.close()
        aside.replace(path)
        _sync(path.parent)
    finally:
        connection.close()
        connection.settings_dict["NAME"] = name
        aside.unlink(missing_ok=True)


def _rows_back(archive: zipfile.ZipFile, manifest: dict[str, Any]) -> None:
    done = [(app, name) for app, name in manifest["migrations"]]
    try:
        known = rows.build(connection, done)
    except rows.Unknown:
        raise Refused(_newer(manifest["program"][:40])) from None
    if {table: rows.columns(model) for table, model in known.items()} != {
        table: told["columns"] for table, told in manifest["tables"].items()
    }:
        raise Damaged(_("The tables in this archive are not those of its version."))
    with transaction.atomic():
        for table, model in known.items():
            with archive.open(f"rows/{table}.jsonl") as member:
                try:
                    rows.fill(connection, model, (line.decode().removesuffix("\n") for line in _lines(member)))
                except (TypeError, LookupError, AttributeError, ArithmeticError) as error:
                    # A moment that is a number, a number that no column holds: of a row that was made up.
                    raise Damaged(
                        _("%(table)s in the archive holds a value of another kind (%(error)s).")
                        % {"table": table, "error": error}
                    ) from error
        rows.settle(connection, known)
    for table, model in known.items():
        there, told = rows.tally(connection, model), manifest["tables"][table]
        if (there.rows, there.sum) != (told["rows"], told["sum"]):
            raise Refused(_("The rows of %(table)s came back changed.") % {"table": table})
    call_command("migrate", interactive=False, verbosity=0, skip_checks=True)

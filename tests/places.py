"""A place of its own for the program: an empty data folder, an empty database of the kind the tests run on, and
processes that stand in it."""

import fcntl
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from uuid import uuid4

from django.db import connection

ROOT = Path(__file__).resolve().parent.parent
SQLITE_FILE = "balance-rail.sqlite3"


@dataclass(frozen=True)
class Place:
    """Where a process finds its data: the folder, and the environment it is started with."""

    folder: Path
    env: dict[str, str]

    def run(self, *command: str, fails: bool = False, **options) -> str:
        """What the command printed; its complaint where it is to fail."""
        done = subprocess.run(
            [sys.executable, *command], cwd=ROOT, env=self.env, capture_output=True, text=True, timeout=200, **options
        )
        assert (done.returncode != 0) is fails, done.stdout + done.stderr
        return done.stderr if fails else done.stdout

    def manage(self, *command: str, **options) -> str:
        return self.run("manage.py", *command, **options)

    def script(self, code: str, *arguments: str) -> str:
        """Runs Python with the program's settings in this place."""
        return self.run("-W", "ignore", "-c", f"import django; django.setup()\n{code}", *arguments)

    def start(self, *command: str, **options) -> subprocess.Popen:
        return subprocess.Popen([sys.executable, *command], cwd=ROOT, env=self.env, text=True, **options)


def sqlite_place(folder: Path) -> Place:
    """A place on SQLite, whatever the tests run on."""
    folder.mkdir(parents=True)
    env = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "BACKUP_DIR")}
    settings = {"DATA_DIR": str(folder), "DJANGO_SETTINGS_MODULE": "shop.settings", "PYTHONPATH": str(ROOT)}
    return Place(folder, {**env, **settings})


def tables_file(kept: Path) -> Path:
    """An SQLite file as `migrate` leaves it, to copy: made once for what the code says of its tables, kept between runs
    in that folder. Whoever else asks meanwhile waits for it."""
    said = [
        path
        for app in ("shop", "keyboards")
        for part in ("models", "migrations")
        for path in (ROOT / app / part).glob("*.py")
    ]
    mark = hashlib.sha256()
    for path in sorted(
        [*said, ROOT / "shop" / "triggers.py", ROOT / "shop" / "settings.py", ROOT / "requirements.lock"]
    ):
        mark.update(path.name.encode() + path.read_bytes())
    made = kept / f"{mark.hexdigest()[:20]}.sqlite3"
    with (kept / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            for old in kept.glob("*.sqlite3"):
                old.unlink()
            with tempfile.TemporaryDirectory() as folder:
                place = sqlite_place(Path(folder) / "place")
                place.manage("migrate", "--verbosity", "0", "--skip-checks")
                shutil.copy(place.folder / SQLITE_FILE, made.with_suffix(".new"))
            made.with_suffix(".new").rename(made)
    return made


def new_database() -> str:
    """The address of a new, empty PostgreSQL database beside the one the tests use."""
    name = f"place_{uuid4().hex[:12]}"
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {name} TEMPLATE template0")
    return re.sub(r"/[^/]*$", f"/{name}", os.environ["DATABASE_URL"])


def drop_database(address: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"DROP DATABASE {address.rpartition('/')[2]} WITH (FORCE)")

"""What every test stands on: fast passwords, letters that stay in memory, files that go with the run."""

import os
import shutil

import pytest
from django.conf import settings
from django.db.backends.sqlite3.base import DatabaseWrapper as SQLite
from django.test.utils import override_settings
from hypothesis import settings as hypothesis_settings

from tests.places import tables_file

# How long an example takes says how busy the machine is, not whether the law holds. The same examples each time, so
# that a run says something about the change and not about its luck; SEARCH=1 looks for new ones.
hypothesis_settings.register_profile(
    "repeatable", parent=hypothesis_settings(), deadline=None, derandomize=not os.environ.get("SEARCH")
)
hypothesis_settings.load_profile("repeatable")


@pytest.hookimpl(tryfirst=True)  # before -m chooses
def pytest_collection_modifyitems(config, items):
    """Whatever lies in tests/browser drives a real Chromium; nobody has to say so twice. On PostgreSQL only what uses a
    database runs: the rest has run on SQLite, and would say the same again."""
    for item in items:
        if "browser" in item.path.parent.parts:
            item.add_marker(pytest.mark.browser)
    if os.environ.get("DATABASE_URL"):
        without = [item for item in items if not _asks_the_database(item)]
        items[:] = [item for item in items if _asks_the_database(item)]
        config.hook.pytest_deselected(items=without)


def _asks_the_database(item) -> bool:
    if item.get_closest_marker("once"):
        return False
    marked = item.get_closest_marker("django_db") or item.get_closest_marker("browser")
    return bool(marked or {"db", "transactional_db", "live_server"} & set(item.fixturenames))


@pytest.fixture(scope="session", autouse=True)
def test_surroundings(tmp_path_factory):
    """The settings in which a test differs from the shop."""
    folder = tmp_path_factory.mktemp("data")
    (folder / "static").mkdir()
    with override_settings(
        PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"],
        DATA_DIR=folder,
        BACKUP_DIR=folder / "backups",
        MEDIA_ROOT=folder / "media",
        STATIC_ROOT=folder / "static",
        EMAIL_FILE_PATH=folder / "outbox",
        POST_OFFICE={
            **settings.POST_OFFICE,
            "BACKENDS": {"default": "django.core.mail.backends.locmem.EmailBackend"},
        },
        # The manifest of hashed names exists only after collectstatic.
        STORAGES={
            **settings.STORAGES,
            "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
        },
    ):
        yield


@pytest.fixture(scope="session")
def tables(request):
    """An SQLite file with every table, to copy."""
    return tables_file(request.config.cache.mkdir("tables"))


@pytest.fixture(scope="session")
def django_db_keepdb():
    """On SQLite the tables are there already, see below."""
    return settings.DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3"


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    request, tmp_path_factory, django_db_keepdb, django_db_modify_db_settings_parallel_suffix
):
    """Every process has a copy of one file: to make the tables takes seconds each time. A file, since several threads
    ask at once in a browser test and in one that commits, which an in-memory SQLite cannot bear."""
    if django_db_keepdb:
        copy = tmp_path_factory.mktemp("database") / "test.sqlite3"
        shutil.copy(request.getfixturevalue("tables"), copy)
        database = settings.DATABASES["default"]
        database["TEST"] = {**database.get("TEST", {}), "NAME": str(copy)}


@pytest.fixture(scope="session", autouse=True)
def emptied_tables():
    """A test that commits has its tables emptied afterwards: row by row on SQLite, where triggers keep the
    append-only ones. They are taken off for that moment alone (PostgreSQL truncates, which no row trigger sees)."""
    empty = SQLite.ops_class.execute_sql_flush

    def without_triggers(self, sql_list):
        with self.connection.cursor() as cursor:
            triggers = cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
            for name, _sql in triggers:
                cursor.execute(f"DROP TRIGGER {name}")
            empty(self, sql_list)
            for _name, sql in triggers:
                cursor.execute(sql)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SQLite.ops_class, "execute_sql_flush", without_triggers)
        yield


@pytest.fixture
def quick_paper(monkeypatch):
    """Estimates and bills get a stand-in for their PDF: laying out a real one takes a second."""
    for module in ("estimates", "bills"):
        monkeypatch.setattr(f"shop.workflow.{module}.render_pdf", lambda html: b"%PDF-1.7\n" + html.encode())

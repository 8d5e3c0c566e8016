"""What every test stands on: fast passwords, letters that stay in memory, files that go with the run."""

import pytest
from django.conf import settings
from django.db.backends.sqlite3.operations import DatabaseOperations as SQLiteOperations
from django.test.utils import override_settings


@pytest.hookimpl(tryfirst=True)  # before -m chooses
def pytest_collection_modifyitems(items):
    """Whatever lies in tests/browser drives a real Chromium; nobody has to say so twice."""
    for item in items:
        if "browser" in item.path.parent.parts:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session", autouse=True)
def test_surroundings(tmp_path_factory):
    """The settings in which a test differs from the shop."""
    folder = tmp_path_factory.mktemp("data")
    (folder / "static").mkdir()
    with override_settings(
        PASSWORD_HASHERS=["django.contrib.auth.hashers.MD5PasswordHasher"],
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
def django_db_modify_db_settings(request, tmp_path_factory, django_db_modify_db_settings_parallel_suffix):
    """A browser asks from several threads at once, which one in-memory SQLite connection cannot bear."""
    database = settings.DATABASES["default"]
    in_a_browser = any(item.get_closest_marker("browser") for item in request.session.items)
    if database["ENGINE"] == "django.db.backends.sqlite3" and in_a_browser:
        database["TEST"] = {
            **database.get("TEST", {}),
            "NAME": str(tmp_path_factory.mktemp("database") / "test.sqlite3"),
        }


@pytest.fixture(scope="session", autouse=True)
def emptied_tables():
    """A test that commits has its tables emptied afterwards: row by row on SQLite, where triggers keep the
    append-only ones. They are taken off for that moment alone (PostgreSQL truncates, which no row trigger sees)."""
    empty = SQLiteOperations.execute_sql_flush

    def without_triggers(self, sql_list):
        with self.connection.cursor() as cursor:
            triggers = cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
            for name, _sql in triggers:
                cursor.execute(f"DROP TRIGGER {name}")
            empty(self, sql_list)
            for _name, sql in triggers:
                cursor.execute(sql)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SQLiteOperations, "execute_sql_flush", without_triggers)
        yield

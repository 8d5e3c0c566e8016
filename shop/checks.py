"""System checks: what an installation must know about itself before it is trusted with years of work."""

import sqlite3

from django.conf import settings
from django.core.checks import Warning as CheckWarning
from django.core.checks import register


@register()
def sqlite_version(app_configs, **kwargs):
    """SQLite before 3.51.3 has a rare, documented fault when two connections write and checkpoint at once (WAL)."""
    if settings.DATABASES["default"]["ENGINE"] != "django.db.backends.sqlite3":
        return []
    if sqlite3.sqlite_version_info >= (3, 51, 3):
        return []
    return [
        CheckWarning(
            f"SQLite {sqlite3.sqlite_version} has a rare fault in its write-ahead log that 3.51.3 mends.",
            hint="Keep backups, or use PostgreSQL by DATABASE_URL.",
            id="shop.W001",
        )
    ]

"""Database triggers that keep a table append-only: rows can be added, never changed or removed."""

from typing import Any


def _statements(vendor: str, table: str, when: str) -> tuple[list[str], list[str]]:
    condition = f"WHEN ({when}) " if when else ""
    if vendor == "sqlite":
        return (
            [
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"{condition}BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
                for verb in ("UPDATE", "DELETE")
            ],
            [f"DROP TRIGGER IF EXISTS {table}_no_{verb}" for verb in ("update", "delete")],
        )
    return (
        [
            f"CREATE OR REPLACE FUNCTION {table}_only_added() RETURNS trigger AS $$ BEGIN "
            f"RAISE EXCEPTION '{table} is only ever added to'; END $$ LANGUAGE plpgsql",
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            f"FOR EACH ROW {condition}EXECUTE FUNCTION {table}_only_added()",
        ],
        [
            f"DROP TRIGGER IF EXISTS {table}_no_change ON {table}",
            f"DROP FUNCTION IF EXISTS {table}_only_added()",
        ],
    )


def guard(table: str, *, when: str = "") -> Any:
    """A migration operation that puts the guard on a table of the schema; when (SQL on OLD) guards some rows alone."""
    from django.db import migrations

    def add(apps: Any, schema_editor: Any) -> None:
        for statement in _statements(schema_editor.connection.vendor, table, when)[0]:
            schema_editor.execute(statement)

    def remove(apps: Any, schema_editor: Any) -> None:
        for statement in _statements(schema_editor.connection.vendor, table, when)[1]:
            schema_editor.execute(statement)

    return migrations.RunPython(add, remove)

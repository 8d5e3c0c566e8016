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


def let_blank(table: str, *columns: str, when: str) -> Any:
    """A migration operation: of rows that a guard (with the same when) holds, these columns of text may be emptied,
    all together and nothing else; personal data must be able to go."""
    from django.db import migrations

    def change(apps: Any, schema_editor: Any) -> None:
        app, _stroke, name = table.partition("_")
        same = "IS" if schema_editor.connection.vendor == "sqlite" else "IS NOT DISTINCT FROM"
        fields = [field.column for field in apps.get_model(app, name)._meta.concrete_fields]
        only = [f"NEW.{name} = ''" if name in columns else f"NEW.{name} {same} OLD.{name}" for name in fields]
        condition = f"({when}) AND NOT ({' AND '.join(only)})"
        if schema_editor.connection.vendor == "sqlite":
            schema_editor.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")
            schema_editor.execute(
                f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} WHEN {condition} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
            )
            return
        schema_editor.execute(f"DROP TRIGGER IF EXISTS {table}_no_change ON {table}")
        for verb, guarded in (("DELETE", when), ("UPDATE", condition)):
            schema_editor.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"FOR EACH ROW WHEN ({guarded}) EXECUTE FUNCTION {table}_only_added()"
            )

    def back(apps: Any, schema_editor: Any) -> None:
        for verb in ("update", "delete"):
            on = "" if schema_editor.connection.vendor == "sqlite" else f" ON {table}"
            schema_editor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{verb}{on}")
        for statement in _statements(schema_editor.connection.vendor, table, when)[0]:
            schema_editor.execute(statement)

    return migrations.RunPython(change, back)

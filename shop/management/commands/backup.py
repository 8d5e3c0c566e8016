"""manage.py backup: one verified archive of the database, photos and stored PDFs."""

import datetime
import re
import time
from argparse import ArgumentTypeError
from pathlib import Path

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, close_old_connections, connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from shop.faults import fault_of
from shop.workflow.backups import DAILY, KEEP, back_up, state
from shop.workflow.refusal import Refused


def _keep(text: str) -> tuple[int, ...]:
    if not re.fullmatch(r"\d{1,4},\d{1,4},\d{1,4}", text, re.ASCII):
        raise ArgumentTypeError("write days, weeks and months like 7,5,12")
    return tuple(int(part) for part in text.split(","))


class Command(BaseCommand):
    """Once, before a migration that waits, or daily for ever. The last line printed is the archive's path."""

    help = "Makes a verified backup: once, with --before-migrate only if migrations wait, with --loop every day."

    def add_arguments(self, parser):
        parser.add_argument("--to", type=Path, metavar="FOLDER", help=f"where to (default {settings.BACKUP_DIR})")
        parser.add_argument(
            "--keep", type=_keep, default=KEEP, metavar="D,W,M", help="days, weeks and months to keep (7,5,12)"
        )
        how = parser.add_mutually_exclusive_group()
        how.add_argument("--before-migrate", action="store_true", help="only where migrations wait for rows there are")
        how.add_argument("--loop", action="store_true", help="go on until it is stopped: whenever one is due")

    def handle(self, *args, **options):
        try:
            if options["loop"]:
                self._loop(options)
            elif not options["before_migrate"] or self._waits():
                self._once(options)
        except DatabaseError as error:
            raise CommandError(fault_of(error) or str(error)) from error

    def _once(self, options) -> None:
        try:
            path = back_up(options["to"], keep=options["keep"])
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        told = state()
        if told.absent:
            self.stderr.write(f"{told.absent} files that the database names are not in the media folder.")
        self.stdout.write(f"{told.row_count} rows and {told.file_count} files, read back and whole:")
        self.stdout.write(str(path.resolve()))

    def _waits(self) -> bool:
        if not connection.introspection.table_names():
            return False
        executor = MigrationExecutor(connection)
        return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))

    def _loop(self, options) -> None:
        """Looks every minute; after a failure it waits an hour."""
        try:
            while True:
                pause = 60
                if due():
                    try:
                        self._once(options)
                    except CommandError as error:
                        self.stderr.write(str(error))
                        pause = 3600
                    self.stdout.flush()
                time.sleep(pause)
                close_old_connections()
        except KeyboardInterrupt:
            self.stdout.write("Stopped.")


def due() -> bool:
    """Whether the last good one is a day old, or from a day to come: a clock that was set back must not stop them."""
    good = state().good_at
    now = timezone.now()
    return good is None or not datetime.timedelta(0) <= now - good < DAILY

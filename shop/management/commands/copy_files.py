"""manage.py copy_files: photos and papers into the store, or back into the folder."""

import time
from typing import Any

from django.conf import settings
from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand, CommandError

from shop.files import Folder, StoreError
from shop.workflow.copying import files_copy


class Command(BaseCommand):
    """The last line printed counts what was copied, what was there already and what failed."""

    help = "Copies every photo and paper from the folder into the store (S3_BUCKET), or back. Can be run again."

    def add_arguments(self, parser):
        way = parser.add_mutually_exclusive_group(required=True)
        way.add_argument("--to-store", action="store_true", help="from DATA_DIR into the store")
        way.add_argument("--to-folder", action="store_true", help="from the store into DATA_DIR")

    def handle(self, *args, **options):
        if isinstance(default_storage, Folder):
            raise CommandError("No store is named: set S3_BUCKET, S3_KEY and S3_SECRET (see README.md).")
        places: list[Any] = [Folder(location=settings.MEDIA_ROOT), default_storage]
        source, target = places if options["to_store"] else reversed(places)
        try:
            names = source.names()
            self._many, self._shown = len(names), time.monotonic()
            self.stdout.write(f"{self._many} files, from {source.place} to {target.place}")
            found = files_copy(names, source, target, say=self._say)
        except StoreError as error:
            raise CommandError(f"{error} What was copied stays: run this again.") from error
        for name, why in found.failed.items():
            self.stderr.write(f"{name!r}: {why}")
        told = (
            f"{found.copied} copied and read back, {found.there} there already and the same, {len(found.failed)} failed"
        )
        if found.failed:
            raise CommandError(told)
        self.stdout.write(told)

    def _say(self, done: int) -> None:
        if time.monotonic() - self._shown > 2:
            self._shown = time.monotonic()
            self.stdout.write(f"  {done} of {self._many}")
            self.stdout.flush()

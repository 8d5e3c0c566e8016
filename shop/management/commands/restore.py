"""manage.py restore: an archive back into an empty place."""

from pathlib import Path

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from shop.workflow.backups import restore
from shop.workflow.refusal import Refused


class Command(BaseCommand):
    """Reads the archive through, refuses what is damaged or newer, fills an empty place, brings it up to date."""

    help = "Restores a backup into an empty DATA_DIR (and, with DATABASE_URL, an empty database)."
    requires_system_checks = ()

    def add_arguments(self, parser):
        parser.add_argument("archive", type=Path)

    def handle(self, *args, **options):
        try:
            manifest = restore(options["archive"], say=self.stdout.write)
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stdout.write(
            f"Restored what stood on {manifest['made_at'][:16].replace('T', ' ')} UTC. Everybody signs in again."
        )
        self.stdout.write(f"Start the program with DATA_DIR={settings.DATA_DIR}")
        if manifest.get("part"):
            self.stdout.write("A parcel holds no passwords: set one with manage.py changepassword NAME.")

"""manage.py letters: sends what waits."""

import time

from django.core.management.base import BaseCommand
from django.db import close_old_connections

from shop.workflow.letters import deliver_waiting


class Command(BaseCommand):
    """Tries every letter whose time has come, once or for ever."""

    help = "Sends the letters that wait: once, or with --loop again and again."

    def add_arguments(self, parser):
        parser.add_argument("--loop", action="store_true", help="go on until it is stopped")
        parser.add_argument("--pause", type=int, default=30, metavar="SECONDS", help="between two looks (default 30)")

    def handle(self, *args, **options):
        try:
            self._tell(*deliver_waiting(), always=True)
            while options["loop"]:
                time.sleep(max(options["pause"], 1))
                close_old_connections()
                self._tell(*deliver_waiting())
        except KeyboardInterrupt:
            self.stdout.write("Stopped.")

    def _tell(self, sent: int, failed: int, *, always: bool = False) -> None:
        if sent or failed or always:
            self.stdout.write(f"Letters sent: {sent}, still waiting or given up: {failed}")
            self.stdout.flush()

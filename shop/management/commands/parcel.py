"""manage.py parcel: everything of one set, one piano, one client or the whole shop, to take away."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError

from shop.core.errors import MeasurementError
from shop.core.tags import parse_job_tag
from shop.models import Client, Instrument, Job
from shop.workflow.parcels import parcel_make, parcel_of
from shop.workflow.refusal import Refused


class Command(BaseCommand):
    """The last line printed is the archive's path. It goes back into an empty place by `restore`."""

    help = "Makes a parcel: all rows, readings and photos of a set, a piano, a client or the whole shop."

    def add_arguments(self, parser):
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("--job", metavar="TAG", help="of a set, such as K-0147")
        what.add_argument("--instrument", type=int, metavar="N", help="of a piano: the number in its page's address")
        what.add_argument("--client", type=int, metavar="N", help="of a client: the number in its page's address")
        what.add_argument("--whole", action="store_true", help="of the whole shop")
        parser.add_argument("--to", type=Path, metavar="FOLDER", default=Path(), help="where to (default: here)")

    def handle(self, *args, **options):
        try:
            path = parcel_make(options["to"], parcel_of(self._subject(options)), by=None)
        except Refused as refusal:
            raise CommandError(str(refusal)) from refusal
        self.stdout.write(str(path.resolve()))

    def _subject(self, options):
        if options["whole"]:
            return None
        if options["job"]:
            try:
                found = Job.objects.filter(number=parse_job_tag(options["job"])).first()
            except MeasurementError as error:
                raise CommandError(str(error)) from error
        elif options["instrument"]:
            found = Instrument.objects.filter(pk=options["instrument"]).first()
        else:
            found = Client.objects.filter(pk=options["client"]).first()
        if found is None:
            raise CommandError("There is no such set, piano or client.")
        return found

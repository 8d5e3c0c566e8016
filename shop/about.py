"""Which version this is, and what each one brought, for those who work with it."""

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

VERSION = "0.4.0"

# The newest first: version, what is new in sentences.
NOTES: tuple[tuple[str, tuple[str | Promise, ...]], ...] = (
    (
        "0.4.0",
        (
            _("A yes is confirmed to the client by a letter with what was agreed; Workshop turns it off."),
            _("Letters go out under the workshop's name."),
            _("A broken stick and a missing key are named from the advice to the report, and offered on the estimate."),
            _("What arrival saw on wood, button and stick stands after stripping, in the row and in what is cut."),
            _("A key that neither cloth of its section serves gets the stocked one that does."),
            _("A discount is a sum or so many percent, and the paper says of what."),
            _("The caul that was used is noted with the cloth and told on report and label."),
            _("Finishing cloth asks about keys that no lot is written down for."),
            _("Keys worked on without a tick can be named to be read again; keys ticked after their reading are told."),
            _("At a step in the row the run asks about its first key alone."),
            _("The sheet and a key's page ask for both diameters of plug gauges; a bad lot lists whom to tell."),
            _("Sets are found by the client's town; pages stay quick in a shop of ten thousand sets."),
        ),
    ),
    (
        "0.3.0",
        (
            _("Sets counted whenever they go and come; what is missing is shouted until it is found."),
            _("Steps added, held, handed over; keys that fail the final check go back to the stage at fault."),
            _("Promises in danger and why, before the day."),
            _("A technician reads a set's readings by a link that ends."),
            _("Everything of a set, a piano, a client or the shop as one file that comes back row by row."),
            _("Old spreadsheets of readings brought in."),
            _("Photos and papers in an object store; several computers for one workshop."),
            _("Branches: whose set is where, counted on the way from one to another."),
            _("The first day in steps, nothing of it lost."),
            _("A second step after the owner's password; wrong passwords counted by all processes together."),
            _("What is known of a client shown, and erased on wish while the technical history stays."),
            _("Cloth to cut, drawn on its sheets; how far off a button may be is the shop's to set."),
            _("Plug gauges and photo angles judged by their own uncertainty at the final check."),
            _("Level, key dip and drop test shown by the final check where the price list promises them."),
            _("Plug gauges by their diameters: the run names the next one to try."),
            _("Where one is signed in, and signing out there; a network that tries many names is slowed down."),
            _("Photos and papers moved into an object store, and back, by one command."),
            _("A name tried from many networks waits in new places alone; People tells what of late touched access."),
            _("Undo at the bench takes back whatever was entered last, and after a pause the run goes on behind it."),
            _("Without a point the pad reads hundredths for a level too: 30 is 0.30, a 3 is 0.03."),
            _("Keys put right after the final check are read again by themselves."),
            _("Settings in a file beside the program, so that commands typed by hand have them too."),
        ),
    ),
    (
        "0.2.0",
        (
            _("Bills, payments, what is owed, and files for the bookkeeper."),
            _("Finding a set by whatever is known of it, misspelt or not."),
            _("Two checks of one piano held against each other; comebacks written down and learnt from."),
            _("Quoted against actual hours."),
            _("Reading keys on a tablet with or without network; angles read from a photo."),
            _("The queue with what a rush would move; calendar links; keys and lists ticked at each stage."),
            _("Drawings of buttons at full size and for a machine; a bench sheet."),
            _("Verified backups every day, before every update and at a press; restoring; moving to PostgreSQL."),
        ),
    ),
    (
        "0.1.0",
        (_("From the counter and back to it: checks, advice, estimates, specs, stages, proof, records."),),
    ),
)

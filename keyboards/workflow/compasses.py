"""Which keys a set has: written down when it comes in, put right later."""

import datetime
from collections.abc import Sequence

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards.core.keys import format_keys
from keyboards.models import Compass, Entry
from shop.models import Job, Person
from shop.workflow.events import record
from shop.workflow.refusal import Refused


@transaction.atomic
def compass_set(
    *,
    job: Job,
    by: Person,
    first_midi: int,
    count: int,
    missing: Sequence[int] = (),
    broken: Sequence[int] = (),
    stamps: str = "",
    at: datetime.datetime | None = None,
) -> Compass:
    """Writes down the keys of a set, the first time or again. Key numbers from the bass, 1 upward.

    Refused where readings stand in the way: they hang on key numbers, so the compass stays as it is once a key was
    read, and a key that was read is not missing.
    """
    old = Compass.objects.select_for_update().filter(job=job).first()
    new = old or Compass(job=job)
    if old:
        _refuse_what_readings_forbid(old, job, first_midi=first_midi, count=count, missing=missing)
    before = (old.first_midi, old.count, old.missing, old.broken, old.stamps) if old else None
    after = (first_midi, count, sorted(missing), sorted(broken), stamps.strip())
    if before == after:
        return new
    new.first_midi, new.count, new.missing, new.broken, new.stamps = after
    new.save()
    same_keys = old is not None and len(job.grades) == count
    gone = set(new.missing)
    signs = job.grades.replace("-", ".") if same_keys else "." * count
    job.first_note = first_midi
    job.grades = "".join("-" if key in gone else sign for key, sign in enumerate(signs, start=1))
    job.save(update_fields=["first_note", "grades"])
    record(
        "compass_changed" if old else "compass_set",
        by=by,
        job=job,
        at=at,
        count=count,
        first=new.keys.name(1),
        missing=new.missing,
        broken=new.broken,
    )
    return new


def _refuse_what_readings_forbid(
    old: Compass, job: Job, *, first_midi: int, count: int, missing: Sequence[int]
) -> None:
    if job.left_at:
        raise Refused(_("This set has gone home."))
    read = set(Entry.objects.filter(check_done__job=job).values_list("key", flat=True).distinct())
    if read and (first_midi, count) != (old.first_midi, old.count):
        raise Refused(_("Keys of this set have been read: its first note and count of keys stay as they are."))
    gone = sorted(read & (set(missing) - set(old.missing)))
    if gone:
        sentence = ngettext(
            "Key %(keys)s has been read, so it is not missing.",
            "Keys %(keys)s have been read, so they are not missing.",
            len(gone),
        )
        raise Refused(sentence % {"keys": format_keys(gone)})

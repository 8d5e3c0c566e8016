"""Photos are kept: decoded, made small, written to disk, then acknowledged."""

import datetime
import hashlib
import uuid

from django.core.files.base import ContentFile
from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from keyboards.images import NotAPicture, reencode
from keyboards.models import Check, Compass, Photo
from shop.models import Job, Person, Stage
from shop.workflow.events import record
from shop.workflow.refusal import Refused

CAPTION = 120  # characters, as the model has it


def photo_add(
    *,
    job: Job,
    data: bytes,
    by: Person,
    key: int | None = None,
    check: Check | None = None,
    stage: Stage | None = None,
    caption: str = "",
    op: uuid.UUID | None = None,
    at: datetime.datetime | None = None,
) -> Photo:
    """Keeps one photo of a set, or of one of its keys. Sent again under the same op, it is the same photo.

    at: when it was taken. Refused with a sentence: no picture, a key this set does not have, an op that was used for
    another photo.
    """
    digest = hashlib.sha256(data).hexdigest()
    if op is not None and (kept := Photo.objects.filter(op=op).first()):
        return _the_same(kept, job, digest)
    _refuse_what_does_not_fit(job=job, key=key, check=check, caption=caption)
    try:
        picture = reencode(data)
    except NotAPicture as error:
        raise Refused(str(error)) from error
    photo = Photo(
        op=op or uuid.uuid4(),
        job=job,
        check_done=check,
        stage=stage,
        key=key,
        caption=caption.strip(),
        width=picture.width,
        height=picture.height,
        digest=digest,
        taken_at=at or timezone.now(),
        by=by,
    )
    try:
        photo.image.save("photo.jpg", ContentFile(picture.large), save=False)
        photo.small.save("small.jpg", ContentFile(picture.small), save=False)
        with transaction.atomic():
            photo.save()
            record("photo_added", by=by, job=job, at=at, photo=str(photo.op), key=key)
    except IntegrityError:  # the same photo came twice at once, and the other was quicker
        _forget(photo)
        return _the_same(Photo.objects.get(op=photo.op), job, digest)
    except BaseException:
        _forget(photo)
        raise
    return photo


def _the_same(kept: Photo, job: Job, digest: str) -> Photo:
    if kept.digest != digest or kept.job_id != job.pk:
        raise Refused(_("This entry was already sent with another photo."))
    return kept


def _refuse_what_does_not_fit(*, job: Job, key: int | None, check: Check | None, caption: str) -> None:
    if check is not None and check.job_id != job.pk:
        raise Refused(_("This check belongs to another set."))
    if key is not None:
        count = Compass.objects.filter(job=job).values_list("count", flat=True).first() or 0
        if not 1 <= key <= count:
            raise Refused(_("This set has no key %(key)d.") % {"key": key})
    if len(caption.strip()) > CAPTION or "\0" in caption:
        raise Refused(_("A caption is plain text of at most %(most)d characters.") % {"most": CAPTION})


def _forget(photo: Photo) -> None:
    """Takes its files away, but none that a photo under this op lies in: two who ask a store at once get one name."""
    there = set(Photo.objects.filter(op=photo.op).values_list("image", "small"))
    others = {name for names in there for name in names}
    for kept in (photo.image, photo.small):
        # A file that found no room has no name yet, and half of it may be there.
        name = kept.name or kept.field.generate_filename(photo, "")
        if name not in others:
            kept.storage.delete(name)

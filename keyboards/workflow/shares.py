"""Links to the readings of a set are made, sent and withdrawn."""

import datetime
import secrets

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils import formats, timezone
from django.utils.translation import gettext as _

from keyboards.models import Share
from shop.models import Job, Person, Workshop, token_hash
from shop.workflow import letters
from shop.workflow.events import record
from shop.workflow.refusal import Refused


def share_address(token: str) -> str:
    """The full address that a letter carries."""
    return settings.SITE_ADDRESS + reverse("shared", args=[token])


@transaction.atomic
def share_make(
    job: Job, *, whom: str, days: int, by: Person, to: str = "", at: datetime.datetime | None = None
) -> tuple[Share, str]:
    """A new link and its token, which is kept nowhere. to: an e-mail address the link is sent to."""
    at, token = at or timezone.now(), secrets.token_urlsafe(32)
    share = Share.objects.create(
        job=job,
        whom=whom.strip(),
        token_hash=token_hash(token),
        created_at=at,
        created_by=by,
        expires_at=at + datetime.timedelta(days=days),
    )
    record("share_made", by=by, job=job, at=at, share=share.pk)
    if to:
        letters.letter_queue(to=to, subject=_subject(job), text=_text(share, token), by=by)
    return share, token


@transaction.atomic
def share_withdraw(share: Share, *, by: Person, at: datetime.datetime | None = None) -> None:
    """The link opens nothing from now on."""
    if share.withdrawn_at is not None:
        raise Refused(_("This link was withdrawn already."))
    share.withdrawn_at = at or timezone.now()
    share.save(update_fields=["withdrawn_at"])
    record("share_withdrawn", by=by, job=share.job, at=at, share=share.pk)


def share_seen(share: Share, *, at: datetime.datetime) -> None:
    """Notes that it was opened: the first time and the last."""
    Share.objects.filter(pk=share.pk).update(first_seen_at=share.first_seen_at or at, last_seen_at=at)


def _subject(job: Job) -> str:
    return _("The readings of keyboard %(tag)s (%(instrument)s)") % {"tag": job.tag, "instrument": job.instrument.title}


def _text(share: Share, token: str) -> str:
    workshop = Workshop.ours()
    return "\n\n".join(
        [
            _("Every reading of keyboard %(tag)s (%(instrument)s), with limits and verdicts, is here:")
            % {"tag": share.job.tag, "instrument": share.job.instrument.title}
            + "\n"
            + share_address(token),
            _("As CSV and JSON, and the hand-off report as a PDF. The link is good until %(day)s and for you alone.")
            % {"day": formats.date_format(timezone.localtime(share.expires_at), "DATE_FORMAT")},
            "\n".join(part for part in (workshop.name, workshop.phone, workshop.email) if part),
        ]
    )

"""Letters: queued with what they tell about, sent after the commit, tried again while the mail server is away.

django-post-office keeps them. Its own front door (mail.send) is not used: it renders every text as a Django template,
and these texts are typed by people.
"""

import datetime
import logging
import re
import smtplib
from collections.abc import Sequence
from dataclasses import dataclass
from email.utils import formataddr, make_msgid, parseaddr

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from django.core.mail import get_connection
from django.db import transaction
from django.db.models import Count, F, Q, QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from post_office.models import STATUS, Attachment, Email, Log
from post_office.settings import get_backend, get_default_mailer, get_max_retries

from shop.models import Person, Workshop
from shop.workflow.events import record
from shop.workflow.refusal import Refused

logger = logging.getLogger(__name__)

WAITING = (STATUS.queued, STATUS.requeued)
# How long one step of the talk with the mail server may take while somebody waits for a page.
CLICK_SECONDS = 4
# An attempt that has not ended after this long was cut off; the letter may be taken in hand again.
LEASE = datetime.timedelta(minutes=3)
# Minutes until the next try, after the first, second, ... failure; the last value goes on.
PAUSES = (1, 5, 15, 30, 60)
_TOKEN = re.compile(r"/(estimate|shared)/[A-Za-z0-9_-]{40,}/")
_LONGEST_ADDRESS = 254  # with its name, as the outbox keeps it


@dataclass(frozen=True)
class Enclosure:
    """A file that goes with a letter: stored names a file already kept in the media folder, content is its bytes."""

    name: str
    mimetype: str = "application/pdf"
    stored: str = ""
    content: bytes = b""


def without_links(text: str) -> str:
    """A letter's text with the secret of each link taken out."""
    return _TOKEN.sub(r"/\1/…/", text)


def _sender(workshop: Workshop) -> str:
    """The address of the settings under the name given there, else the workshop's: clients know no other."""
    name, address = parseaddr(settings.DEFAULT_FROM_EMAIL)
    named = formataddr((name or re.sub(r"[<>]", "", str(workshop.name)), address))
    return named if len(named) <= _LONGEST_ADDRESS else address


@transaction.atomic
def letter_queue(
    *,
    to: str,
    subject: str,
    text: str,
    by: Person | None,
    enclosures: Sequence[Enclosure] = (),
) -> Email:
    """Queues a plain letter and sends it once the transaction has been committed. Raises Refused for an address
    that is none. The caller records the event that tells why it was written."""
    workshop = Workshop.ours()
    letter = Email(
        from_email=_sender(workshop),
        to=[to.strip()],
        subject=" ".join(subject.split())[:200],
        message=text,
        status=STATUS.queued,
        number_of_retries=0,
        message_id=make_msgid(domain=settings.DEFAULT_FROM_EMAIL.rpartition("@")[2].strip("> ") or None),
        headers={"Reply-To": workshop.email} if workshop.email else {},
    )
    try:
        letter.save()
    except ValidationError:
        raise Refused(_("This is not an e-mail address that a letter can go to.")) from None
    for enclosure in enclosures:
        attachment = Attachment(name=enclosure.name, mimetype=enclosure.mimetype)
        if enclosure.stored:
            attachment.file = enclosure.stored
        else:
            attachment.file.save(enclosure.name, ContentFile(enclosure.content), save=False)
        attachment.save()
        letter.attachments.add(attachment)
    transaction.on_commit(lambda: _deliver(letter.pk, seconds=CLICK_SECONDS))
    return letter


def _rows() -> QuerySet[Email]:
    return Email.objects.annotate(tries_ended=Count("logs"))


def _claim(letter: Email, *, at: datetime.datetime) -> bool:
    """Takes the letter in hand; of two who try at once one gets it."""
    mine = Email.objects.filter(pk=letter.pk, status__in=WAITING, number_of_retries=letter.number_of_retries)
    return bool(
        mine.update(
            number_of_retries=F("number_of_retries") + 1,
            status=STATUS.requeued,
            scheduled_time=at + LEASE,
            last_updated=at,
        )
    )


def _deliver(pk: int, *, seconds: float) -> bool:
    """One try, now. What goes wrong is kept with the letter, shown beside it and logged; the click never fails."""
    letter = Email.objects.filter(pk=pk).prefetch_related("attachments").first()
    if letter is None or not _claim(letter, at=timezone.now()):
        return False
    tries = (letter.number_of_retries or 0) + 1
    connection = None
    try:
        connection = get_connection(get_backend(get_default_mailer()), timeout=seconds)
        connection.open()
        letter.dispatch(commit=False, disconnect_after_delivery=False, connection=connection)
    except Exception as error:  # a mail server, a full disk or a broken attachment: all end up beside the letter
        logger.warning("Letter %s was not sent: %s: %s", pk, type(error).__name__, error)
        _keep_failure(letter, error, tries=tries)
        return False
    finally:
        _hang_up(connection)
    text = letter.message
    if settings.EMAIL_HOST:
        # The client has it now. A copy of the database opens no link.
        text = without_links(text)
    Email.objects.filter(pk=pk).update(
        status=STATUS.sent, scheduled_time=None, message=text, last_updated=timezone.now()
    )
    Log.objects.create(email=letter, status=STATUS.sent, message="")
    return True


def _hang_up(connection) -> None:
    if connection is None:
        return
    try:
        connection.close()
    except (OSError, smtplib.SMTPException) as error:
        logger.info("The mail server hung up first: %s", error)


def _keep_failure(letter: Email, error: Exception, *, tries: int) -> None:
    now = timezone.now()
    final = tries >= get_max_retries() or _is_final(error)
    pause = datetime.timedelta(minutes=PAUSES[min(tries, len(PAUSES)) - 1])
    Email.objects.filter(pk=letter.pk).update(
        status=STATUS.failed if final else STATUS.requeued,
        scheduled_time=None if final else now + pause,
        last_updated=now,
    )
    Log.objects.create(
        email=letter, status=STATUS.failed, message=_said(error), exception_type=type(error).__name__[:255]
    )


def _is_final(error: Exception) -> bool:
    """Whether the mail server refused the address for good (5xx to every recipient): trying again helps nobody."""
    if not isinstance(error, smtplib.SMTPRecipientsRefused):
        return False
    return all(code >= 500 for code, _text in error.recipients.values())


def _said(error: Exception) -> str:
    """What went wrong, in the server's words where it had any."""
    answers: list[tuple[int, bytes | str]]
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        answers = [(code, text) for code, text in error.recipients.values()]
    elif isinstance(error, smtplib.SMTPResponseException):
        answers = [(error.smtp_code, error.smtp_error)]
    else:
        return str(error)[:1000] or type(error).__name__
    words = [f"{code} {text.decode(errors='replace') if isinstance(text, bytes) else text}" for code, text in answers]
    return "; ".join(words)[:1000]


def deliver_waiting(*, at: datetime.datetime | None = None, seconds: float | None = None) -> tuple[int, int]:
    """Tries every letter whose time has come; how many went and how many did not."""
    at = at or timezone.now()
    due = Email.objects.filter(Q(scheduled_time=None) | Q(scheduled_time__lte=at), status__in=WAITING)
    results = [
        _deliver(pk, seconds=seconds or settings.EMAIL_TIMEOUT)
        for pk in due.order_by("pk").values_list("pk", flat=True)
    ]
    return results.count(True), results.count(False)


def letter_retry(letter: Email, *, by: Person) -> bool:
    """Tries a letter again at once because somebody asks for it; says whether it went."""
    row = _rows().get(pk=letter.pk)
    if row.status == STATUS.sent:
        raise Refused(_("This letter has been sent."))
    if row.links.filter(withdrawn_at__isnull=False).exists():
        raise Refused(_("The link in this letter was withdrawn. Send a new one from the estimate."))
    under_way = (row.number_of_retries or 0) > row.tries_ended and row.last_updated > timezone.now() - LEASE
    if under_way:
        raise Refused(_("This letter is being tried just now."))
    Email.objects.filter(pk=row.pk, status=STATUS.failed).update(status=STATUS.requeued)
    record("letter_tried_again", by=by, letter=row.pk)
    return _deliver(row.pk, seconds=CLICK_SECONDS)


def letter_stop(letter: Email, *, why: str) -> None:
    """A letter that still waits is not sent any more: what it tells of no longer holds."""
    stopped = Email.objects.filter(pk=letter.pk, status__in=WAITING).update(
        status=STATUS.failed,
        scheduled_time=None,
        last_updated=timezone.now(),
        message=_TOKEN.sub("/estimate/…/", letter.message),
    )
    if stopped:
        Log.objects.create(email=letter, status=STATUS.failed, message=why)


def state_of(letter: Email) -> str:
    """A sentence: sent, waiting after so many tries with the last error, or given up. Reads logs.all()."""
    logs = sorted(letter.logs.all(), key=lambda log: (log.date, log.pk))
    if letter.status == STATUS.sent:
        if settings.EMAIL_HOST:
            return _("sent")
        return _("kept in the outbox folder: no mail server is set")
    tries, last = letter.number_of_retries or 0, logs[-1].message if logs else ""
    if letter.status == STATUS.failed:
        return _("not sent, given up: %(error)s") % {"error": last}
    if not tries:
        return _("waiting to be sent")
    words = ngettext(
        "waiting to be sent, tried once, last error: %(error)s",
        "waiting to be sent, tried %(tries)d times, last error: %(error)s",
        tries,
    )
    return words % {"tries": tries, "error": last or _("none yet")}

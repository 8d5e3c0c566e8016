"""A client's personal data: all of it shown, and erased on wish while the technical history stays.

What stays: which piano, its readings, photos of its keys, what was done by whom, sums without names. What goes: name,
ways to reach them, free texts about them, letters, secret links. Issued bills and the estimate that was agreed to may
have to be kept for years; the owner says until when (the law of the place decides, not this program), and the Office
asks when the day has come. The log only grows, so it never holds personal data; words that people typed into it as
reasons are shown, and cannot be taken out.
"""

import datetime
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.core.files.storage import default_storage
from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from post_office.models import Attachment, Email

from shop import event_words, seams
from shop.models import (
    Answer,
    Bill,
    Client,
    Estimate,
    EstimateState,
    Event,
    Job,
    Link,
    Payment,
    Person,
    Search,
    search_key,
)
from shop.workflow import stages
from shop.workflow.events import record
from shop.workflow.letters import without_links
from shop.workflow.refusal import Refused

# A column as people call it; the names of the file stay as they are.
_COLUMNS = {
    "kind": gettext_lazy("kind"),
    "name": gettext_lazy("name"),
    "contact": gettext_lazy("contact person"),
    "email": gettext_lazy("e-mail"),
    "phone": gettext_lazy("phone"),
    "address": gettext_lazy("address"),
    "note": gettext_lazy("note"),
    "maker": gettext_lazy("maker"),
    "model": gettext_lazy("model"),
    "year": gettext_lazy("year"),
    "serial": gettext_lazy("serial number"),
    "tag": gettext_lazy("tag"),
    "set": gettext_lazy("set"),
    "received_at": gettext_lazy("received"),
    "carrier": gettext_lazy("carrier"),
    "damage": gettext_lazy("damage"),
    "wishes": gettext_lazy("wishes"),
    "moved_on": gettext_lazy("the piano last moved"),
    "hold_reason": gettext_lazy("why it was on hold"),
    "left_with": gettext_lazy("left with"),
    "estimate": gettext_lazy("estimate"),
    "sent_to": gettext_lazy("sent to"),
    "sent_at": gettext_lazy("sent"),
    "intro": gettext_lazy("words at its head"),
    "text": gettext_lazy("text"),
    "at": gettext_lazy("when"),
    "reply": gettext_lazy("our reply"),
    "bill": gettext_lazy("bill"),
    "addressee": gettext_lazy("addressee"),
    "words": gettext_lazy("words"),
    "issued_at": gettext_lazy("issued"),
    "gross": gettext_lazy("to pay"),
    "payment": gettext_lazy("payment"),
    "received_on": gettext_lazy("received"),
    "amount": gettext_lazy("amount"),
    "currency": gettext_lazy("currency"),
    "to": gettext_lazy("to"),
    "subject": gettext_lazy("subject"),
    "written": gettext_lazy("written"),
    "created": gettext_lazy("made"),
    "created_at": gettext_lazy("made"),
    "first_seen_at": gettext_lazy("first opened"),
    "last_seen_at": gettext_lazy("last opened"),
    "whom": gettext_lazy("for whom"),
}
# Details of an event that people type.
_TYPED = ("reason", "note", "place", "words")


@dataclass(frozen=True)
class Section:
    """One kind of data: its slug, its title, rows of (name of a column -> text)."""

    slug: str
    title: str
    rows: Sequence[dict[str, str]]

    @property
    def told(self) -> list[list[tuple[str, str]]]:
        """What stands in each row, for people: columns that hold nothing left out."""
        return [[(str(_COLUMNS[name]), _shown(text)) for name, text in row.items() if text] for row in self.rows]


def personal_data(client: Client) -> list[Section]:
    """Everything that is known of the client, in a number of queries that does not grow with it."""
    jobs = list(client.jobs.select_related("instrument").order_by("number"))
    of_jobs = Job.objects.filter(client=client)
    estimates = list(Estimate.objects.filter(job__client=client).order_by("number", "version"))
    answers = Answer.objects.filter(estimate__job__client=client).select_related("estimate").order_by("at")
    links = Link.objects.filter(estimate__job__client=client).select_related("estimate").order_by("created_at")
    sections = [
        Section(
            "client",
            _("Client"),
            [
                {"kind": client.get_kind_display()}
                | _texts(client, "name", "contact", "email", "phone", "address", "note")
            ],
        ),
        Section(
            "pianos",
            _("Pianos"),
            [_texts(one, "maker", "model", "year", "serial", "note") for one in client.instruments.order_by("pk")],
        ),
        Section(
            "sets",
            _("Sets"),
            [
                {"tag": job.tag}
                | _texts(job, "received_at", "carrier", "damage", "wishes", "moved_on", "hold_reason", "left_with")
                for job in jobs
            ],
        ),
        Section(
            "estimates",
            _("Estimates"),
            [{"estimate": one.file_name} | _texts(one, "sent_to", "sent_at", "intro") for one in estimates],
        ),
        Section(
            "answers",
            _("What they answered"),
            [
                {"estimate": one.estimate.file_name, "kind": one.get_kind_display()}
                | _texts(one, "name", "text", "at", "reply")
                for one in answers
            ],
        ),
        Section(
            "bills",
            _("Bills"),
            [{"bill": one.title} | _texts(one, "addressee", "words", "issued_at", "gross") for one in _bills(client)],
        ),
        Section(
            "payments",
            _("Payments"),
            [
                {"payment": one.title} | _texts(one, "received_on", "amount", "currency", "note")
                for one in Payment.objects.filter(job__client=client).order_by("number")
            ],
        ),
        Section(
            "letters",
            _("Letters"),
            [
                {
                    "to": ", ".join(one.to),
                    "subject": one.subject,
                    "written": _text(one.created),
                    "text": without_links(one.message),
                }
                for one in letters_of(client)
            ],
        ),
        Section(
            "links",
            _("Secret links"),
            [
                {"to": one.estimate.file_name} | _texts(one, "created_at", "first_seen_at", "last_seen_at")
                for one in links
            ],
        ),
        *(Section(slug, title, rows) for part in seams.personal for slug, title, rows in part.held(of_jobs)),
        Section(
            "log",
            _("Words in the log"),
            [{"at": _text(event.at), "words": event_words.sentence(event)} for event in typed_events(client)],
        ),
    ]
    return [section for section in sections if section.rows]


def _bills(client: Client) -> QuerySet[Bill]:
    return Bill.objects.filter(job__client=client).order_by("pk")


def typed_events(client: Client) -> list[Event]:
    """Events of the client's sets that hold words somebody typed, oldest first."""
    rows = Event.objects.filter(job__client=client).select_related("by").order_by("at", "pk")
    return [event for event in rows if any(event.details.get(name) for name in _TYPED)]


def letters_of(client: Client) -> list[Email]:
    """Letters with the client's estimates, answers and bills, and all others to an address of theirs alone."""
    known = Q(links__estimate__job__client=client) | Q(bills__job__client=client)
    known |= Q(answers__estimate__job__client=client)
    if client.email and not Client.objects.filter(email__iexact=client.email).exclude(pk=client.pk).exists():
        known |= Q(to__iexact=client.email)
    return list(Email.objects.filter(known).distinct().order_by("created"))


def _texts(row: Any, *names: str) -> dict[str, str]:
    return {name: _text(getattr(row, name)) for name in names}


def _shown(text: str) -> str:
    """A day or a moment that _text wrote, as people read it; all else as it is."""
    if not re.fullmatch(r"\d{4}-\d\d-\d\d(T\d\d:\d\d[+-]\d\d:\d\d)?", text):
        return text
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        return text
    return date_format(moment, "DATETIME_FORMAT" if "T" in text else "DATE_FORMAT")


def _text(value: Any) -> str:
    match value:
        case None:
            return ""
        case datetime.datetime():
            return timezone.localtime(value).isoformat(timespec="minutes")
        case datetime.date():
            return value.isoformat()
        case Decimal():
            return f"{value.normalize():f}"
    return str(value)


# --- erasing ---


@transaction.atomic
def client_erase(
    client: Client, *, by: Person, papers_until: datetime.date | None, at: datetime.datetime | None = None
) -> Client:
    """Takes out who the client is. papers_until: the last day on which issued bills and agreed estimates are kept;
    None: they go too. Refused while a set of theirs is in the shop or money is owed."""
    at = at or timezone.now()
    client = Client.objects.select_for_update().get(pk=client.pk)
    jobs = [stages.lock(job) for job in client.jobs.all()]
    if here := [job.tag for job in jobs if not job.left_at]:
        raise Refused(
            _("Still in the shop: %(tags)s. A set goes home before its client is erased.") % {"tags": ", ".join(here)}
        )
    live = Bill.objects.live().filter(job__client=client).prefetch_related("job__payments")
    if owing := [bill.title for bill in live if bill.owed]:
        raise Refused(_("Not settled yet: %(bills)s.") % {"bills": ", ".join(owing)})
    told = f"{client.name} {client.contact} {client.email} {client.phone}".split()
    names = [key for word in told if len(key := search_key(word)) > 2]
    files = _erase_letters(client)
    for estimate in Estimate.objects.filter(job__client=client):
        if papers_until is None or estimate.state != EstimateState.ACCEPTED:
            files += _erase_estimate(estimate)
    Link.objects.filter(estimate__job__client=client, withdrawn_at__isnull=True).update(withdrawn_at=at)
    if papers_until is None:
        files += _erase_bills(client)
    client.instruments.update(note="")
    Job.objects.filter(client=client).update(wishes="", moved_on="", hold_reason="", left_with="")
    for part in seams.personal:
        part.forget(Job.objects.filter(client=client), at)
    for search in Search.objects.all():
        if any(name in search_key(search.text + search.title) for name in names):
            search.delete()
    client.name = _("Erased client %(number)d") % {"number": client.pk}
    client.contact = client.email = client.phone = client.address = client.note = ""
    client.erased_at, client.papers_until = at, papers_until
    client.save()
    kept = papers_until.isoformat() if papers_until else ""
    record("client_erased", by=by, at=at, client=client.pk, sets=len(jobs), until=kept)
    transaction.on_commit(lambda: _delete_files(files))
    return client


@transaction.atomic
def papers_erase(client: Client, *, by: Person, at: datetime.datetime | None = None) -> Client:
    """Takes the person out of the bills and agreed estimates that were kept. Refused before their day."""
    at = at or timezone.now()
    client = Client.objects.select_for_update().get(pk=client.pk)
    if not client.erased_at or client.papers_until is None:
        raise Refused(_("No papers of this client are kept back."))
    if client.papers_until >= timezone.localdate(at):
        raise Refused(_("They are to be kept until %(day)s.") % {"day": client.papers_until.isoformat()})
    files = _erase_letters(client) + _erase_bills(client)
    for estimate in Estimate.objects.filter(job__client=client):
        files += _erase_estimate(estimate)
    client.papers_until = None
    client.save(update_fields=["papers_until"])
    record("papers_erased", by=by, at=at, client=client.pk)
    transaction.on_commit(lambda: _delete_files(files))
    return client


def papers_due(today: datetime.date) -> QuerySet[Client]:
    """Erased clients whose papers need not be kept any longer."""
    return Client.objects.filter(erased_at__isnull=False, papers_until__lt=today)


def _erase_letters(client: Client) -> list[str]:
    letters = letters_of(client)
    enclosed = list(Attachment.objects.filter(emails__in=letters).distinct())
    for letter in letters:
        letter.delete()
    files = []
    for attachment in enclosed:
        if not attachment.emails.exists():
            files.append(attachment.file.name)
            attachment.delete()
    return files


def _erase_estimate(estimate: Estimate) -> list[str]:
    name = estimate.sent_pdf.name
    Estimate.objects.filter(pk=estimate.pk).update(sent_to="", intro="", sent_pdf="")
    estimate.answers.update(name="", text="", reply="")
    return [name] if name else []


def _erase_bills(client: Client) -> list[str]:
    files = [bill.pdf.name for bill in _bills(client) if bill.pdf]
    # The one change an issued bill takes (see the trigger): whom it went to, and its paper.
    _bills(client).update(addressee="", pdf="")
    return files


def _delete_files(names: Iterable[str]) -> None:
    """Files that nothing names any more; an enclosure may be the very file of a paper that is kept."""
    for name in set(names):
        kept = Estimate.objects.filter(sent_pdf=name).exists() or Bill.objects.filter(pdf=name).exists()
        if not kept and not Attachment.objects.filter(file=name).exists():
            default_storage.delete(name)

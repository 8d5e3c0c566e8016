"""Estimates: drafted, edited, sent, answered. A version that was sent is never changed; a change is a new version."""

import datetime
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.core.files.base import ContentFile
from django.db import transaction
from django.db.models import Max
from django.urls import reverse
from django.utils import formats, timezone
from django.utils.translation import gettext as _

from shop.core import money
from shop.core.errors import MeasurementError
from shop.documents.estimate import estimate_html
from shop.documents.pdf import render_pdf
from shop.models import (
    Answer,
    AnswerKind,
    ClientKind,
    Estimate,
    EstimateState,
    HoldFor,
    Job,
    Line,
    LineKind,
    Link,
    Operation,
    Option,
    PaymentKind,
    PaymentMethod,
    Person,
    TaxClass,
    Unit,
    Workshop,
    token_hash,
)
from shop.workflow import bills, confirmations, letters, promises, stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused

MOST_OPTIONS = 3
MOST_LINES = 80
MOST_UNITS, MOST_EACH = 9999, Decimal(10**8)
LETTERS = "ABC"
# A link goes on showing the estimate for a while after its last day, so that the client can ask for a fresh one,
# and for years after a yes: what was agreed, and its PDF, are then the client's paper.
LINK_DAYS = 60
LINK_DAYS_AGREED = 3 * 365
# Lines that repair what stripping may show: what an allowance is priced by where no price is given.
ALLOWANCE_CODE = "repair"


@dataclass(frozen=True)
class DraftLine:
    """A line to be: code of an operation of the price list ("" for free work, which needs title and unit_price).

    quantity in the operation's unit; unit_price before tax, None takes the price list's; a discount's is positive here
    and taken off, or percent says which share of the work. kind is one of LineKind. tax None: that of the operation,
    or the usual one.
    """

    code: str
    quantity: Decimal
    section: str = ""
    title: str | None = None
    unit_price: Decimal | None = None
    percent: Decimal | None = None
    kind: str = LineKind.WORK
    tax: TaxClass | None = None


@dataclass(frozen=True)
class DraftOption:
    """An option to be, with the lines that only it has. points: a sentence each."""

    title: str
    subtitle: str = ""
    points: tuple[str, ...] = ()
    advised: bool = False
    lines: tuple[DraftLine, ...] = ()


@dataclass(frozen=True)
class Told:
    """What came of an answer: the row that stands, whether it is new, and a sentence for whoever gave it."""

    answer: Answer
    fresh: bool
    sentence: str


# --- drafts --------------------------------------------------------------------------------------


def price_of(operation: Operation, workshop: Workshop) -> Decimal:
    """An operation's price for one unit, before tax."""
    return money.unit_price(operation.minutes, workshop.hourly_rate, operation.material_price, workshop.currency)


def _line(estimate: Estimate, option: Option | None, draft: DraftLine, place: int, prices: "_Prices") -> Line:
    operation = prices.find(draft.code) if draft.code else None
    price, listed = draft.unit_price if draft.percent is None else Decimal(0), None
    if operation is None and (not draft.title or price is None):
        raise Refused(_("Work that is not in the price list needs words and a price."))
    if price is None:
        assert operation is not None
        price = price_of(operation, prices.workshop)
        if estimate.trade_discount:
            listed, price = price, trade_price(price, estimate)
    elif operation is not None and estimate.trade_discount and draft.percent is None:
        now = price_of(operation, prices.workshop)  # what an allowance was agreed at is the list's price less the same
        listed = now if price == trade_price(now, estimate) else None
    if not 0 < draft.quantity <= MOST_UNITS or abs(price) > MOST_EACH:
        raise Refused(_("These amounts are too large to add up."))
    if draft.kind == LineKind.DISCOUNT:
        price = -abs(price)
    tax = draft.tax or (operation.tax if operation else None)
    return Line(
        estimate=estimate,
        option=option,
        operation=operation,
        kind=draft.kind,
        title=(draft.title or (operation.title if operation else ""))[:160],
        section=draft.section[:80],
        quantity=draft.quantity,
        unit=operation.unit if operation else Unit.PIECE,
        unit_price=price,
        percent=draft.percent,
        list_price=listed,
        tax_name=tax.name if tax else "",
        tax_rate=tax.rate if tax else None,
        minutes=operation.minutes if operation and draft.kind != LineKind.DISCOUNT else Decimal(0),
        stage=operation.stage if operation and draft.kind != LineKind.DISCOUNT else "",
        proves=operation.proves if operation and draft.kind != LineKind.DISCOUNT else [],
        position=place,
    )


def trade_price(price: Decimal, estimate: Estimate) -> Decimal:
    """A price of the list as a technician pays it, rounded."""
    return money.share(price, 100 - estimate.trade_discount, estimate.currency)


class _Prices:
    """The price list of a day, read once."""

    def __init__(self, workshop: Workshop, day: datetime.date) -> None:
        self.workshop = workshop
        self._rows = {row.code: row for row in Operation.objects.as_of(day)}

    def find(self, code: str) -> Operation:
        """The operation, retired or not; a code that is not there is refused with a sentence."""
        try:
            return self._rows[code]
        except KeyError:
            raise Refused(_("The price list has no operation “%(code)s”.") % {"code": code}) from None

    def price(self, code: str) -> Decimal | None:
        """Its price, or None."""
        return price_of(self._rows[code], self.workshop) if code in self._rows else None


def _settled(estimate: Estimate) -> Estimate:
    """The estimate with its lines, read afresh."""
    return Estimate.objects.with_lines().select_related("job__client", "job__instrument").get(pk=estimate.pk)


def _next_of(job: Job) -> tuple[int, int]:
    """Number and version of the job's next draft: one number a job, versions counted up."""
    last = job.estimates.order_by("-number", "-version").first()
    if last is not None:
        return last.number, last.version + 1
    # The workshop's row is the lock that makes numbers unique on any database.
    Workshop.objects.select_for_update().first()
    return (Estimate.objects.aggregate(highest=Max("number"))["highest"] or 0) + 1, 1


def _lock_to_write(job: Job) -> Job:
    """The job, locked, where a draft may be begun: the set is here and nothing else is being written for it."""
    job = stages.lock(job)
    if job.left_at:
        raise Refused(_("This set has gone home."))
    writing = job.estimates.filter(state=EstimateState.DRAFT).first()
    if writing is not None:
        raise Refused(
            _("%(estimate)s version %(version)d is still being written: edit it, send it or throw it away first.")
            % {"estimate": writing.title, "version": writing.version}
        )
    return job


@transaction.atomic
def estimate_draft(
    *,
    job: Job,
    options: Sequence[DraftOption],
    common: Sequence[DraftLine] = (),
    intro: str = "",
    allowance_keys: int = 0,
    allowance_price: Decimal | None = None,
    working_days: int | None = None,
    photos: Iterable[uuid.UUID | str] = (),
    by: Person,
    at: datetime.datetime | None = None,
    **details: Any,
) -> Estimate:
    """A draft with one to three options, lettered in the order given, terms and rates copied from the workshop.

    allowance_price None: the price list's for lining a mortise. working_days None: reckoned from the rack as it is.
    details go into the event (decision=pk, ...).
    """
    at = at or timezone.now()
    if not 1 <= len(options) <= MOST_OPTIONS:
        raise Refused(_("An estimate has one to three options."))
    workshop = Workshop.ours()
    job = _lock_to_write(job)
    prices = _Prices(workshop, timezone.localdate(at))
    number, version = _next_of(job)
    trade = job.client.kind == ClientKind.TECHNICIAN
    estimate = Estimate.objects.create(
        number=number,
        version=version,
        job=job,
        intro=intro,
        currency=workshop.currency,
        tax_name=workshop.tax_name,
        tax_rate=workshop.tax_rate,
        trade_discount=workshop.trade_discount if trade else 0,
        deposit_rate=workshop.deposit_rate,
        valid_until=timezone.localdate(at) + datetime.timedelta(days=workshop.estimate_days),
        working_days=working_days,
        allowance_keys=allowance_keys,
        allowance_price=allowance_price or Decimal(0),
        terms=(trade and workshop.trade_terms) or workshop.terms,
        photos=[str(photo) for photo in photos],
        created_at=at,
        created_by=by,
    )
    if allowance_price is None and allowance_keys and (price := prices.price(ALLOWANCE_CODE)) is not None:
        _save(estimate, {"allowance_price": trade_price(price, estimate)})
    rows: list[Line] = []
    for letter, draft in zip(LETTERS, options, strict=False):
        option = Option.objects.create(
            estimate=estimate,
            letter=letter,
            title=draft.title[:80],
            subtitle=draft.subtitle[:120],
            points="\n".join(draft.points),
            advised=draft.advised,
        )
        rows += [_line(estimate, option, line, place, prices) for place, line in enumerate(draft.lines, start=1)]
    rows += [_line(estimate, None, line, place, prices) for place, line in enumerate(common, start=1)]
    Line.objects.bulk_create(rows)
    _check_sums(estimate)
    if working_days is None:
        days = promises.working_days_for(estimate, at=at)
        _save(estimate, {"working_days": days, "days_reckoned": days})
    record("estimate_drafted", by=by, job=job, at=at, estimate=estimate.title, version=version, **details)
    return estimate


def _copy(estimate: Estimate, *, by: Person, at: datetime.datetime, **changed: Any) -> tuple[Estimate, Estimate]:
    """The version read afresh, and a draft of the next version without options and lines."""
    job = _lock_to_write(estimate.job)
    old = _settled(estimate)
    workshop = Workshop.ours()
    same = ("intro", "currency", "trade_discount", "deposit_rate", "working_days", "allowance_price", "terms", "photos")
    values = {
        **{name: getattr(old, name) for name in same},
        # What the allowance has been used for is in the new version's own lines.
        "allowance_keys": old.allowance_keys - old.hidden_keys,
        **changed,
    }
    new = Estimate.objects.create(
        number=old.number,
        version=_next_of(job)[1],
        job=job,
        tax_name=workshop.tax_name,
        tax_rate=workshop.tax_rate,
        valid_until=timezone.localdate(at) + datetime.timedelta(days=workshop.estimate_days),
        created_at=at,
        created_by=by,
        **values,
    )
    return old, new


def _copy_option(option: Option, estimate: Estimate, letter: str) -> Option:
    return Option.objects.create(
        estimate=estimate,
        letter=letter,
        title=option.title,
        subtitle=option.subtitle,
        points=option.points,
        advised=option.advised,
    )


def _copy_lines(lines: Iterable[tuple[Line, Option | None, str]], estimate: Estimate) -> None:
    """Lines with the option and the kind they have in the copy."""
    rows = []
    for line, option, kind in lines:
        line.pk, line.option, line.estimate, line.kind = None, option, estimate, kind
        line._state.adding = True
        rows.append(line)
    Line.objects.bulk_create(rows)


@transaction.atomic
def estimate_new_version(estimate: Estimate, *, by: Person, at: datetime.datetime | None = None) -> Estimate:
    """A draft that begins as a copy of a version that was sent, at the prices that version has."""
    at = at or timezone.now()
    old, new = _copy(estimate, by=by, at=at)
    copies: dict[int | None, Option | None] = {None: None}
    for option in old.options.all():
        copies[option.pk] = _copy_option(option, new, option.letter)
    _copy_lines(
        [
            (line, copies[line.option_id], LineKind.WORK if line.kind == LineKind.HIDDEN else line.kind)
            for line in old.lines.all()
        ],
        new,
    )
    record(
        "estimate_drafted",
        by=by,
        job=new.job,
        at=at,
        estimate=new.title,
        version=new.version,
        copied_from=old.version,
    )
    return new


@transaction.atomic
def estimate_revise(
    estimate: Estimate,
    *,
    found: Sequence[DraftLine],
    intro: str,
    points: Sequence[str] | None = None,
    by: Person,
    at: datetime.datetime | None = None,
) -> Estimate:
    """A draft of the next version of what was agreed: its one option with the extras the client chose, and what was
    found since; points None keeps the option's. Without an allowance, since nothing is hidden any more, and without a
    deposit where that has come already. Refused where nothing is agreed."""
    at = at or timezone.now()
    agreed = _settled(estimate).agreed
    if agreed is None or estimate.state != EstimateState.ACCEPTED:
        raise Refused(_("Nothing is agreed yet that could be revised."))
    changed: dict[str, Any] = {"intro": intro, "allowance_keys": 0, "allowance_price": Decimal(0)}
    if estimate.deposit_paid_at is not None:
        changed["deposit_rate"] = Decimal(0)
    old, new = _copy(estimate, by=by, at=at, **changed)
    option = _copy_option(agreed.option, new, LETTERS[0])
    if points is not None:
        _save(option, {"points": "\n".join(points)})
    kept = [(line, LineKind.WORK if line.kind == LineKind.EXTRA else line.kind) for line in agreed.lines]
    kept += [(line, LineKind.WORK) for line in old.hidden]
    _copy_lines([(line, option if line.option_id else None, kind) for line, kind in kept], new)
    last = max((line.position for line, _kind in kept), default=0)
    prices = _Prices(Workshop.ours(), timezone.localdate(at))
    Line.objects.bulk_create(
        [_line(new, option, draft, place, prices) for place, draft in enumerate(found, start=last + 1)]
    )
    _check_sums(new)
    days = promises.working_days_for(new, at=at)
    _save(new, {"working_days": days, "days_reckoned": days})
    record(
        "estimate_drafted",
        by=by,
        job=new.job,
        at=at,
        estimate=new.title,
        version=new.version,
        copied_from=old.version,
        revised=True,
    )
    return new


@transaction.atomic
def allowance_use(
    estimate: Estimate,
    *,
    keys: int,
    section: str,
    to: str = "",
    message: str = "",
    by: Person,
    at: datetime.datetime | None = None,
) -> Line:
    """Hidden damage within what the client agreed to: so many keys become agreed work (section names them), and the
    client is told by a letter where to names an address. Refused beyond the allowance."""
    at = at or timezone.now()
    _job, row = _with_client(estimate)
    if row.state != EstimateState.ACCEPTED:
        raise Refused(_("Only an agreed estimate has an allowance to use."))
    row = _settled(row)
    if not 0 < keys <= row.allowance_keys - row.hidden_keys:
        raise Refused(_("That is more than the allowance covers: a revised estimate must go out first."))
    prices = _Prices(Workshop.ours(), timezone.localdate(at))
    operation = prices.find(ALLOWANCE_CODE)
    line = Line.objects.create(
        estimate=row,
        operation=operation,
        kind=LineKind.HIDDEN,
        title=operation.title,
        section=section[:80],
        quantity=Decimal(keys),
        unit=Unit.KEY,
        unit_price=row.allowance_price,
        minutes=operation.minutes,
        stage=operation.stage,
        position=max((line.position for line in row.lines.all()), default=0) + 1,
    )
    stages.agree_work(row.job, minutes_by_stage(_settled(row).agreed_work))
    if to:
        letters.letter_queue(
            to=to,
            subject=_("Your keyboard %(tag)s: what we found under the old cloth") % {"tag": row.job.tag},
            text=message.strip(),
            by=by,
        )
    record(
        "allowance_used",
        by=by,
        job=row.job,
        at=at,
        estimate=row.title,
        version=row.version,
        keys=keys,
        sum=str(line.total),
        currency=row.currency,
        letter=bool(to),
    )
    return line


def _draft(estimate: Estimate) -> Estimate:
    """The draft's row, locked. What was sent is never changed."""
    row = Estimate.objects.select_for_update().get(pk=estimate.pk)
    if not row.is_draft:
        raise Refused(_("This version has been sent and cannot be changed any more. Make a new version."))
    return row


def _save(row: Any, values: Mapping[str, Any]) -> None:
    changed = [name for name, value in values.items() if getattr(row, name) != value]
    for name in changed:
        setattr(row, name, values[name])
    if changed:
        row.save(update_fields=changed)


@transaction.atomic
def draft_change(
    estimate: Estimate,
    *,
    values: Mapping[str, Any],
    options: Mapping[int, Mapping[str, Any]],
    lines: Mapping[int, Mapping[str, Any]],
    by: Person,
) -> Estimate:
    """Keeps what was typed on the draft's page: fields of the estimate, of its options and lines (by primary key).

    An option or a line that somebody else has removed meanwhile is passed over. by is asked for like everywhere;
    a draft leaves no event until it is sent, since nobody outside has seen it.
    """
    row = _draft(estimate)
    _save(row, values)
    for option in row.options.all():
        if option.pk in options:
            _save(option, options[option.pk])
    here = {None, *row.options.values_list("pk", flat=True)}
    for line in row.lines.all():
        typed = lines.get(line.pk, {})
        _save(line, {name: value for name, value in typed.items() if name != "option_id" or value in here})
    _save(row, {"days_reckoned": promises.working_days_for(row)})
    return row


@transaction.atomic
def line_add(estimate: Estimate, draft: DraftLine, *, option: Option | None = None, by: Person) -> Line:
    """Adds a line at the end of an option, or of the lines common to all."""
    row = _draft(estimate)
    last = row.lines.filter(option=option).aggregate(last=Max("position"))["last"] or 0
    line = _line(row, option, draft, last + 1, _Prices(Workshop.ours(), timezone.localdate()))
    line.save()
    _check_sums(row)
    return line


def _check_sums(estimate: Estimate) -> None:
    """Refuses amounts that no sum can hold, before they are kept."""
    row = _settled(estimate)
    try:
        for priced in row.offer:
            row.priced(priced.option, row.extras)
    except MeasurementError:
        raise Refused(_("These amounts are too large to add up.")) from None
    if row.lines.count() > MOST_LINES:
        raise Refused(_("An estimate holds at most %(most)d lines.") % {"most": MOST_LINES})


@transaction.atomic
def line_remove(estimate: Estimate, line_id: int, *, by: Person) -> None:
    """Takes a line off the draft; one that is gone already is no trouble."""
    _draft(estimate).lines.filter(pk=line_id).delete()


@transaction.atomic
def line_move(estimate: Estimate, line_id: int, *, up: bool, by: Person) -> None:
    """Changes places with the neighbour above or below, in the same option and of the same kind."""
    row = _draft(estimate)
    moving = row.lines.filter(pk=line_id).first()
    if moving is None:
        return
    group = [
        line
        for line in row.lines.filter(option=moving.option)
        if (line.kind == LineKind.EXTRA) == (moving.kind == LineKind.EXTRA)
    ]
    index = next(place for place, line in enumerate(group) if line.pk == line_id)
    other = index + (-1 if up else 1)
    if 0 <= other < len(group):
        group[index], group[other] = group[other], group[index]
    for place, line in enumerate(group, start=1):
        _save(line, {"position": place})


@transaction.atomic
def option_add(estimate: Estimate, *, by: Person) -> Option:
    """One more empty option, as long as there is a letter for it."""
    row = _draft(estimate)
    taken = row.options.count()
    if taken >= MOST_OPTIONS:
        raise Refused(_("An estimate has one to three options."))
    return Option.objects.create(estimate=row, letter=LETTERS[taken], title=_("Another way"))


@transaction.atomic
def option_remove(estimate: Estimate, option_id: int, *, by: Person) -> None:
    """Takes an option with its lines off the draft; the others are lettered anew."""
    row = _draft(estimate)
    if row.options.count() < 2:
        raise Refused(_("An estimate keeps at least one option."))
    row.options.filter(pk=option_id).delete()
    for letter, option in zip(LETTERS, row.options.all(), strict=False):
        _save(option, {"letter": letter})


@transaction.atomic
def estimate_discard(estimate: Estimate, *, by: Person, at: datetime.datetime | None = None) -> None:
    """Throws a draft away. Nobody outside has seen it; its version number is used again."""
    row = _draft(estimate)
    job, title, version = row.job, row.title, row.version
    row.delete()
    record("estimate_discarded", by=by, job=job, at=at, estimate=title, version=version)


# --- sending -------------------------------------------------------------------------------------


def why_not_ready(estimate: Estimate) -> str:
    """A sentence that says what a draft still lacks before it can go out, or ""."""
    offer = estimate.offer
    for priced in offer:
        if not priced.lines:
            return _("Option %(letter)s has no work in it.") % {"letter": priced.option.letter}
        if priced.totals.net <= 0:
            return _("Option %(letter)s costs nothing. Check its lines and discounts.") % {
                "letter": priced.option.letter
            }
    return "" if offer else _("An estimate has one to three options.")


def link_address(token: str) -> str:
    """The full address that a letter carries."""
    return settings.SITE_ADDRESS + reverse("estimate_answer", args=[token])


def letter_text(estimate: Estimate, message: str, token: str) -> str:
    """The letter: the person's own words, the link, how to reach us."""
    workshop = Workshop.ours()
    reach = " · ".join(part for part in (workshop.phone, workshop.email) if part)
    return "\n\n".join(
        part
        for part in (
            message.strip(),
            _("Read it, compare the options, ask, say yes or no here:") + "\n" + link_address(token),
            _("The estimate is good until %(date)s and is attached as a PDF.")
            % {"date": formats.date_format(estimate.valid_until, "DATE_FORMAT")},
            _("This link is for you alone: whoever has it can answer for you."),
            "\n".join(part for part in (workshop.name, reach) if part),
        )
        if part
    )


def usual_message(estimate: Estimate) -> str:
    """The words a letter begins with, for the owner to change."""
    job = estimate.job
    if estimate.version == 1:
        words = _("Dear %(name)s,\n\nhere is our estimate %(estimate)s for your keyboard %(tag)s (%(instrument)s).")
    else:
        words = _(
            "Dear %(name)s,\n\nour estimate %(estimate)s for your keyboard %(tag)s (%(instrument)s) has changed: this"
            " is version %(version)d. It says what is new and why."
        )
    return words % {
        "name": job.client.contact or job.client.name,
        "estimate": estimate.title,
        "version": estimate.version,
        "tag": job.tag,
        "instrument": job.instrument.title,
    }


def usual_reminder(estimate: Estimate) -> str:
    """The words a reminder begins with, for the owner to change."""
    job = estimate.job
    return _(
        "Dear %(name)s,\n\non %(day)s we sent you our estimate %(estimate)s for your keyboard %(tag)s (%(instrument)s)"
        " and have not heard from you yet. Is anything unclear? A question is as welcome as a yes or a no."
    ) % {
        "name": job.client.contact or job.client.name,
        "day": formats.date_format(timezone.localtime(estimate.sent_at), "DATE_FORMAT"),
        "estimate": estimate.title,
        "tag": job.tag,
        "instrument": job.instrument.title,
    }


def _new_link(
    estimate: Estimate, *, to: str, message: str, by: Person, at: datetime.datetime, ends_older: bool = True
) -> Link:
    """A link with a fresh token, and the letter that carries it. Older links end, unless the letter only reminds."""
    if ends_older:
        alive = estimate.links.filter(withdrawn_at__isnull=True)
        _withdraw_links(alive, at=at, why=_("A newer letter took its place."))
    token = Link.new_token()
    letter = letters.letter_queue(
        to=to,
        subject=_("Estimate %(estimate)s for your keyboard %(tag)s")
        % {"estimate": estimate.title, "tag": estimate.job.tag},
        text=letter_text(estimate, message, token),
        by=by,
        enclosures=[letters.Enclosure(f"{estimate.file_name}.pdf", stored=estimate.sent_pdf.name)],
    )
    return Link.objects.create(
        estimate=estimate,
        letter=letter,
        token_hash=token_hash(token),
        created_at=at,
        expires_at=_link_end(estimate, days=LINK_DAYS),
    )


def _link_end(estimate: Estimate, *, days: int) -> datetime.datetime:
    last = estimate.valid_until + datetime.timedelta(days=days)
    return timezone.make_aware(datetime.datetime.combine(last, datetime.time.max))


def _withdraw_links(links: Any, *, at: datetime.datetime, why: str) -> None:
    for link in links.select_related("letter"):
        link.withdrawn_at = at
        link.save(update_fields=["withdrawn_at"])
        if link.letter is not None:
            letters.letter_stop(link.letter, why=why)


def estimate_send(
    estimate: Estimate, *, to: str, by: Person, message: str = "", at: datetime.datetime | None = None
) -> Estimate:
    """The draft goes to the client: its PDF is kept as it went out, a letter with PDF and link is queued.

    to "" hands it over on paper: no link, the answer is taken down at the counter. Older versions that were with the
    client are replaced and their links end. While an agreed version stands, the job waits on hold for the new answer.
    The PDF is made before anything is locked; the draft must then still read the same.
    """
    at = at or timezone.now()
    shown = _settled(estimate)
    if sentence := why_not_ready(shown):
        raise Refused(sentence)
    shown.days_reckoned = promises.working_days_for(shown, at=at)
    html = estimate_html(shown, sent_at=at)
    pdf = render_pdf(html)
    with transaction.atomic():
        job = stages.lock(estimate.job)
        row = _draft(estimate)
        if job.left_at:
            raise Refused(_("This set has gone home."))
        if row.is_over(timezone.localdate(at)):
            raise Refused(_("The day it is good until has passed. Give it a later one."))
        row.days_reckoned = shown.days_reckoned
        row.save(update_fields=["days_reckoned"])
        if estimate_html(_settled(row), sent_at=at) != html:
            raise Refused(_("Somebody has just changed this estimate. Look at it again, then send it."))
        older = job.estimates.exclude(pk=row.pk).filter(state__in=(EstimateState.SENT, EstimateState.DECLINED))
        for old in older:
            old.state = EstimateState.REPLACED
            old.save(update_fields=["state"])
        _withdraw_links(
            Link.objects.filter(estimate__job=job, withdrawn_at__isnull=True).exclude(
                estimate__state=EstimateState.ACCEPTED
            ),
            at=at,
            why=_("A newer version took its place."),
        )
        row.state, row.sent_at, row.sent_to = EstimateState.SENT, at, to.strip()
        row.sent_pdf.save(f"{row.file_name}.pdf", ContentFile(pdf), save=False)
        row.save(update_fields=["state", "sent_at", "sent_to", "sent_pdf"])
        row.job = job
        if row.sent_to:
            _new_link(row, to=row.sent_to, message=message or usual_message(row), by=by, at=at)
        record(
            "estimate_sent", by=by, job=job, at=at, estimate=row.title, version=row.version, letter=bool(row.sent_to)
        )
        stages.advance(job, "estimate", by=by, at=at)
        agreed = job.estimates.filter(state=EstimateState.ACCEPTED).exists()
        job.refresh_from_db(fields=["held_since"])
        if agreed and not job.held_since:
            reason = _("Waiting for the answer to %(estimate)s version %(version)d.") % {
                "estimate": row.title,
                "version": row.version,
            }
            stages.job_hold(job, by=by, reason=reason, waits_for=HoldFor.CLIENT, at=at)
    return row


def _release(estimate: Estimate, *, by: Person | None, at: datetime.datetime) -> None:
    """Takes the job off the hold that sending this version put it on; a hold of anybody else stays."""
    job = stages.lock(estimate.job)
    if job.held_since and job.held_since == estimate.sent_at:
        stages.job_release(job, by=by, at=at)


@transaction.atomic
def link_resend(
    estimate: Estimate, *, to: str, by: Person, message: str = "", at: datetime.datetime | None = None
) -> Link:
    """A new letter with a new link; the link before ends, since a lost letter may be in anybody's hands."""
    at = at or timezone.now()
    row = Estimate.objects.select_for_update().select_related("job__client", "job__instrument").get(pk=estimate.pk)
    if row.state not in (EstimateState.SENT, EstimateState.ACCEPTED):
        raise Refused(_("Only an estimate that is with the client, or agreed, has a link."))
    link = _new_link(row, to=to, message=message or usual_message(row), by=by, at=at)
    if row.state == EstimateState.ACCEPTED:
        link.expires_at = _link_end(row, days=LINK_DAYS_AGREED)
        link.save(update_fields=["expires_at"])
    row.sent_to = to.strip()
    row.save(update_fields=["sent_to"])
    record("link_sent_again", by=by, job=row.job, at=at, estimate=row.title, version=row.version)
    return link


@transaction.atomic
def estimate_remind(
    estimate: Estimate, *, to: str, by: Person, message: str = "", at: datetime.datetime | None = None
) -> Link:
    """Reminds the client of an estimate that has no answer: a letter with a link of its own (tokens are not kept, so
    the old one cannot be written again); the first letter's link goes on opening."""
    at = at or timezone.now()
    row = Estimate.objects.select_for_update(of=("self",)).select_related("job__client", "job__instrument")
    row = row.get(pk=estimate.pk)
    if row.state != EstimateState.SENT:
        raise Refused(_("Only an estimate that is with the client can be reminded of."))
    if row.is_over(timezone.localdate(at)):
        raise Refused(_("The day it is good until has passed: make a new version."))
    link = _new_link(row, to=to, message=message or usual_reminder(row), by=by, at=at, ends_older=False)
    row.reminded_at = at
    row.save(update_fields=["reminded_at"])
    record("estimate_reminded", by=by, job=row.job, at=at, estimate=row.title, version=row.version)
    return link


@transaction.atomic
def link_withdraw(estimate: Estimate, *, by: Person, at: datetime.datetime | None = None) -> None:
    """The client's link ends; the estimate itself stays as it is."""
    at = at or timezone.now()
    row = Estimate.objects.select_for_update().select_related("job").get(pk=estimate.pk)
    alive = row.links.filter(withdrawn_at__isnull=True)
    if not alive.exists():
        raise Refused(_("There is no link to withdraw."))
    _withdraw_links(alive, at=at, why=_("The link was withdrawn."))
    record("link_withdrawn", by=by, job=row.job, at=at, estimate=row.title, version=row.version)


@transaction.atomic
def estimate_withdraw(estimate: Estimate, *, by: Person, reason: str, at: datetime.datetime | None = None) -> Estimate:
    """The shop takes back a version that is with the client: its link ends, a letter still waiting is stopped."""
    at = at or timezone.now()
    job = stages.lock(estimate.job)
    row = Estimate.objects.select_for_update().get(pk=estimate.pk)
    if row.state != EstimateState.SENT:
        raise Refused(_("Only an estimate that is with the client can be withdrawn."))
    if not reason.strip():
        raise Refused(_("Say why it is withdrawn."))
    row.state = EstimateState.WITHDRAWN
    row.save(update_fields=["state"])
    _withdraw_links(row.links.filter(withdrawn_at__isnull=True), at=at, why=_("The estimate was withdrawn."))
    _release(row, by=by, at=at)
    record(
        "estimate_withdrawn",
        by=by,
        job=job,
        at=at,
        estimate=row.title,
        version=row.version,
        reason=reason.strip()[:200],
    )
    return row


# --- answers -------------------------------------------------------------------------------------


def estimate_seen(link: Link, *, at: datetime.datetime | None = None) -> None:
    """The client opened the link. Written at most once a minute, and as an event the first time only."""
    at = at or timezone.now()
    if link.last_seen_at and at - link.last_seen_at < datetime.timedelta(minutes=1):
        return
    with transaction.atomic():
        first = Link.objects.filter(pk=link.pk, first_seen_at__isnull=True).update(first_seen_at=at)
        Link.objects.filter(pk=link.pk).update(last_seen_at=at)
        if first:
            estimate = link.estimate
            record("estimate_seen", by=None, job=estimate.job, at=at, estimate=estimate.title, version=estimate.version)


def _with_client(estimate: Estimate) -> tuple[Job, Estimate]:
    """Job and estimate, both locked, in the order in which everything here locks them."""
    job = stages.lock(estimate.job)
    row = Estimate.objects.select_for_update().get(pk=estimate.pk)
    row.job = job
    return job, row


def why_closed(estimate: Estimate, today: datetime.date) -> str:
    """A sentence for whoever wants to answer a version that takes no answer any more, or ""."""
    state = EstimateState(estimate.state)
    if state == EstimateState.SENT:
        if estimate.is_over(today):
            return _("This estimate was good until %(date)s. Ask us for a fresh one.") % {
                "date": formats.date_format(estimate.valid_until, "DATE_FORMAT")
            }
        return ""
    return {
        EstimateState.DRAFT: _("This estimate has not been sent yet."),
        EstimateState.ACCEPTED: _("You have said yes to this estimate already."),
        EstimateState.DECLINED: _("You have said no to this estimate. Ask us if you would like a new one."),
        EstimateState.WITHDRAWN: _("We have taken this estimate back. Ask us for a new one."),
        EstimateState.REPLACED: _("A newer version has taken the place of this estimate. Please read that one."),
    }[state]


def _promise(job: Job, estimate: Estimate, *, at: datetime.datetime) -> None:
    """Promises the day that the estimate's working days lead to. Until now the client had a number, not a date."""
    day = promises.promised_on(estimate, from_day=timezone.localdate(at))
    if day is not None:
        Job.objects.filter(pk=job.pk).update(promised_on=day)


def _said_yes(answer: Answer) -> str:
    assert answer.option is not None
    return _("%(name)s said yes to option %(letter)s on %(date)s, and that stands.") % {
        "name": answer.name,
        "letter": answer.option.letter,
        "date": formats.date_format(timezone.localtime(answer.at), "DATETIME_FORMAT"),
    }


def _name(name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise Refused(_("Write your name."))
    return name[:120]


def minutes_by_stage(lines: Iterable[Line]) -> dict[str, Decimal]:
    """Expected minutes of each stage that the lines are done at."""
    minutes: dict[str, Decimal] = {}
    for line in lines:
        if line.stage and line.kind != LineKind.DISCOUNT:
            minutes[line.stage] = minutes.get(line.stage, Decimal(0)) + line.quantity * line.minutes
    return {stage: total.quantize(Decimal("0.1")) for stage, total in minutes.items()}


@transaction.atomic
def estimate_accept(
    estimate: Estimate,
    *,
    option: Option | str,
    name: str,
    extras: Collection[int] = (),
    text: str = "",
    by: Person | None = None,
    at: datetime.datetime | None = None,
) -> Told:
    """The client says yes to one option (a row or its letter), with extras by primary key.

    by is who took it down by phone or at the counter; None where the client answered through the link. A second yes
    to the same option changes nothing and is told; a yes to another, or to a version that takes no answer, is refused.
    """
    at = at or timezone.now()
    name = _name(name)
    job, row = _with_client(estimate)
    letter = option if isinstance(option, str) else option.letter
    if row.state == EstimateState.ACCEPTED:
        given = row.answers.select_related("option").get(kind=AnswerKind.YES)
        assert given.option is not None
        if given.option.letter == letter:
            return Told(given, False, _said_yes(given))
        raise Refused(_said_yes(given))
    if sentence := why_closed(row, timezone.localdate(at)):
        raise Refused(sentence)
    if job.left_at:
        raise Refused(_("This set has gone home. Please call us."))
    row = _settled(row)
    chosen = next((one for one in row.options.all() if one.letter == letter), None)
    if chosen is None:
        raise Refused(_("Choose one of the options."))
    added = [line for line in row.extras if line.pk in set(extras)]
    if len(added) != len(set(extras)):
        raise Refused(_("One of the extras is not part of this estimate. Choose again."))

    for old in job.estimates.filter(state=EstimateState.ACCEPTED):
        row.deposit_paid_at = old.deposit_paid_at
        old.state = EstimateState.REPLACED
        old.save(update_fields=["state"])
        _withdraw_links(old.links.filter(withdrawn_at__isnull=True), at=at, why=_("A newer version took its place."))
    answer = Answer.objects.create(
        estimate=row, kind=AnswerKind.YES, option=chosen, name=name, text=text.strip(), at=at, taken_by=by
    )
    answer.extras.set(added)
    row.state = EstimateState.ACCEPTED
    row.save(update_fields=["state", "deposit_paid_at"])
    row.links.filter(withdrawn_at__isnull=True).update(expires_at=_link_end(row, days=LINK_DAYS_AGREED))
    agreed = row.priced(chosen, added)
    _release(row, by=by, at=at)
    stages.agree_work(job, minutes_by_stage(agreed.lines))
    for kind in ("estimate", "answer", "stripped_check"):  # the last where stripping had found more than was agreed
        stages.advance(job, kind, by=by, at=at)
    if not row.waits_for_deposit:
        _promise(job, row, at=at)
    row.job.refresh_from_db(fields=["promised_on"])
    _save(answer, {"letter": confirmations.confirm(answer, agreed, by=by)})
    record(
        "estimate_accepted",
        by=by,
        job=job,
        at=at,
        estimate=row.title,
        version=row.version,
        option=letter,
        extras=len(added),
        net=str(agreed.totals.net),
        currency=row.currency,
        taken_down=by is not None,
    )
    return Told(answer, True, _said_yes(answer))


@transaction.atomic
def estimate_decline(
    estimate: Estimate,
    *,
    reason: str = "",
    name: str,
    by: Person | None = None,
    at: datetime.datetime | None = None,
) -> Told:
    """The client says no. Where no work was agreed before, the set goes home as it came, without a final check."""
    at = at or timezone.now()
    name = _name(name)
    job, row = _with_client(estimate)
    if row.state == EstimateState.DECLINED:
        given = row.answers.get(kind=AnswerKind.NO)
        return Told(given, False, _("You have said no to this estimate already."))
    if row.state != EstimateState.SENT:
        raise Refused(why_closed(row, timezone.localdate(at)))
    answer = Answer.objects.create(estimate=row, kind=AnswerKind.NO, name=name, text=reason.strip(), at=at, taken_by=by)
    row.state = EstimateState.DECLINED
    row.save(update_fields=["state"])
    stages.advance(job, "estimate", by=by, at=at)
    stages.advance(job, "answer", by=by, at=at)
    stages.leave_untouched(job)
    record(
        "estimate_declined",
        by=by,
        job=job,
        at=at,
        estimate=row.title,
        version=row.version,
        taken_down=by is not None,
    )
    return Told(answer, True, _("Thank you for telling us. Nothing will be done on your keyboard."))


MOST_QUESTIONS = 50


@transaction.atomic
def question_ask(
    estimate: Estimate, *, text: str, name: str, by: Person | None = None, at: datetime.datetime | None = None
) -> Answer:
    """The client asks something; as often as they like, within reason."""
    at = at or timezone.now()
    if not text.strip():
        raise Refused(_("Write your question."))
    job, row = _with_client(estimate)
    if row.state == EstimateState.DRAFT:
        raise Refused(_("This estimate has not been sent yet."))
    if row.answers.filter(kind=AnswerKind.QUESTION).count() >= MOST_QUESTIONS:
        raise Refused(_("There are many questions here already. Please call us."))
    answer = Answer.objects.create(
        estimate=row, kind=AnswerKind.QUESTION, name=_name(name), text=text.strip(), at=at, taken_by=by
    )
    record("question_asked", by=by, job=job, at=at, estimate=row.title, version=row.version)
    return answer


@transaction.atomic
def question_reply(question: Answer, *, text: str, by: Person, at: datetime.datetime | None = None) -> Answer:
    """Our answer to a question: it stands on the client's page, and goes out as a letter where there is an address."""
    at = at or timezone.now()
    row = Answer.objects.select_for_update().select_related("estimate__job__client").get(pk=question.pk)
    if row.kind != AnswerKind.QUESTION or row.replied_at:
        raise Refused(_("This question has been answered."))
    if not text.strip():
        raise Refused(_("Write an answer."))
    row.reply, row.replied_at, row.replied_by = text.strip(), at, by
    estimate = row.estimate
    if estimate.sent_to:
        row.letter = letters.letter_queue(
            to=estimate.sent_to,
            subject=_("Your question about estimate %(estimate)s") % {"estimate": estimate.title},
            text="\n\n".join(
                (
                    _("You asked:") + "\n" + row.text,
                    row.reply,
                    _("You find this answer also behind the link in our letter with the estimate."),
                    Workshop.ours().name,
                )
            ),
            by=by,
        )
    row.save(update_fields=["reply", "replied_at", "replied_by", "letter"])
    record("question_answered", by=by, job=estimate.job, at=at, estimate=estimate.title, version=estimate.version)
    return row


@transaction.atomic
def deposit_receive(
    estimate: Estimate,
    *,
    by: Person,
    amount: Decimal | None = None,
    method: str = PaymentMethod.TRANSFER,
    received_on: datetime.date | None = None,
    note: str = "",
    op: uuid.UUID | None = None,
    at: datetime.datetime | None = None,
) -> Estimate:
    """The deposit has come, as a payment (amount None: what was asked for): from today on the working days of the
    promise count."""
    at = at or timezone.now()
    job, row = _with_client(estimate)
    if not row.waits_for_deposit:
        raise Refused(_("No deposit is open on this estimate."))
    agreed = _settled(row).agreed
    asked = agreed.totals.deposit if agreed is not None else Decimal(0)
    row.deposit_paid_at = at
    row.save(update_fields=["deposit_paid_at"])
    payment = bills.payment_keep(
        job,
        kind=PaymentKind.DEPOSIT,
        amount=asked if amount is None else amount,
        method=method,
        received_on=received_on or timezone.localdate(at),
        note=note,
        op=op,
        by=by,
        at=at,
    )
    _promise(job, row, at=at)
    record("deposit_received", by=by, job=job, at=at, estimate=row.title, version=row.version, payment=payment.title)
    return row

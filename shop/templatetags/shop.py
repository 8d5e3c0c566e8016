"""Small things every template may say: money, tags, stages in words."""

import re
from decimal import Decimal

from django import template
from django.utils.formats import date_format, number_format
from django.utils.html import format_html, format_html_join
from django.utils.timezone import localdate, localtime
from django.utils.translation import gettext

from shop import event_words
from shop.access import DESK, OWNER, may
from shop.core import money as core_money
from shop.core import route
from shop.formats import dated
from shop.models import Bill, BillLine, EstimateState, Event, Line, Payment
from shop.models.prices import percent_in_words, plain_number, units_in_words

register = template.Library()

register.filter(dated)


@register.filter
def get(mapping, name):
    """What a mapping holds under a name that is only known in the template; None where there is nothing."""
    return mapping.get(name)


@register.filter
def money(amount: Decimal | float | None, currency: str) -> str:
    """An amount with the currency's decimals and thin spaces between thousands: 1 709.60.

    What is paid is Decimal; a float is an expectation (a cost weighed by chances) and only ever shown.
    """
    if amount is None:
        return "–"
    if isinstance(amount, float):
        amount = Decimal(f"{amount:.6f}")
    rounded = core_money.round_money(amount, currency)
    return number_format(rounded, use_l10n=True, force_grouping=True)


@register.filter
def signed(amount: Decimal, currency: str) -> str:
    """A difference with its sign: +48.00, −12.00, 0.00."""
    sign = "+" if amount > 0 else "\u2212" if amount < 0 else ""
    return sign + money(abs(amount), currency)


@register.filter
def taken_off(payment: Payment, currency: str) -> str:
    """A payment as it stands under a bill: −512.90; money that went back counts the other way."""
    return money(-payment.amount, currency)


@register.filter
def amount(line: Line | BillLine) -> str:
    """So many units of a line: "88 keys", "1 set", "1.5 hours"; the share that a discount is."""
    return line.amount if isinstance(line, Line) else units_in_words(line.quantity, line.unit)


@register.filter
def percent(rate: Decimal) -> str:
    """A rate without needless zeros: 20 %, 7.5 %."""
    return percent_in_words(rate)


@register.filter
def in_sentence(name: str) -> str:
    """Names of taxes amid a sentence: the plain word small, a name such as VAT as the shop writes it."""
    return re.sub(rf"\b{re.escape(gettext('Tax'))}\b", gettext("tax"), name)


@register.filter
def plain(number: Decimal) -> str:
    """A number without needless zeros: 88, 1.5."""
    return plain_number(number)


@register.inclusion_tag("components/field.html")
def field(bound, **extra):
    """One field of a form with its label, hint and errors, tied together for screen readers.

    Options: kind ("wide", "short"), unit ("mm"), optional (a word after the label), line (choices side by side).
    """
    return {"field": bound, **extra}


@register.simple_tag
def route_rail(job, *, big: bool = False):
    """The job's stages as a rail with pins. Reads job.stages.all(): prefetch them.

    Written here: a list has forty rails of a dozen stages, which a template spends a fifth of its time on.
    """
    stages = list(job.stages.all())
    current = next((stage for stage in stages if stage.is_open), None)
    signs = {route.DONE: "done", route.SKIPPED: "skipped"}
    pins = []
    for stage in stages:
        here = stage is current
        sign = ("held" if job.held_since else "now") if here else signs.get(stage.state, "")
        day = date_format(localtime(stage.finished_at), "SHORT_DATE_FORMAT") if big and stage.finished_at else ""
        step = format_html(' aria-current="{}"', "step") if here else ""
        pins.append((sign, step, stage.title, format_html("<small>{}</small>", day) if day else ""))
    words = {
        "done": sum(not stage.is_open for stage in stages),
        "total": len(stages),
        "title": current.title if current else "",
    }
    return format_html(
        '<ol class="route{}" aria-label="{}">{}</ol>',
        " big" if big else "",
        gettext("Route: %(done)s of %(total)s done. %(title)s") % words,
        format_html_join("", '<li class="{}"{}><span>{}</span>{}</li>', pins),
    )


@register.filter
def in_words(event: Event) -> str:
    """What somebody did: "finished: Arrival check"."""
    return event_words.sentence(event)


@register.inclusion_tag("shop/estimates/_panel.html", takes_context=True)
def estimates_panel(context, job):
    """The job's estimates on its page, the newest first: state and choice. Two queries."""
    person = context["user"]
    rows = list(job.estimates.prefetch_related("answers__option").order_by("-number", "-version"))
    for row in rows:
        row.past = row.state == EstimateState.SENT and row.is_over(localdate())
        answer = row.answer
        row.chosen = answer.option if answer else None
    writes = may(person, OWNER) and not job.left_at and not any(row.is_draft for row in rows)
    return {"rows": rows, "job": job, "opens": may(person, DESK), "writes": writes}


@register.inclusion_tag("shop/bills/_panel.html", takes_context=True)
def money_panel(context, job):
    """What was paid for a job and what is owed, on its page. Five queries, however many rows."""
    person = context["user"]
    rows = list(job.bills.with_payments().order_by("-created_at", "-pk"))
    payments = list(job.payments.select_related("corrected_by", "corrects"))
    live = next((row for row in rows if not row.is_draft and not row.is_credit and row.cancelled_by is None), None)
    writing = next((row for row in rows if row.is_draft), None)
    return {
        "job": job,
        "rows": rows,
        "payments": payments,
        "paid": sum((row.amount for row in payments), Decimal(0)),
        "currency": payments[0].currency if payments else "",
        "live": live,
        "writes": live is None and writing is None,
        "opens": may(person, DESK),
        "owner": may(person, OWNER),
    }


@register.inclusion_tag("shop/bills/_client.html", takes_context=True)
def client_owed(context, client):
    """What a client owes, for the office and the desk. Two queries."""
    if not may(context["user"], DESK):
        return {"rows": []}
    # Nothing is owed on drafts, credit notes and cancelled bills; asked for live ones, SQLite looks through all bills.
    bills = Bill.objects.filter(job__client=client).with_payments()
    return {"rows": [(bill, bill.owed, bill.late) for bill in bills if bill.owed]}

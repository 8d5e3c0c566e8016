"""What goes to a client after a yes: a short letter of what was agreed, with the estimate as it was sent."""

import html

from django.template.loader import render_to_string
from django.utils.html import strip_tags
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from post_office.models import Email

from shop.formats import dated
from shop.models import Answer, Estimate, Person, Workshop
from shop.models.estimates import PricedOption
from shop.templatetags.shop import in_sentence
from shop.templatetags.shop import money as in_figures
from shop.workflow import letters
from shop.workflow.refusal import Refused


def confirm(answer: Answer, agreed: PricedOption, *, by: Person | None) -> Email | None:
    """Queues the confirmation of a yes; None where the shop sends none or knows no address that a letter can go to."""
    estimate = answer.estimate
    to = estimate.sent_to or estimate.job.client.email
    if not to or not Workshop.ours().confirm_yes:
        return None
    try:
        return letters.letter_queue(
            to=to,
            subject=_("Agreed: estimate %(estimate)s for your keyboard %(tag)s")
            % {"estimate": estimate.title, "tag": estimate.job.tag},
            text=confirmation_text(answer, agreed),
            by=by,
            enclosures=[letters.Enclosure(f"{estimate.file_name}.pdf", stored=estimate.sent_pdf.name)],
        )
    except Refused:
        return None  # a yes stands whatever the address is; whoever took it down is told that no letter went


def confirmation_text(answer: Answer, agreed: PricedOption) -> str:
    """The letter: what was agreed by whom, what it costs and may cost, how to pay the deposit, when it is ready."""
    estimate, workshop = answer.estimate, Workshop.ours()
    job = estimate.job
    reach = " · ".join(part for part in (workshop.phone, workshop.email) if part)
    parts = (
        _("Dear %(name)s,") % {"name": job.client.contact or job.client.name},
        _("thank you. This is what we have agreed for your keyboard %(tag)s (%(instrument)s):")
        % {"tag": job.tag, "instrument": job.instrument.title},
        "\n".join(_agreed(answer, agreed)),
        _allowance(estimate) if estimate.allowance_keys else "",
        _deposit(answer, agreed, workshop),
        _when(answer),
        _("The estimate is attached as we sent it. If this is not what you meant, please tell us at once."),
        "\n".join(part for part in (workshop.name, reach) if part),
    )
    return "\n\n".join(part for part in parts if part)


def _agreed(answer: Answer, agreed: PricedOption) -> list[str]:
    estimate = answer.estimate
    lines = [
        _("Estimate %(number)s, version %(version)d, option %(letter)s: %(title)s")
        % {
            "number": estimate.title,
            "version": estimate.version,
            "letter": agreed.option.letter,
            "title": agreed.option.title,
        }
    ]
    lines += [
        _("With: %(work)s") % {"work": ", ".join(part for part in (line.title, line.section) if part)}
        for line in agreed.extras
    ]
    sum_ = {
        "sum": in_figures(agreed.totals.gross, estimate.currency),
        "currency": estimate.currency,
        "tax": in_sentence(", ".join(part.name for part in agreed.taxes)),
    }
    lines.append(
        (_("To pay: %(sum)s %(currency)s with %(tax)s") if agreed.taxes else _("To pay: %(sum)s %(currency)s")) % sum_
    )
    said = {"name": answer.name, "when": dated(answer.at, "DATETIME_FORMAT")}
    lines.append(_("%(name)s said yes on %(when)s.") % said)
    if answer.taken_by_id:
        lines[-1] += " " + _("We took it down by phone or at the counter.")
    return lines


def _deposit(answer: Answer, agreed: PricedOption, workshop: Workshop) -> str:
    estimate = answer.estimate
    if not estimate.waits_for_deposit:
        return ""
    asked = _("Please pay the deposit of %(sum)s %(currency)s and name %(number)s.") % {
        "sum": in_figures(agreed.totals.deposit, estimate.currency),
        "currency": estimate.currency,
        "number": estimate.title,
    }
    return asked + "\n" + (workshop.payment or _("We tell you how when you call or write to us."))


def _when(answer: Answer) -> str:
    estimate = answer.estimate
    if estimate.job.promised_on:
        day = dated(estimate.job.promised_on, "DATE_FORMAT")
        return _("We promise it for %(day)s.") % {"day": day}
    if estimate.working_days:
        return ngettext(
            "Ready %(days)s working day after the deposit has come.",
            "Ready %(days)s working days after the deposit has come.",
            estimate.working_days,
        ) % {"days": estimate.working_days}
    return _("We tell you the day soon.")


def _allowance(estimate: Estimate) -> str:
    """The part of the client's page as plain text, so that page, paper and letter say the same."""
    context = {"estimate": estimate, "ceiling_with_tax": estimate.with_tax(estimate.allowance_ceiling)}
    return html.unescape(strip_tags(render_to_string("shop/estimates/_allowance.html", context))).strip()

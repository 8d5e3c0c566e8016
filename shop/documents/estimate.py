"""The estimate on paper: options side by side, every line of every option, allowance, sums, terms."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.template.loader import render_to_string
from django.utils import timezone

from shop.core import money, route
from shop.documents.changes import changes_since
from shop.documents.pdf import render_pdf
from shop.models import Estimate, Line, LineKind, Workshop
from shop.models.estimates import PricedOption


@dataclass(frozen=True)
class ComparedRow:
    """One line of work across the options: the line of each option that has it, None for one that has not.

    percent, tax: which share of the work under which tax is taken off, where it is such a discount."""

    title: str
    section: str
    unit_price: Decimal
    list_price: Decimal | None
    discount: bool
    proves: str
    percent: Decimal | None
    tax: tuple[str, Decimal]
    cells: tuple[Line | None, ...]


def compared(estimate: Estimate) -> list[ComparedRow]:
    """The lines of all options in one table. Lines that read alike (words, place, unit, price) share a row; own
    lines come first, in the order of the options, then what is common to all."""
    offer = estimate.offer
    rows: dict[tuple, list[Line | None]] = {}
    common = {line.pk for line in estimate.common}
    for own in (True, False):
        for column, priced in enumerate(offer):
            seen: dict[tuple, int] = {}
            for line in priced.lines:
                if (line.pk not in common) is not own:
                    continue
                each = line.unit_price if line.percent is None else Decimal(0)
                alike = (line.title, line.section, line.unit, each, line.kind, line.list_price, line.tax)
                key = (own, *alike, line.proves_words, line.percent)
                # Two equal lines of one option stay two rows: nothing printed may vanish from the sum.
                repeat = seen[key] = seen.get(key, -1) + 1
                rows.setdefault((*key, repeat), [None] * len(offer))[column] = line
    stages = _order_of_stages(estimate)
    table = [
        ComparedRow(key[1], key[2], key[4], key[6], key[5] == LineKind.DISCOUNT, key[8], key[9], key[7], tuple(cells))
        for key, cells in rows.items()
    ]
    own_rows = [row for row, key in zip(table, rows, strict=True) if key[0]]
    common_rows = [row for row, key in zip(table, rows, strict=True) if not key[0]]
    own_rows.sort(key=lambda row: min(stages[line.pk] for line in row.cells if line))
    return [*own_rows, *common_rows]


@dataclass(frozen=True)
class TaxRow:
    """One tax across the options: name, rate in percent, and what it comes to in each (None: none of it there)."""

    name: str
    rate: Decimal
    cells: tuple[money.TaxPart | None, ...]


def taxes_of(offer: Sequence[PricedOption]) -> list[TaxRow]:
    """A row a tax, the highest rate first; none where nothing is taxed."""
    classes = {(part.rate, part.name) for priced in offer for part in priced.taxes}
    by_option = [{(part.rate, part.name): part for part in priced.taxes} for priced in offer]
    return [
        TaxRow(name, rate, tuple(parts.get((rate, name)) for parts in by_option))
        for rate, name in sorted(classes, key=lambda one: (-one[0], one[1]))
    ]


def estimate_sums(estimate: Estimate) -> dict[str, Any]:
    """What screen and paper show of the prices. estimate is read with its lines (with_lines())."""
    offer = estimate.offer
    taxes = taxes_of(offer)
    return {
        "offer": offer,
        "several": len(offer) > 1,
        "rows": compared(estimate),
        "taxes": taxes,
        "several_taxes": len(taxes) > 1,
        "tax_names": estimate.tax_names,
        "extras": [(line, line.gross) for line in estimate.extras],
        "ceiling_with_tax": estimate.with_tax(estimate.allowance_ceiling),
    }


def _order_of_stages(estimate: Estimate) -> dict[int, int]:
    return {
        line.pk: route.KINDS[line.stage].order if line.stage in route.KINDS else 1000 for line in estimate.lines.all()
    }


def paid_before(estimate: Estimate, moment: datetime.datetime | None) -> Decimal:
    """What had come in for the set when a newer version went out (moment None: until now); 0 for a first version."""
    if estimate.version == 1:
        return Decimal(0)
    payments = estimate.job.payments.filter(currency=estimate.currency, at__lte=moment or timezone.now())
    return sum((payment.amount for payment in payments), Decimal(0))


def estimate_context(estimate: Estimate, *, sent_at: datetime.datetime | None = None) -> dict:
    """What the paper says. estimate is read with its lines (with_lines()); sent_at is when it goes, or went, out."""
    moment = sent_at or estimate.sent_at
    return {
        "workshop": Workshop.ours().at(estimate.job.branch),
        "estimate": estimate,
        "job": estimate.job,
        **estimate_sums(estimate),
        "changes": changes_since(estimate),
        "paid": paid_before(estimate, moment),
        "moment": moment,
        "made_at": timezone.localtime(moment or estimate.created_at),
    }


def estimate_html(estimate: Estimate, *, sent_at: datetime.datetime | None = None) -> str:
    """The document that becomes the PDF. The same rows give the same text."""
    return render_to_string("documents/estimate.html", estimate_context(estimate, sent_at=sent_at))


def estimate_pdf(estimate: Estimate) -> bytes:
    """The bytes that were sent, or the draft as it stands."""
    if estimate.sent_pdf:
        with estimate.sent_pdf.open("rb") as kept:
            return kept.read()
    return render_pdf(estimate_html(Estimate.objects.with_lines().select_related("job__client").get(pk=estimate.pk)))

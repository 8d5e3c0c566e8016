"""Deposits that came before there were payments become payments of the sum that was asked for."""

import uuid
from decimal import Decimal

from django.db import migrations
from django.utils import timezone

from shop.core import money


def _deposit(estimate, answer, line_model):
    """The deposit as it was reckoned then: chosen option, what is common, chosen extras, one tax rate."""
    extras = set(answer.extras.values_list("pk", flat=True))
    lines = [
        line
        for line in line_model.objects.filter(estimate=estimate)
        if (line.pk in extras if line.kind == "extra" else line.option_id in (None, answer.option_id))
    ]
    totals = [money.line_total(line.quantity, line.unit_price, estimate.currency) for line in lines]
    return money.totals(totals, estimate.tax_rate, estimate.deposit_rate, estimate.currency).deposit


def keep(apps, schema_editor):
    """One payment for each deposit that is marked as received. Who wrote it down stands in the event of that day;
    a deposit carried over from an older version was asked for by that one."""
    models = {name: apps.get_model("shop", name) for name in ("Estimate", "Answer", "Line", "Event", "Payment")}
    number = 0
    marked = models["Estimate"].objects.filter(state="accepted", deposit_paid_at__isnull=False)
    for estimate in marked.order_by("deposit_paid_at", "pk"):
        if models["Payment"].objects.filter(job=estimate.job_id).exists():
            continue
        told = models["Event"].objects.filter(job=estimate.job_id, what="deposit_received").order_by("-at").first()
        version = told.details.get("version") if told else None
        asked = models["Estimate"].objects.filter(number=estimate.number, version=version).first() or estimate
        answer = models["Answer"].objects.filter(estimate=asked, kind="yes").first()
        amount = _deposit(asked, answer, models["Line"]) if answer else Decimal(0)
        by = (told.by_id if told else None) or estimate.created_by_id
        if amount <= 0:
            continue
        number += 1
        models["Payment"].objects.create(
            op=uuid.uuid4(),
            number=number,
            job_id=estimate.job_id,
            kind="deposit",
            method="other",
            amount=amount,
            currency=estimate.currency,
            received_on=timezone.localdate(estimate.deposit_paid_at),
            at=estimate.deposit_paid_at,
            by_id=by,
        )


class Migration(migrations.Migration):
    dependencies = [("shop", "0004_the_second_season")]

    operations = [migrations.RunPython(keep, migrations.RunPython.noop)]

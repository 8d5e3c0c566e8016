"""Sets from before: what is owed on their bills, and the titles of what their checks found."""

from collections import defaultdict
from decimal import Decimal

from django.db import migrations


def keep(apps, schema_editor):
    job_model, bill, payment = (apps.get_model("shop", name) for name in ("Job", "Bill", "Payment"))
    paid = defaultdict(Decimal)
    for job, amount in payment.objects.order_by().values_list("job", "amount").iterator():
        paid[job] += amount
    live = bill.objects.filter(kind="bill", number__isnull=False, credit__isnull=True).order_by()
    for job, gross in live.values_list("job", "gross").iterator():
        if owed := gross - paid[job]:
            job_model.objects.filter(pk=job).update(owed=owed)
    told = job_model.objects.exclude(found="").order_by().values_list("found", flat=True).distinct()
    titles = {title for found in told for title in found.partition("||")[0].split("|") if title}
    known = apps.get_model("shop", "FoundTitle")
    known.objects.bulk_create((known(title=title) for title in sorted(titles)), ignore_conflicts=True)


class Migration(migrations.Migration):
    dependencies = [("shop", "0018_what_is_owed"), ("keyboards", "0005_tell_the_search")]

    operations = [migrations.RunPython(keep, migrations.RunPython.noop)]

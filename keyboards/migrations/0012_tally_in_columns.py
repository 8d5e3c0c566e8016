"""What the keys of a closed check came to stands in columns that the database can add up."""

from django.db import migrations, models
from django.db.models import Avg, Count, Q

GRADED = ("sound", "worn", "damaged", "spent")


def count(apps, schema_editor):
    """From the tally, or from the readings where a check was closed before there was one."""
    check, reading = apps.get_model("keyboards", "Check"), apps.get_model("keyboards", "KeyReading")
    closed = check.objects.filter(closed_at__isnull=False, sound__isnull=True).order_by()
    graded = {f"keys_{grade}": Count("pk", filter=Q(grade=grade)) for grade in range(4)}
    rows = reading.objects.filter(check_done__in=closed.filter(tally__isnull=True)).order_by()
    told = {pk: counts for pk, *counts in rows.values_list("check_done_id").annotate(**graded, play=Avg("side_play"))}
    told |= dict(closed.filter(tally__isnull=False).values_list("pk", "tally"))
    for pk, (*counts, play) in told.items():
        facts = dict(zip(GRADED, counts, strict=True))
        check.objects.filter(pk=pk).update(mean_play=None if play is None else round(play), **facts)


def _number():
    return models.PositiveSmallIntegerField(editable=False, null=True)


class Migration(migrations.Migration):
    dependencies = [("keyboards", "0011_cauls")]

    operations = [
        *(migrations.AddField("check", name, _number()) for name in GRADED),
        migrations.AddField("check", "mean_play", models.IntegerField(editable=False, null=True)),
        migrations.RunPython(count, migrations.RunPython.noop),
        migrations.RemoveField("check", "tally"),
        migrations.AddIndex(
            "check",
            models.Index(condition=Q(("sound__isnull", False)), fields=["kind", "job", *GRADED], name="check_counted"),
        ),
        migrations.AddIndex(
            "check",
            models.Index(condition=Q(("mean_play__isnull", False)), fields=["kind", "mean_play"], name="check_play"),
        ),
        migrations.AddIndex("check", models.Index(fields=["begun_by", "-begun_at"], name="check_begun_by")),
        migrations.AddIndex(
            "decision",
            models.Index(condition=Q(overruled=True), fields=["-at", "-id"], name="decision_overruled"),
        ),
    ]

from django.db import migrations, models


def promise(apps, schema_editor):
    """Where the words of the price list are still those of its first day, they promise the same as in a new shop."""
    rows = apps.get_model("shop", "Operation").objects.filter(code="ease", title="Ease, square and level all keys")
    rows.update(proves=["level"])


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0014_sessions"),
    ]

    operations = [
        migrations.AddField(
            model_name="line",
            name="proves",
            field=models.JSONField(blank=True, default=list),
        ),
        migrations.AddField(
            model_name="operation",
            name="proves",
            field=models.JSONField(blank=True, default=list, verbose_name="shown at the final check"),
        ),
        migrations.RunPython(promise, migrations.RunPython.noop, elidable=True),
    ]

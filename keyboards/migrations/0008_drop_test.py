from django.db import migrations, models


def add_finding(apps, schema_editor):
    """A shop that has a list of findings gets the one for a key that fails the drop test; a new shop begins with it."""
    findings = apps.get_model("keyboards", "Finding").objects
    if findings.exists():
        what = {"group": "cloth", "title": "Does not fall by its own weight", "grade": 1, "position": 75}
        findings.get_or_create(code="drop_held", defaults=what)


class Migration(migrations.Migration):
    dependencies = [
        ("keyboards", "0007_shares"),
    ]

    operations = [
        migrations.AddField(
            model_name="check",
            name="drop_tested",
            field=models.BooleanField(default=False, verbose_name="drop test made on every key"),
        ),
        migrations.RunPython(add_finding, migrations.RunPython.noop, elidable=True),
    ]

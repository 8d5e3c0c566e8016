import django.db.models.deletion
from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.db import migrations, models
from django.utils import timezone


def bring_over(apps, schema_editor):
    """Nobody is signed out by the update. What has ended, or cannot be read with this key, stays behind and goes."""
    old, new = apps.get_model("sessions", "Session").objects, apps.get_model("shop", "Session").objects
    people, now = set(apps.get_model("shop", "Person").objects.values_list("pk", flat=True)), timezone.now()
    for row in old.filter(expire_date__gt=now):
        data = SessionStore().decode(row.session_data)
        if (person := int(data.get(SESSION_KEY, 0))) in people:
            new.create(
                session_key=row.session_key,
                session_data=row.session_data,
                expire_date=row.expire_date,
                person_id=person,
                seen=now,
            )
    old.all().delete()


class Migration(migrations.Migration):
    dependencies = [
        ("sessions", "0001_initial"),
        ("shop", "0013_quick_pin"),
    ]

    operations = [
        migrations.CreateModel(
            name="Session",
            fields=[
                (
                    "session_key",
                    models.CharField(max_length=40, primary_key=True, serialize=False, verbose_name="session key"),
                ),
                ("session_data", models.TextField(verbose_name="session data")),
                ("expire_date", models.DateTimeField(db_index=True, verbose_name="expire date")),
                ("seen", models.DateTimeField(verbose_name="last seen")),
                (
                    "person",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="sessions",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "verbose_name": "session",
            },
        ),
        migrations.RunPython(bring_over, migrations.RunPython.noop),
    ]

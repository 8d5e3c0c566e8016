from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("keyboards", "0012_tally_in_columns"),
        ("shop", "0022_indexes_for_counting"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.RemoveIndex(
            model_name="check",
            name="check_tally",
        ),
        migrations.AddIndex(
            model_name="check",
            index=models.Index(
                condition=models.Q(("sound__isnull", False)),
                fields=["kind", "job", "sound", "worn", "damaged", "spent"],
                name="check_counted",
            ),
        ),
        migrations.AddIndex(
            model_name="check",
            index=models.Index(
                condition=models.Q(("mean_play__isnull", False)), fields=["kind", "mean_play"], name="check_play"
            ),
        ),
        migrations.AddIndex(
            model_name="check",
            index=models.Index(fields=["begun_by", "-begun_at"], name="check_begun_by"),
        ),
    ]

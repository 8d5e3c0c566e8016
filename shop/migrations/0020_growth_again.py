from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0019_owed_and_found"),
    ]

    operations = [
        migrations.AddIndex(
            model_name="line",
            index=models.Index(
                fields=["stage", "unit", "kind", "estimate", "option", "quantity"], name="line_at_a_stage"
            ),
        ),
        migrations.AddIndex(
            model_name="stage",
            index=models.Index(fields=["state", "kind", "job", "finished_by"], name="stage_done_by"),
        ),
        migrations.AddIndex(
            model_name="use",
            index=models.Index(fields=["lot", "job"], name="use_lot_job"),
        ),
    ]

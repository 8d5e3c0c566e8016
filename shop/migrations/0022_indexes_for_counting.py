from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0021_clients_by_address"),
    ]

    operations = [
        migrations.AddIndex(
            model_name="use",
            index=models.Index(fields=["lot", "job"], name="use_lot_job"),
        ),
        migrations.AddIndex(
            model_name="line",
            index=models.Index(
                fields=["stage", "estimate", "unit", "kind", "option", "quantity"], name="line_of_a_stage"
            ),
        ),
        migrations.AddIndex(
            model_name="stage",
            index=models.Index(
                condition=models.Q(("finished_at__isnull", False)),
                fields=["kind", "job", "state", "finished_by"],
                name="stage_finished",
            ),
        ),
    ]

"""A client can be erased; whom an issued bill went to, and its paper, can go with them."""

from django.db import migrations, models

from shop.triggers import let_blank


class Migration(migrations.Migration):
    dependencies = [
        ("shop", "0007_counts_and_hands"),
    ]

    operations = [
        migrations.AddField(
            model_name="client",
            name="erased_at",
            field=models.DateTimeField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="client",
            name="papers_until",
            field=models.DateField(
                editable=False,
                help_text="Of an erased client: how long bills and agreed estimates are kept.",
                null=True,
            ),
        ),
        let_blank("shop_bill", "addressee", "pdf", when="OLD.issued_at IS NOT NULL"),
    ]

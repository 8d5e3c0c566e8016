"""keyboards_entry is append-only, whoever writes to it."""

from django.db import migrations

from shop.triggers import guard


class Migration(migrations.Migration):
    dependencies = [("keyboards", "0002_initial")]

    operations = [guard("keyboards_entry")]

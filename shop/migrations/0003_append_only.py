"""shop_event is append-only, whoever writes to it."""

from django.db import migrations

from shop.triggers import guard


class Migration(migrations.Migration):
    dependencies = [("shop", "0001_initial")]

    operations = [guard("shop_event")]

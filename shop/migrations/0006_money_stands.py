"""Payments are only ever added, and an issued bill stands as it went out, whoever writes to the tables."""

from django.db import migrations

from shop.triggers import guard


class Migration(migrations.Migration):
    dependencies = [("shop", "0005_deposits_as_payments")]

    operations = [guard("shop_payment"), guard("shop_bill", when="OLD.issued_at IS NOT NULL")]

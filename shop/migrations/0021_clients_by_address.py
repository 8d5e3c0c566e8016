"""Clients from before are found by their town too."""

import unicodedata

from django.db import migrations


def fold(text):
    plain = unicodedata.normalize("NFKD", text)
    return "".join(char for char in plain.casefold() if char.isalnum())


def find_by_address(apps, schema_editor):
    rows = apps.get_model("shop", "Client").objects.exclude(address="").order_by()
    for row in rows.only("find", "address").iterator(chunk_size=500):
        row.find = f"{row.find}|{fold(row.address)}"[:400]
        row.save(update_fields=["find"])


class Migration(migrations.Migration):
    dependencies = [("shop", "0020_discount_percent")]

    operations = [migrations.RunPython(find_by_address, migrations.RunPython.noop)]

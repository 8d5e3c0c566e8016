"""Sets whose checks were closed before the search knew findings: what they found is put beside them."""

import unicodedata

from django.db import migrations


def _folded(text):
    return "".join(char for char in unicodedata.normalize("NFKD", text).casefold() if char.isalnum())


def tell(apps, schema_editor):
    job_model, reading = apps.get_model("shop", "Job"), apps.get_model("keyboards", "KeyReading")
    titles = dict(apps.get_model("keyboards", "Finding").objects.values_list("code", "title"))
    found = {}
    rows = reading.objects.filter(check_done__closed_at__isnull=False).exclude(findings={})
    for job, findings in rows.values_list("check_done__job", "findings").iterator():
        found.setdefault(job, set()).update(code for code, severity in findings.items() if severity)
    for job, codes in found.items():
        words = sorted(titles[code] for code in codes if code in titles)
        if words:
            told = "||".join(("|".join(words), "|".join(map(_folded, words))))
            job_model.objects.filter(pk=job, found="").update(found=told)


class Migration(migrations.Migration):
    dependencies = [("keyboards", "0004_the_second_season"), ("shop", "0004_the_second_season")]

    operations = [migrations.RunPython(tell, migrations.RunPython.noop)]

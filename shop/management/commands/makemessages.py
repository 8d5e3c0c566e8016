"""Django's collector of sentences to translate, which here finds those of the arithmetic too: it knows no Django, and
what it says is translated where it is shown (keyboards/words.py)."""

from django.core.management.commands import makemessages


class Command(makemessages.Command):
    xgettext_options = [*makemessages.Command.xgettext_options, "--keyword=MeasurementError"]

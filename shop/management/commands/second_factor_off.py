"""manage.py second_factor_off: for who has lost the phone and the recovery codes."""

from django.core.management.base import BaseCommand, CommandError

from shop.models import Person
from shop.workflow.factors import factor_of, factor_remove


class Command(BaseCommand):
    """Takes a person's second step of signing in off."""

    help = "Takes a person's second step of signing in off. Make sure that it is they who ask."

    def add_arguments(self, parser):
        parser.add_argument("name", help="the name they sign in with")

    def handle(self, *args, name, **options):
        person = Person.objects.filter(username=name).first()
        if person is None:
            raise CommandError(f"Nobody signs in as {name!r}.")
        if factor_of(person) is None:
            raise CommandError(f"{person} has no second step.")
        factor_remove(person, by=None)
        self.stdout.write(f"{person} signs in with the password alone now.")

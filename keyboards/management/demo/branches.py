"""The invented workshop works at two places: all but one of its people, and the sets, are at the first."""

from collections.abc import Iterable

from shop.models import Branch, Person
from shop.workflow.branches import branch_keep

_HERE = {"name": "Larkholt", "address": "7 Millrace Yard\nLarkholt", "phone": "01632 960 147"}
_THERE = {"name": "Ottermouth", "address": "3 Quay Steps\nOttermouth", "phone": "01632 960 148"}


def branches(people: Iterable[Person], elsewhere: Person, *, by: Person) -> None:
    """Gives each their branch; what they log in from now on is there."""
    here, there = (branch_keep(Branch(**told), by=by, fields=()) for told in (_HERE, _THERE))
    for person in (*people, elsewhere):
        person.branch = there if person is elsewhere else here
        person.save(update_fields=["branch"])

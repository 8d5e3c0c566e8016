"""The invented workshop works at two places: all but one of its people, and the sets, are at the first."""

from collections.abc import Iterable

from shop.models import Branch, Person
from shop.workflow.branches import branch_keep

_HERE, _THERE = (
    Branch(name="Larkholt", address="7 Millrace Yard\nLarkholt", phone="01632 960 147"),
    Branch(name="Ottermouth", address="3 Quay Steps\nOttermouth", phone="01632 960 148"),
)


def branches(people: Iterable[Person], elsewhere: Person, *, by: Person) -> None:
    """Gives each their branch; what they log in from now on is there."""
    for branch in (_HERE, _THERE):
        branch_keep(branch, by=by, fields=())
    for person in (*people, elsewhere):
        person.branch = _THERE if person is elsewhere else _HERE
        person.save(update_fields=["branch"])

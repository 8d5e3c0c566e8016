"""Branches come and change."""

from collections.abc import Iterable

from django.db import transaction

from shop.models import Branch, Person
from shop.workflow.events import record


@transaction.atomic
def branch_keep(branch: Branch, *, by: Person, fields: Iterable[str]) -> Branch:
    """Keeps a new branch or a changed one; fields: the names of what changed."""
    fresh = branch.pk is None
    branch.save()
    if fresh:
        record("branch_added", by=by, branch=branch.name)
    elif names := list(fields):
        record("branch_changed", by=by, branch=branch.name, fields=names)
    return branch

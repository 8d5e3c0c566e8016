"""What is known about clients changes. Events name the fields, never what stands in them."""

from collections.abc import Iterable

from django.db import transaction

from shop.models import Client, Person
from shop.workflow.events import record


@transaction.atomic
def client_change(client: Client, *, by: Person, fields: Iterable[str]) -> Client:
    """Keeps a changed client; fields: the names of what changed."""
    client.save()
    if names := list(fields):
        record("client_changed", by=by, client=client.pk, fields=names)
    return client

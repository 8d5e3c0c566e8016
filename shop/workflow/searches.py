"""Searches of one person: the last few remembered by themselves, others kept under a name. No history: no events."""

import datetime

from django.db import transaction
from django.utils import timezone

from shop.models import Person, Search

MOST_RECENT = 6


@transaction.atomic
def search_remember(person: Person, text: str, *, at: datetime.datetime | None = None) -> None:
    """Puts the text first among the person's recent searches, and lets the oldest go."""
    Search.objects.update_or_create(person=person, text=text, defaults={"at": at or timezone.now()})
    old = person.searches.recent().values_list("pk", flat=True)[MOST_RECENT:]
    Search.objects.filter(pk__in=list(old)).delete()


@transaction.atomic
def search_keep(person: Person, text: str, title: str, *, at: datetime.datetime | None = None) -> None:
    """Keeps a search under a name."""
    Search.objects.update_or_create(
        person=person, text=text, defaults={"title": title.strip(), "at": at or timezone.now()}
    )


def search_forget(person: Person, search_id: int) -> bool:
    """Forgets one; says whether the person had it."""
    return bool(person.searches.filter(pk=search_id).delete()[0])

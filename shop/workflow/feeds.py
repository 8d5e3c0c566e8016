"""Calendar links are made and withdrawn."""

import datetime
import secrets

from django.db import transaction
from django.utils import timezone

from shop.models import Feed, Person, token_hash
from shop.workflow.events import record


@transaction.atomic
def feed_make(*, title: str, by: Person, at: datetime.datetime | None = None) -> tuple[Feed, str]:
    """A new link; its token is told once and kept nowhere."""
    at, token = at or timezone.now(), secrets.token_urlsafe(32)
    feed = Feed.objects.create(title=title.strip(), token_hash=token_hash(token), created_at=at, created_by=by)
    record("feed_made", by=by, at=at, title=feed.title)
    return feed, token


@transaction.atomic
def feed_withdraw(feed: Feed, *, by: Person, at: datetime.datetime | None = None) -> None:
    """The link opens nothing from now on."""
    if feed.withdrawn_at is None:
        feed.withdrawn_at = at or timezone.now()
        feed.save(update_fields=["withdrawn_at"])
        record("feed_withdrawn", by=by, at=at, title=feed.title)

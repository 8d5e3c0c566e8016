"""The calendar of the shop: the day each set is promised for, and each that waits to be fetched (RFC 5545)."""

import datetime
from collections.abc import Iterable
from urllib.parse import urlsplit

from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from icalendar import Calendar, Event

from shop.models import Job, Workshop


def feed(jobs: Iterable[Job], workshop: Workshop) -> bytes:
    """Whole-day entries of jobs with `touched`, the moment of their last event. The same rows make the same bytes.

    An entry keeps its UID however often its day moves, so that a calendar moves it rather than adding another.
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Balance Rail//promises//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", workshop.name)
    host = urlsplit(settings.SITE_ADDRESS).hostname
    for job in jobs:
        stage = job.current_stage
        waits = stage is not None and stage.kind == "leave"
        day = job.promised_on
        if waits and day is None:  # nobody promised a day: from the one it was packed on it can be fetched
            day = timezone.localdate(max(row.finished_at for row in job.stages.all() if row.finished_at))
        if day is None:
            continue
        entry = Event()
        entry.add("uid", f"{job.op}@{host}")
        touched = (getattr(job, "touched", None) or job.received_at).astimezone(datetime.UTC)
        entry.add("dtstamp", touched)
        entry.add("last-modified", touched)
        entry.add("dtstart", day)
        entry.add("dtend", day + datetime.timedelta(days=1))  # the first day that is not in it any more
        words = _("%(tag)s ready to be fetched: %(client)s") if waits else _("%(tag)s promised: %(client)s")
        entry.add("summary", words % {"tag": job.tag, "client": job.client.name})
        entry.add("description", str(job.instrument))
        entry.add("url", f"{settings.SITE_ADDRESS}{reverse('job_detail', args=[job.number])}")
        entry.add("transp", "TRANSPARENT")
        calendar.add_component(entry)
    return calendar.to_ical()

"""What a row of the rack says about a set: whose turn it is, since when, how far it is, how late.

Everything is read from one job with its client, instrument and stages (Job.objects.for_lists()): no query. Moments
are arguments, so that a list is reckoned for one moment and a test for any.
"""

import datetime
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from shop.core import route
from shop.formats import dated
from shop.models import Job, Stage
from shop.models.clients import search_key

HELD = "held"
AWAY = "away"
# Days after which somebody should ask the client again. Common practice, an estimate.
PATIENCE = 7


@dataclass(frozen=True)
class Row:
    """One set as the rack shows it.

    turn    desk, bench, office, client, held, away, or "" for a set that has gone home
    words   the stage with its progress, or the reason of the hold
    since   when the set came to where it stands
    days_late  days behind the promise, 0 where there is none or it is still good
    asks    why somebody in the shop should act today, "" where nobody need
    fears   why the promise will hardly be kept as things stand, "" where it will (shop/workflow/promises.py)
    """

    job: Job
    turn: str
    words: str
    since: datetime.datetime
    days_late: int
    asks: str
    fears: str = ""

    @property
    def missing(self) -> str:
        """ "2 keys missing", by the last count; "" where everything is there."""
        said = []
        if keys := self.job.keys_short:
            said.append(ngettext("%(count)d key missing", "%(count)d keys missing", keys) % {"count": keys})
        if boxes := self.job.boxes_short:
            said.append(ngettext("%(count)d box missing", "%(count)d boxes missing", boxes) % {"count": boxes})
        return ", ".join(said)

    @property
    def due(self) -> str:
        """The promise in words: "Fri 18 Dec", "Mon 30 Nov, 1 day late"; "" without one."""
        if self.job.promised_on is None:
            return ""
        day = date_format(self.job.promised_on, "SHORT_DATE_FORMAT")
        if not self.days_late:
            return day
        late = ngettext("%(days)d day late", "%(days)d days late", self.days_late) % {"days": self.days_late}
        return f"{day}, {late}"


def turn_of(job: Job) -> str:
    """Who the set waits for."""
    if job.left_at:
        return ""
    if job.away_to:
        return AWAY
    if job.held_since:
        return HELD
    stage = job.current_stage
    return stage.whose if stage else route.DESK


def since(job: Job) -> datetime.datetime:
    """When the set came to the stage it stands at, went on hold, or went away."""
    if job.away_since:
        return job.away_since
    if job.held_since:
        return job.held_since
    current = job.current_stage
    done = [
        stage.finished_at
        for stage in job.stages.all()
        if stage.finished_at and (current is None or stage.position < current.position)
    ]
    return max([job.received_at, *done])


def days_between(earlier: datetime.datetime, later: datetime.datetime) -> int:
    """Midnights in the shop's time zone between two moments: yesterday evening is one day ago."""
    return (timezone.localdate(later) - timezone.localdate(earlier)).days


def progress(job: Job, stage: Stage) -> str:
    """ "61 of 88" where keys are counted at this stage, else ""."""
    wanted = job.keys_here
    if stage.keys_done is not None:
        done, wanted = stage.keys_done, stage.keys_wanted or wanted
    elif stage.kind == "arrival_check" and stage.state == route.BEGUN:
        done = sum(job.grades.count(grade) for grade in "0123")
    else:
        return ""
    return _("%(done)d of %(keys)d") % {"done": done, "keys": wanted}


def in_words(job: Job, at: datetime.datetime) -> str:
    """Where the set is: the stage with its progress, what it waits for, or where it went."""
    if job.left_at:
        day = date_format(timezone.localdate(job.left_at), "DATE_FORMAT")
        if job.left_with:
            return _("Gone home %(day)s with %(name)s") % {"day": day, "name": job.left_with}
        return _("Gone home %(day)s") % {"day": day}
    if job.away_to:
        day = date_format(timezone.localdate(job.away_since), "SHORT_DATE_FORMAT")
        return _("Away since %(day)s: %(place)s") % {"day": day, "place": job.away_to}
    if job.held_since:
        return _("On hold: %(reason)s") % {"reason": job.hold_reason.rstrip(".")}
    stage = job.current_stage
    if stage is None:
        return _("At the end of its route")
    if stage.whose == route.CLIENT:
        days = days_between(since(job), at)
        if not days:
            return _("Waiting for the answer since today")
        return ngettext("Waiting for the answer %(days)d day", "Waiting for the answer %(days)d days", days) % {
            "days": days
        }
    words = str(stage.title)
    if far := progress(job, stage):
        words = f"{words}, {far}"
    if stage.ready_at and stage.ready_at > at:
        moment = dated(stage.ready_at, "SOON_FORMAT")
        words = _("%(stage)s, dries until %(moment)s") % {"stage": words, "moment": moment}
    return words


def days_late(job: Job, today: datetime.date) -> int:
    """Days behind the promise; a set that has gone home is judged by the day it went."""
    if job.promised_on is None:
        return 0
    day = timezone.localdate(job.left_at) if job.left_at else today
    return max((day - job.promised_on).days, 0)


def asks(job: Job, at: datetime.datetime) -> str:
    """Why somebody in the shop should act today.

    Late or due today; at the counter or the office, where only a person moves it on; a client silent for a week.
    A set on the bench or drying is where it should be, and a set on hold says itself what it waits for.
    """
    today = timezone.localdate(at)
    turn = turn_of(job)
    if not turn:
        return ""
    if job.keys_short or job.boxes_short:
        return _("incomplete")
    if turn in (HELD, AWAY):
        return ""
    if days_late(job, today):
        return _("late")
    if job.promised_on == today:
        return _("promised for today")
    if turn == route.DESK:
        return _("waits at the counter")
    if turn == route.OFFICE:
        return _("waits in the office")
    if turn == route.CLIENT and days_between(since(job), at) >= PATIENCE:
        return _("no answer yet: ask")
    return ""


def row(job: Job, at: datetime.datetime, fears: str = "") -> Row:
    """The row of one set at a moment."""
    return Row(
        job=job,
        turn=turn_of(job),
        words=in_words(job, at),
        since=since(job),
        days_late=days_late(job, timezone.localdate(at)),
        asks=asks(job, at),
        fears=fears,
    )


def rows(jobs: Iterable[Job], at: datetime.datetime, fears: Mapping[int, str] | None = None) -> list[Row]:
    """The rows of many sets at one moment, in their order. fears: job's id -> why its promise is in danger."""
    return [row(job, at, (fears or {}).get(job.pk, "")) for job in jobs]


def matches(row: Row, text: str) -> bool:
    """Whether the tag, the client or the instrument holds the text, however it is spelt or spaced."""
    key = search_key(text)
    found = (row.job.client.find, row.job.instrument.find, search_key(row.job.tag))
    return not key or any(key in field for field in found)

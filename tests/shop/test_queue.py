"""The queue: what ends when, what a rush moves, promises kept; the calendar behind a secret link."""

import datetime

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from django.utils.formats import date_format
from icalendar import Calendar

from shop.models import Event, Feed, Job, Role, Spell, Stage, Workshop
from shop.workflow import promises
from shop.workflow.estimates import estimate_accept
from shop.workflow.feeds import feed_make
from shop.workflow.jobs import promise_change
from tests.factories import make_job, make_person, make_sent, make_workshop
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]

TODAY = timezone.localdate()


def agreed(*, promised_in: int | None = 20):
    """A set whose client said yes, promised for a day."""
    estimate = make_sent(job=make_job())
    estimate_accept(estimate, option=estimate.options.get(letter="A"), name="I. V.")
    job = estimate.job
    job.refresh_from_db()
    job.promised_on = None if promised_in is None else TODAY + datetime.timedelta(days=promised_in)
    job.save()
    return job


@pytest.fixture
def owner(client):
    make_workshop(hours=[6, 6, 6, 6, 6, 6, 6], holidays=[], benches=1)
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def test_agreed_sets_stand_in_the_order_of_their_promises(client, owner):
    later, sooner = agreed(promised_in=30), agreed(promised_in=10)
    make_job()  # not agreed: in no queue
    places = promises.places()
    assert [place.job for place in places] == [sooner, later]
    assert places[0].finish < places[1].finish
    page = client.get(reverse("queue")).content.decode()
    assert page.index(sooner.tag) < page.index(later.tag)


def test_a_stage_takes_the_hours_of_the_keys_that_are_left(owner):
    first, _second = agreed(promised_in=10), agreed(promised_in=30)
    cloth = first.stages.get(kind="cloth")
    whole = promises.places()[1].ahead
    # Half of the keys done; two sent back by the final check, one of them done again; all done, nobody said so yet.
    for done, wanted, left in ((44, 88, 44), (0, 2, 2), (1, 2, 1), (88, 88, 0)):
        Stage.objects.filter(pk=cloth.pk).update(keys_done=done, keys_wanted=wanted)
        spared = whole - promises.places()[1].ahead
        assert spared == pytest.approx(float(cloth.minutes) / 60 * (88 - left) / 88)


def test_a_set_that_cannot_be_ready_in_time_is_told_with_its_cause(client, owner):
    job = agreed(promised_in=0)
    (place,) = promises.places()
    assert place.days_late > 0
    page = client.get(reverse("queue")).content.decode()
    assert "late" in page
    assert "more work is left than the days hold" in page
    job.held_since, job.hold_reason = timezone.now(), "waits for pins"
    job.save()
    assert "on hold: waits for pins" in client.get(reverse("queue")).content.decode()


def test_a_set_on_hold_or_away_has_no_reckoned_end_but_keeps_its_hours(client, owner):
    held, other = agreed(promised_in=3), agreed(promised_in=30)
    before = {place.job.pk: place.finish for place in promises.places()}
    Job.objects.filter(pk=held.pk).update(held_since=timezone.now(), hold_reason="waits for pins")
    first, second = promises.places()
    assert (first.finish, first.cause) == (None, "on hold: waits for pins")
    assert second.finish == before[other.pk]  # its hours will be needed when it comes off hold
    assert promises.fears()[held.pk] == "its day is near"
    assert "its day is near" in client.get(reverse("counter")).content.decode()
    Job.objects.filter(pk=held.pk).update(held_since=None, away_to="Orlo", away_since=timezone.now())
    assert promises.places()[0].cause == "away: Orlo"


def test_a_promise_in_danger_is_told_before_it_is_broken_with_its_cause(client, owner):
    job = agreed(promised_in=30)
    assert promises.fears() == {}
    stage = job.stages.filter(kind__in=("strip", "cloth", "buttons", "repairs")).first()
    stage.ready_at = timezone.now() + datetime.timedelta(days=40)
    stage.save()
    job.stages.filter(position__lt=stage.position).update(state="done", finished_at=timezone.now())
    told = promises.fears()[job.pk]
    assert "days late: dries until" in told
    for name in ("counter", "bench", "office", "queue"):
        assert "dries until" in client.get(reverse(name)).content.decode(), name
    assert job.tag in client.get(reverse("counter") + "?late=1").content.decode()


def test_the_promise_page_says_which_day_can_be_promised(client, owner):
    job = agreed(promised_in=0)
    day = promises.next_day_to_promise(job)
    (place,) = promises.places()
    assert day > place.finish  # with the buffer
    page = client.get(reverse("job_promise", args=[job.number])).content.decode()
    assert date_format(day, "DATE_FORMAT") in page


def test_a_rush_job_tells_which_promises_it_breaks_and_writes_nothing(client, owner):
    first = agreed(promised_in=None)
    (place,) = promises.places()
    first.promised_on = place.finish
    first.save()
    events = Event.objects.count()
    finish, (move,) = promises.what_if(hours=12)
    assert finish is not None
    assert move.job == first
    assert move.days >= 2
    assert move.breaks
    page = client.get(reverse("queue"), {"ask": 1, "hours": "12"}).content.decode()
    assert "breaks the promise" in page
    first.refresh_from_db()
    assert first.promised_on == place.finish
    assert Event.objects.count() == events


def test_a_set_put_first_ends_sooner_and_the_others_no_sooner(owner):
    sooner, later = agreed(promised_in=10), agreed(promised_in=30)
    before = {place.job: place.finish for place in promises.places()}
    finish, moves = promises.what_if(first=later)
    assert finish <= before[later]
    assert [move.job for move in moves] == [sooner]


@pytest.mark.parametrize(
    "asked", [{}, {"hours": "NaN"}, {"hours": "-3"}, {"hours": "1e9"}, {"first": "9999"}, {"hours": "\x00"}]
)
def test_what_cannot_be_asked_is_told_beside_its_field(client, owner, asked):
    answer = client.get(reverse("queue"), {"ask": 1, **asked})
    assert answer.status_code == 200
    assert answer.context["form"].errors
    assert not answer.context["asked"]


def packed(*, days_late: int, quoted=60, booked=90):
    job = make_job()
    left = timezone.now() - datetime.timedelta(days=5)
    job.promised_on, job.left_at = timezone.localdate(left) - datetime.timedelta(days=days_late), left
    job.save()
    Stage.objects.filter(job=job, kind="pack").delete()
    Stage.objects.create(job=job, position=990, kind="pack", state="done", finished_at=left)
    cloth = Stage.objects.create(job=job, position=991, kind="cloth", state="done", finished_at=left, minutes=quoted)
    Spell.objects.create(stage=cloth, by=make_person(), begun_at=left, minutes=booked)


def test_promises_kept_are_counted_from_the_day_a_set_was_packed(owner):
    for days in (-3, 0, 2, 4):
        packed(days_late=days)
    found = promises.on_time()
    assert (found.kept, found.of, found.percent, found.mean_delay) == (2, 4, 50, 3.0)


def test_habits_are_those_of_the_sets_that_went_home_last(owner, monkeypatch):
    monkeypatch.setattr(promises, "_LATELY", 2)
    for days in (4, 0, 0):
        packed(days_late=days)
    oldest = Job.objects.earliest("pk")
    Job.objects.filter(pk=oldest.pk).update(left_at=oldest.left_at - datetime.timedelta(days=9))
    assert (promises.on_time().kept, promises.on_time().of) == (2, 2)


def test_the_shops_own_spread_and_bias_are_taken_over_from_ten_sets_on(client, owner):
    for booked in (60, 120) * 4 + (90,):
        packed(days_late=0, booked=booked)
    assert promises.own_habits() is None
    client.post(reverse("habits_accept"))
    assert Workshop.ours().promise_spread == 0.35
    packed(days_late=0, booked=90)
    habits = promises.own_habits()
    assert habits.count == 10
    assert habits.bias == pytest.approx(0.5)
    client.post(reverse("habits_accept"))
    workshop = Workshop.ours()
    assert workshop.promise_bias == pytest.approx(0.5)
    assert workshop.promise_spread == pytest.approx(habits.spread, abs=1e-3)


# --- the calendar, read by a library of its own (icalendar, RFC 5545) ---


def test_the_calendar_holds_each_promise_as_a_whole_day(owner):
    job = agreed(promised_in=20)
    make_job()  # without a promise
    _feed, token = feed_make(title="Maren's phone", by=owner)
    answer = Client().get(reverse("feed", args=[token]))
    assert answer.status_code == 200
    assert answer["Content-Type"].startswith("text/calendar")
    assert not answer.cookies
    assert "noindex" in answer["X-Robots-Tag"]
    calendar = Calendar.from_ical(answer.content)
    assert str(calendar["version"]) == "2.0"
    assert calendar["prodid"]
    (entry,) = calendar.walk("VEVENT")
    assert entry["dtstart"].dt == job.promised_on
    assert entry["dtend"].dt == job.promised_on + datetime.timedelta(days=1)
    assert str(entry["uid"]).startswith(str(job.op))
    assert entry["dtstamp"].dt.tzinfo is not None
    assert job.tag in str(entry["summary"])


def test_a_moved_promise_moves_its_entry_and_adds_none(owner):
    job = agreed()
    _feed, token = feed_make(title="x", by=owner)
    address = reverse("feed", args=[token])
    before = Calendar.from_ical(Client().get(address).content).walk("VEVENT")[0]
    promise_change(job, by=owner, to=job.promised_on + datetime.timedelta(days=3))
    job.refresh_from_db()
    (after,) = Calendar.from_ical(Client().get(address).content).walk("VEVENT")
    assert after["uid"] == before["uid"]
    assert after["dtstart"].dt == job.promised_on
    assert after["dtstamp"].dt >= before["dtstamp"].dt
    assert after["last-modified"].dt == after["dtstamp"].dt


def test_a_packed_set_that_nobody_promised_can_be_fetched_from_its_packing_on(owner):
    job = agreed(promised_in=None)
    packed_at = timezone.now() - datetime.timedelta(days=2)
    job.stages.exclude(kind="leave").update(state="done", finished_at=packed_at)
    Job.objects.filter(pk=job.pk).update(stage="leave")
    _feed, token = feed_make(title="x", by=owner)
    (entry,) = Calendar.from_ical(Client().get(reverse("feed", args=[token])).content).walk("VEVENT")
    assert entry["dtstart"].dt == timezone.localdate(packed_at)
    assert "ready to be fetched" in str(entry["summary"])


def test_a_calendar_that_asks_again_is_told_that_nothing_changed(owner):
    agreed()
    _feed, token = feed_make(title="x", by=owner)
    address = reverse("feed", args=[token])
    first = Client().get(address)
    assert Client().get(address).content == first.content
    assert Client().get(address, headers={"If-None-Match": first["ETag"]}).status_code == 304


def test_a_link_is_shown_once_kept_as_a_hash_and_withdrawn(client, owner):
    client.post(reverse("feed_new"), {"title": "Tobin"})
    page = client.get(reverse("queue")).content.decode()
    address = page.split('letter-text figure">')[1].split("<")[0]
    assert address not in client.get(reverse("queue")).content.decode()
    feed = Feed.objects.get()
    assert feed.token_hash not in address
    path = address.split("8000")[-1] if "8000" in address else "/" + address.split("/", 3)[3]
    assert Client().get(path).status_code == 200
    client.post(reverse("feed_withdraw", args=[feed.pk]))
    assert Client().get(path).status_code == 404
    assert set(Event.objects.values_list("what", flat=True)) >= {"feed_made", "feed_withdrawn"}


@pytest.mark.parametrize("token", ["x", "x" * 5000, "é", "..", "0" * 43])
def test_guessed_links_open_nothing(token):
    assert Client().get(f"/calendar/{token}.ics").status_code == 404


def test_whoever_keeps_guessing_is_answered_shortly():
    answers = [Client().get(f"/calendar/{number:043d}.ics").status_code for number in range(25)]
    assert answers[-1] == 429


@pytest.mark.once
def test_the_pages_climb_the_ladder(owner):
    climb("queue")
    climb("habits_accept", roles=set(), methods={"POST"})
    climb("feed_new", roles=set(), methods={"POST"})
    feed, _token = feed_make(title="x", by=owner)
    climb("feed_withdraw", feed.pk, roles=set(), methods={"POST"})
    gone("feed_withdraw", 999, method="POST")


def test_six_sets_take_as_many_queries_as_two(client, owner):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("queue"))
        return len(seen)

    agreed()
    agreed()
    few = queries()
    for _ in range(4):
        agreed()
    assert queries() == few

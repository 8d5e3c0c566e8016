"""What comes back: written down with its set, counted for the owner, fed to the advice when the owner says so."""

import datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from keyboards import learning
from keyboards.advising import assumptions_of
from keyboards.models import Comeback, Decision
from keyboards.workflow.checks import check_close, check_reopen
from shop.models import Answer, Event, Lot, Material, Role, Stage
from shop.workflow.materials import use_record
from tests.factories import make_check, make_draft, make_instrument, make_job, make_person, make_readings, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


def sent_home(job, *, days_ago=60, by=None):
    """The set with cloth and buttons done, gone home."""
    left = timezone.now() - datetime.timedelta(days=days_ago)
    for position, kind in ((500, "cloth"), (510, "buttons")):
        Stage.objects.create(
            job=job, position=position, kind=kind, state="done", finished_at=left, finished_by=by or make_person()
        )
    job.left_at = left
    job.save()
    return job


@pytest.fixture
def home():
    make_workshop(guarantee_months=12)
    return sent_home(make_job(missing=[43]), by=make_person(first_name="Tobin", last_name="Hale"))


@pytest.fixture
def desk(client):
    who = make_person(role=Role.DESK)
    client.force_login(who)
    return who


def asked(**fields):
    today = timezone.localdate().isoformat()
    return {"reported_on": today, "keys": "40-42, C5", "cause": "cloth_loose", "stage": "cloth", **fields}


def test_a_comeback_is_written_down_with_its_keys_and_its_cause(client, desk, home):
    answer = client.post(reverse("comeback_add", args=[home.number]), asked(done="Glued again."))
    assert answer.status_code == 302
    row = Comeback.objects.get()
    assert (row.keys, row.cause, row.stage, row.under_guarantee, row.by) == (
        [40, 41, 42, 52],
        "cloth_loose",
        "cloth",
        True,
        desk,
    )
    page = client.get(reverse("job_detail", args=[home.number])).content.decode()
    assert "cloth came loose" in page
    assert "40–42, 52" in page
    assert "under guarantee" in page
    assert Event.objects.filter(what="comeback_recorded", job=home).count() == 1


def test_the_same_keys_twice_on_a_day_are_kept_once_and_again_only_when_somebody_says_so(client, desk, home):
    address = reverse("comeback_add", args=[home.number])
    client.post(address, asked())
    page = client.post(
        address, asked(keys="C5, 42, 40-41", done="Not lost")
    ).content.decode()  # the same, said otherwise
    for told in ("Did they come back a second time?", 'name="again"', "Not lost"):
        assert told in page
    assert Comeback.objects.count() == 1
    client.post(address, asked(keys="40"))  # other keys of that day need no word
    client.post(address, asked(again="on"))
    assert Comeback.objects.count() == 3
    assert 'name="again"' not in client.get(address).content.decode()


def test_a_guarantee_that_is_over_is_told_as_over(client, desk):
    make_workshop(guarantee_months=1)
    job = sent_home(make_job(), days_ago=90)
    client.post(reverse("comeback_add", args=[job.number]), asked())
    assert not Comeback.objects.get().under_guarantee


def test_it_is_corrected_and_what_was_done_is_told_later(client, desk, home):
    client.post(reverse("comeback_add", args=[home.number]), asked())
    row = Comeback.objects.get()
    address = reverse("comeback_edit", args=[home.number, row.pk])
    assert 'value="40–42, 52"' in client.get(address).content.decode()
    client.post(address, asked(keys="40", done="New cloth on one key."))
    row.refresh_from_db()
    assert (row.keys, row.done) == ([40], "New cloth on one key.")
    assert Comeback.objects.count() == 1


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"keys": "99"}, "99"),
        ({"keys": ""}, "required"),
        ({"keys": "40-44"}, "Not in this set: keys 43"),
        ({"keys": "\x00"}, ""),
        ({"cause": "gremlins"}, "gremlins"),
        ({"stage": "tops"}, "tops"),
        ({"lot": "9999"}, "not one of the available choices"),
        ({"visit": "1"}, "not one of the available choices"),
        ({"reported_on": "2031-02-30"}, "valid date"),
        ({"reported_on": "2999-01-01"}, "not come yet"),
        ({"reported_on": "1999-01-01"}, "before the day the set went home"),
    ],
)
def test_what_cannot_be_is_told_beside_its_field_and_nothing_is_kept(client, desk, home, wrong, sentence):
    answer = client.post(reverse("comeback_add", args=[home.number]), asked(done="Not lost", **wrong))
    assert answer.status_code == 200
    page = answer.content.decode()
    assert sentence in page
    assert "Not lost" in page
    assert not Comeback.objects.exists()


def test_a_set_that_has_not_gone_home_cannot_come_back(client, desk):
    job = make_job()
    answer = client.post(reverse("comeback_add", args=[job.number]), asked(stage=""))
    assert "has not gone home yet" in answer.content.decode()


@pytest.mark.once
def test_the_pages_climb_the_ladder(home):
    climb("comeback_add", home.number, methods={"GET", "POST"})
    gone("comeback_add", 999)
    gone("comeback_edit", home.number, 999)
    climb("learning", roles=set())
    climb("chances_accept", roles=set(), methods={"POST"})


# --- what it teaches ---


@pytest.fixture
def owner(client):
    who = make_person(role=Role.OWNER)
    client.force_login(who)
    return who


def comeback(job, **fields):
    row = {"reported_on": timezone.localdate(), "keys": [1, 2], "cause": "cloth_loose", "stage": "cloth"} | fields
    return Comeback.objects.create(job=job, under_guarantee=True, by=make_person(), at=timezone.now(), **row)


def test_rates_are_counted_by_work_by_lot_and_by_person():
    tobin, edda = make_person(first_name="Tobin", last_name="Hale"), make_person(first_name="Edda", last_name="Linwood")
    lot = Lot.objects.create(material=Material.objects.create(title="Cloth 1.20"), code="24-117")
    jobs = [make_job() for _ in range(4)]
    for place, job in enumerate(jobs):
        if place < 3:
            use_record(job=job, lot=lot, by=tobin)
        sent_home(job, by=tobin if place else edda)
    comeback(jobs[0], keys=[1, 2, 3], lot=lot)
    comeback(jobs[0], keys=[4])  # the same set again counts once as a set
    comeback(jobs[1], stage="", cause="other")  # none of our work
    came = learning.came_back()
    cloth = next(row for row in came.by_work if row.title == "New bushing cloth")
    assert (cloth.rate.hits, cloth.rate.n, cloth.keys) == (1, 4, 4)
    assert cloth.percent == "25.0 %"
    assert cloth.interval == "4.6 to 69.9 %"  # Wilson, 1 of 4
    assert [(row.title, row.rate.hits, row.rate.n, row.keys) for row in came.by_lot] == [
        ("Cloth 1.20, 24-117", 1, 3, 3)
    ]
    assert {row.title: (row.rate.hits, row.rate.n) for row in came.by_person} == {
        "Tobin Hale": (0, 6),
        "Edda Linwood": (1, 2),
    }


def test_the_owner_takes_over_what_our_own_keys_teach(client, owner):
    job = make_job()
    estimate = make_draft(job=job, extras=False)
    estimate.state = "accepted"
    estimate.save()
    option = estimate.options.get(letter="B")  # cloth on 88 keys, 26 new buttons
    Answer.objects.create(estimate=estimate, kind="yes", option=option, name="I. V.", at=timezone.now())
    sent_home(job)
    comeback(job, keys=list(range(1, 9)))
    chances = {chance.name: chance for chance in learning.chances()}
    assert (chances["p_ok"].hits, chances["p_ok"].keys) == (8, 88)
    assert (chances["p_new"].hits, chances["p_new"].keys) == (0, 26)
    # (0.01 x 100 + 8) / (100 + 88)
    assert chances["p_ok"].proposed == pytest.approx(9 / 188, abs=1e-4)
    client.post(reverse("chances_accept"), {"chance": ["p_ok", "hourly_rate"]})
    held = assumptions_of(None).assumed
    assert held.p_ok == pytest.approx(9 / 188, abs=1e-4)
    assert held.p_new == 0.01  # not ticked
    assert Event.objects.filter(what="assumptions_changed").count() == 1


def test_nothing_ticked_changes_nothing(client, owner):
    client.post(reverse("chances_accept"))
    assert not Event.objects.filter(what="assumptions_changed").exists()


def test_what_was_found_is_told_by_kind_and_age(client, owner):
    old = make_job(instrument=make_instrument(kind="upright", year=1912))
    young = make_job(instrument=make_instrument(kind="grand", year=1987))
    arrival = make_check(job=old)
    make_readings(check=arrival, keys=[1, 2, 3, 4], grade=[0, 2, 2, 3], side_play=900)
    arrival = check_close(arrival, by=owner, confirm=True)
    assert (arrival.sound, arrival.worn, arrival.damaged, arrival.spent, arrival.mean_play) == (1, 0, 2, 1, 900)
    for kind, grade, side_play in (("arrival", 0, 500), ("final", 3, 450)):
        check = make_check(job=young, kind=kind)
        make_readings(check=check, keys=[1, 2], grade=grade, side_play=side_play)
        check_close(check, by=owner, confirm=True)
    rows = {row.title: row for row in learning.found_in()}
    assert rows["upright 1900–1924"].shares == (25.0, 0.0, 50.0, 25.0)
    assert rows["grand 1975–1999"].shares == (100.0, 0.0, 0.0, 0.0)
    assert learning.play_before_and_after() == {"arrival": {900: 1, 500: 1}, "final": {450: 1}}
    page = client.get(reverse("learning")).content.decode()
    assert "upright 1900–1924" in page
    assert page.count("<svg") == 3
    check_reopen(arrival, by=owner, reason="key 3 misread")
    assert [row.title for row in learning.found_in()] == ["grand 1975–1999"]


def test_advice_that_was_overruled_is_told_with_its_reason(client, owner):
    check = make_check(closed=True)
    section = {"title": "bass", "advised": "reclothe", "chosen": "renew_section"}
    kept = {"sections": [section, section | {"chosen": "reclothe"}], "assumptions": {}, "overruled": True}
    Decision.objects.create(job=check.job, basis=check, at=timezone.now(), by=owner, reason="Played hard.", **kept)
    page = client.get(reverse("learning")).content.decode()
    assert "New buttons throughout instead of New cloth, once" in page
    assert "Played hard." in page


def test_lots_that_came_back_most_surely_are_shown_and_the_rest_counted(client, owner, monkeypatch):
    monkeypatch.setattr(learning, "MOST_LOTS", 3)
    jobs, cloth = [make_job(), make_job()], Material.objects.create(title="Cloth 1.20")
    lots = [Lot.objects.create(material=cloth, code=f"24-{number:03}") for number in range(5)]
    for job in jobs:
        for lot in lots if job == jobs[0] else lots[3:]:
            use_record(job=job, lot=lot, by=owner)
        sent_home(job, by=owner)
        comeback(job, lot=lots[4])
    comeback(jobs[0], lot=lots[3])
    use_record(job=make_job(), lot=lots[0], by=owner)  # of a set that is still here
    rows = learning.came_back().by_lot
    told = [(row.title[-6:], row.rate.hits, row.rate.n) for row in rows]
    assert told == [("24-004", 2, 2), ("24-003", 1, 2), ("24-000", 0, 1)]
    assert "And 2 lots that came back less surely, or never." in client.get(reverse("learning")).content.decode()


def test_an_empty_shop_says_so(client, owner):
    page = client.get(reverse("learning")).content.decode()
    assert "No set with finished work has gone home yet." in page
    assert "No arrival check is closed yet." in page


def test_twenty_sets_take_as_many_queries_as_two(client, owner):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("learning"))
        return len(seen)

    def a_set():
        job = sent_home(make_job())
        make_check(job=job, closed=True, sound=0, worn=1, damaged=0, spent=0, mean_play=800 + job.number)
        comeback(job)

    a_set()
    a_set()
    few = queries()
    for _ in range(6):
        a_set()
    assert queries() == few

"""Keys and boxes are counted at every leaving and return; what is missing is shouted until it is found."""

import pytest
from django.db import Error, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from shop import rack
from shop.models import Count, Job, Role
from shop.workflow import counts, stages
from shop.workflow.refusal import Refused
from tests.factories import make_job, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

WHOLE = {"keys": 88, "boxes": 2}


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK)
    client.force_login(person)
    return person


@pytest.fixture
def job(desk):
    job = make_job(boxes=2)
    counts.count_in(job, by=desk, **WHOLE)
    return Job.objects.for_lists().get(pk=job.pk)


def row_of(job):
    return rack.row(Job.objects.for_lists().get(pk=job.pk), timezone.now())


def test_a_set_goes_away_and_comes_back_whole(client, desk, job):
    client.post(reverse("job_away", args=[job.number]), {"place": "Orlo, keytops", **WHOLE})
    row = row_of(job)
    assert (row.turn, row.missing) == ("away", "")
    assert row.words.startswith("Away since")
    assert row.words.endswith("Orlo, keytops")
    assert "Count it back in" in client.get(reverse("job_detail", args=[job.number])).content.decode()
    client.post(reverse("job_count", args=[job.number]), WHOLE)
    assert row_of(job).turn == "bench"
    assert list(job.counts.values_list("kind", flat=True)) == ["back", "away", "in"]


def test_nothing_moves_while_a_set_is_away(desk, job):
    stage = job.current_stage
    counts.go_away(job, by=desk, place="Orlo", **WHOLE)
    for move in (stages.stage_begin, stages.stage_finish):
        with pytest.raises(Refused, match="away: Orlo"):
            move(stage, by=desk)
    with pytest.raises(Refused, match="away already"):
        counts.go_away(job, by=desk, place="Orlo", **WHOLE)


def test_a_set_in_somebodys_hands_does_not_go_away(desk, job):
    stages.stage_begin(job.current_stage, by=make_person())
    with pytest.raises(Refused, match="in hand"):
        counts.go_away(job, by=desk, place="Orlo", **WHOLE)
    assert not Job.objects.get(pk=job.pk).away_to


@pytest.mark.parametrize(
    ("counted", "said"),
    [
        ({"keys": 86, "boxes": 2}, "2 keys missing"),
        ({"keys": 88, "boxes": 1}, "1 box missing"),
        ({"keys": 87, "boxes": 1}, "1 key missing, 1 box missing"),
    ],
)
def test_what_does_not_come_back_is_shouted_until_it_is_found(client, desk, job, counted, said):
    counts.go_away(job, by=desk, place="Orlo", **WHOLE)
    page = client.post(reverse("job_count", args=[job.number]), counted, follow=True).content.decode()
    assert "Something is missing" in page
    assert row_of(job).missing == said
    assert row_of(job).asks == "incomplete"
    assert said in client.get(reverse("counter")).content.decode()
    stage = reverse("stage_detail", args=[job.number, job.current_stage.pk])
    for place in (reverse("job_detail", args=[job.number]), stage):
        assert 'class="alarm"' in client.get(place).content.decode()
    client.force_login(make_person(role=Role.OWNER))
    assert "Keys or boxes are missing" in client.get(reverse("office")).content.decode()
    client.post(reverse("job_count", args=[job.number]), {**WHOLE, "note": "it lay in the van"})
    assert row_of(job).missing == ""
    assert "missing" not in client.get(reverse("office")).content.decode()


def test_a_key_too_many_is_written_down_and_nothing_is_missing(desk, job):
    counts.count_again(job, by=desk, keys=89, boxes=2)
    assert row_of(job).missing == ""
    assert job.events.filter(what="count_differed").exists()


def test_a_count_that_differs_needs_a_word_before_the_set_is_packed(desk, job):
    job.stages.exclude(kind__in=("pack", "leave")).update(state="skipped")
    stage = job.stages.get(kind="pack")
    with pytest.raises(Refused, match="Say why"):
        counts.count_out(stage, by=desk, keys=87, boxes=2)
    counts.count_out(stage, by=desk, keys=87, boxes=2, note="top key stays for a new stick")
    count = job.counts.first()
    assert (count.kind, count.keys_short) == ("out", 1)


@pytest.mark.parametrize(
    "fields",
    [
        {"keys": "", "boxes": "2"},
        {"keys": "-1", "boxes": "2"},
        {"keys": "88", "boxes": "1e9"},
        {"keys": "٨٨٨", "boxes": "2"},
        {"keys": "88", "boxes": "2", "note": "x" * 201},
    ],
)
def test_a_bad_count_gets_a_sentence_and_nothing_is_kept(client, desk, job, fields):
    before = Count.objects.count()
    for name in ("job_count", "job_away"):
        page = client.post(reverse(name, args=[job.number]), {"place": "Orlo", **fields})
        assert page.status_code == 200
        assert 'class="error' in page.content.decode() or "errorlist" in page.content.decode()
    assert Count.objects.count() == before


def test_counts_are_only_ever_added(desk, job):
    for change in (lambda: Count.objects.update(keys=1), lambda: Count.objects.all().delete()):
        with pytest.raises(Error), transaction.atomic():
            change()


@pytest.mark.once
def test_the_pages_climb_the_ladder(job):
    for name in ("job_count", "job_away"):
        climb(name, job.number, methods={"GET", "POST"})
        gone(name, 99999)


def test_the_page_takes_as_many_queries_for_ten_counts_as_for_one(client, desk, job):
    def queries():
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("job_count", args=[job.number]))
        return len(seen)

    few = queries()
    for _ in range(9):
        counts.count_again(job, by=desk, **WHOLE)
    assert queries() == few

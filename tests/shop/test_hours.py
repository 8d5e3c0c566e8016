"""Quoted against actual, from booked hours to new minutes in the price list."""

import datetime
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from shop.models import Estimate, Event, Job, Line, Operation, Role
from shop.workflow import estimates, hours, stages
from shop.workflow.refusal import Refused
from tests.factories import make_person, make_sent
from tests.ladder import climb

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def home(*, by, factor: str) -> Estimate:
    """A set that went home, whose cloth took so many times what was quoted."""
    sent = make_sent(by=by)
    estimates.estimate_accept(sent, option="A", name="Ilse")
    stage = sent.job.stages.get(kind="cloth")
    stages.hours_book(stage, by=by, minutes=(stage.minutes * Decimal(factor)).quantize(Decimal("0.1")))
    Job.objects.filter(pk=sent.job.pk).update(left_at=timezone.now() - datetime.timedelta(days=1))
    return sent


def minutes_now(code: str) -> Decimal:
    (row,) = Operation.objects.filter(code=code).as_of(timezone.localdate())
    return row.minutes


@pytest.mark.once
def test_only_the_owner_looks_at_the_hours():
    climb("hours_learn", roles={Role.OWNER}, methods={"GET", "POST"})


def test_nothing_finished_says_so(client, owner):
    assert "Nothing to compare yet" in client.get(reverse("hours_learn")).content.decode()


def test_five_finished_jobs_change_the_price_list_when_the_owner_says_so(client, owner):
    for factor in ("1.1", "1.2", "1.3", "1.4", "2"):
        home(by=owner, factor=factor)
    before = minutes_now("cloth")
    page = client.get(reverse("hours_learn"))
    lesson = next(lesson for operation, lesson in page.context["rows"] if operation.code == "cloth")
    assert lesson.jobs == 5
    assert lesson.median == pytest.approx(1.3, abs=0.001)
    assert "× 1.30" in page.content.decode()
    client.post(reverse("hours_learn"), {"code": "cloth"})
    after = next(row.minutes for row in Operation.objects.as_of(timezone.localdate()) if row.code == "cloth")
    assert after == lesson.proposal
    assert float(after / before) == pytest.approx(1.3, abs=0.02)
    assert Event.objects.filter(what="minutes_learned", details={"codes": ["cloth"]}).count() == 1
    assert Event.objects.filter(what="price_changed").count() == 1
    with pytest.raises(Refused):
        hours.minutes_learn(["cloth"], by=owner)
    assert "the list is right" in client.get(reverse("hours_learn")).content.decode()


def test_the_lines_that_were_agreed_are_the_same_asked_for_one_or_for_many(owner):
    first, other, open_still = make_sent(by=owner), make_sent(by=owner), make_sent(by=owner)
    first.lines.filter(option__letter="A").order_by("pk").first().delete()  # so that the two differ
    first.lines.create(kind="discount", title="Less", quantity=1, unit_price=-5)
    first.lines.create(kind="hidden", title="Shim", quantity=2, unit_price=5)
    estimates.estimate_accept(first, option="A", name="Ilse", extras=[line.pk for line in first.extras])
    estimates.estimate_accept(other, option="B", name="Ilse")
    rows = Estimate.objects.with_lines()
    each = [line.pk for one in (first, other, open_still) for line in rows.get(pk=one.pk).agreed_work]
    assert sorted(Line.objects.agreed().values_list("pk", flat=True)) == sorted(each)
    kinds = set(Line.objects.filter(pk__in=each).values_list("kind", flat=True))
    assert kinds == {"work", "extra", "hidden"}


def test_estimates_that_are_written_keep_their_minutes(owner):
    rows = [home(by=owner, factor="2") for _ in range(5)]
    before = rows[0].lines.get(option__letter="A", operation__code="cloth").minutes
    hours.minutes_learn(["cloth"], by=owner)
    assert rows[0].lines.get(option__letter="A", operation__code="cloth").minutes == before


def test_sets_still_here_and_hours_nobody_booked_say_nothing(owner):
    row = home(by=owner, factor="1.5")
    Job.objects.filter(pk=row.job.pk).update(left_at=None)
    assert hours.lessons(timezone.localdate()) == []


@pytest.mark.parametrize("codes", [[], ["nothing"], ["cloth\x00"], ["cloth"]])
def test_what_has_no_proposal_is_refused(client, owner, codes):
    home(by=owner, factor="1.5")
    page = client.post(reverse("hours_learn"), {"code": codes}, follow=True)
    assert "has a proposal" in page.content.decode()
    assert not Event.objects.filter(what="price_changed").exists()


def test_a_title_in_the_drawing_is_no_markup(client, owner):
    home(by=owner, factor="1.5")
    Operation.objects.filter(code="cloth").update(title="<b>cloth & glue")
    page = client.get(reverse("hours_learn")).content.decode()
    assert "<b>cloth" not in page
    assert "&lt;b&gt;cloth &amp; glue" in page


def test_the_page_asks_as_often_for_seven_jobs_as_for_two(client, owner, django_assert_max_num_queries):
    def queries() -> int:
        with django_assert_max_num_queries(20) as seen:
            client.get(reverse("hours_learn"))
        return len(seen)

    for _ in range(2):
        home(by=owner, factor="1.2")
    queries()
    before = queries()
    for _ in range(5):
        home(by=owner, factor="1.2")
    assert queries() == before

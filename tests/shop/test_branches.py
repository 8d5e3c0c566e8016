"""A shop at several places: who is where, which set is where, counted whenever it goes from one to another."""

import pytest
from django.urls import reverse

from shop.documents.bill import bill_html
from shop.documents.estimate import estimate_html
from shop.models import Bill, Branch, Count, Estimate, Event, Job, Person, Role
from shop.workflow import counts
from tests.factories import make_client, make_job, make_person, make_sent, make_workshop
from tests.ladder import climb, gone
from tests.shop.test_counts import WHOLE

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture
def mill():
    return Branch.objects.create(name="Mill Lane", address="2 Mill Lane", phone="0700 22")


@pytest.fixture
def quay():
    return Branch.objects.create(name="Quayside")


@pytest.fixture
def desk(client, mill):
    person = make_person(role=Role.DESK, branch=mill)
    client.force_login(person)
    return person


def in_shop(**fields) -> Job:
    job = make_job(boxes=2, **fields)
    counts.count_in(job, by=job.received_by, **WHOLE)
    return job


def page(client, name, *args, **asked) -> str:
    return client.get(reverse(name, args=args), asked).content.decode()


def test_branches_are_the_owners(mill):
    climb("branch_list", roles={Role.OWNER}, methods={"GET", "POST"})
    climb("branch_edit", mill.pk, roles={Role.OWNER}, methods={"GET", "POST"})
    gone("branch_edit", 999)


def test_branches_are_added_and_changed_and_bad_ones_are_not(client):
    client.force_login(make_person(role=Role.OWNER))
    assert client.post(reverse("branch_list"), {"name": "Mill Lane", "address": "2 Mill Lane"}).status_code == 302
    branch = Branch.objects.get()
    assert client.post(reverse("branch_edit", args=[branch.pk]), {"name": "Mill End"}).status_code == 302
    assert [(row.what, row.details["branch"]) for row in Event.objects.order_by("pk")] == [
        ("branch_added", "Mill Lane"),
        ("branch_changed", "Mill End"),
    ]
    for wrong in ({"name": "Mill End"}, {"name": ""}, {"name": "x" * 81}, {"name": "\x00"}):
        assert client.post(reverse("branch_list"), wrong).status_code == 200
    assert Branch.objects.count() == 1


def test_a_shop_without_branches_is_asked_for_none(client):
    client.force_login(make_person(role=Role.OWNER))
    job = in_shop()
    for name, args in (
        ("counter", ()),
        ("bench", ()),
        ("person_add", ()),
        ("job_edit", [job.number]),
        ("job_away", [job.number]),
        ("job_detail", [job.number]),
    ):
        assert "ranch" not in page(client, name, *args), name


def test_everybody_sees_the_sets_of_their_branch_and_all_when_they_ask(client, desk, mill, quay):
    here, there, on_the_way, nowhere = (make_job() for _ in range(4))
    Job.objects.filter(pk=here.pk).update(branch=mill)
    Job.objects.filter(pk=there.pk).update(branch=quay)
    Job.objects.filter(pk=on_the_way.pk).update(branch=quay, bound_for=mill)
    for name in ("counter", "bench"):
        own, all_of_them, other = (
            page(client, name),
            page(client, name, branch="all"),
            page(client, name, branch=quay.pk),
        )
        for job, places in (
            (here, (own, all_of_them)),
            (there, (other, all_of_them)),
            (on_the_way, (own, other, all_of_them)),
            (nowhere, (own, other, all_of_them)),  # no branch yet: it must not get lost
        ):
            assert [job.tag in text for text in (own, other, all_of_them)] == [
                text in places for text in (own, other, all_of_them)
            ]
    assert client.get(reverse("counter"), {"branch": "nonsense"}).status_code == 200


def test_a_set_comes_in_where_the_person_stands_and_may_be_put_right(client, desk, mill, quay):
    job = make_job(by=desk)
    assert job.branch == mill
    sent = {"boxes": "1", "with_keyframe": "on", "branch": quay.pk}
    assert client.post(reverse("job_edit", args=[job.number]), sent).status_code == 302
    assert Job.objects.get().branch == quay
    assert "Mill Lane → Quayside" in page(client, "job_events", job.number)


def test_a_set_that_goes_to_another_branch_is_counted_when_it_leaves_and_when_it_arrives(client, desk, mill, quay):
    job = in_shop(by=desk)
    assert "Quayside" in page(client, "job_away", job.number)
    sent = {"branch": quay.pk, **WHOLE}
    assert client.post(reverse("job_away", args=[job.number]), sent).status_code == 302
    job = Job.objects.get()
    assert (job.branch, job.bound_for, job.away_to) == (mill, quay, "Quayside")
    assert "On its way to Quayside" in page(client, "job_count", job.number)
    one_short = {**WHOLE, "keys": 87}
    client.post(reverse("job_count", args=[job.number]), one_short)
    job = Job.objects.get()
    assert (job.branch, job.bound_for, job.away_to, job.keys_short) == (quay, None, "", 1)
    assert [count.kind for count in Count.objects.order_by("pk")][-2:] == ["away", "back"]
    assert "counted the set in at Quayside" in page(client, "job_events", job.number)


def test_a_set_that_only_went_away_stays_with_its_branch(desk, mill, quay):
    job = in_shop(by=desk)
    counts.go_away(job, by=desk, place="Quayside", **WHOLE)  # a name alone moves nothing
    counts.come_back(job, by=desk, **WHOLE)
    assert Job.objects.get().branch == mill


def test_an_away_without_a_place_is_asked_again(client, desk, quay):
    job = in_shop(by=desk)
    answer = client.post(reverse("job_away", args=[job.number]), {"place": "", **WHOLE})
    assert "Say where it goes." in answer.content.decode()
    assert not Job.objects.get().away_to


def test_papers_of_a_set_carry_its_branch_and_bills_the_shop(mill, quick_paper):
    make_workshop(address="4 Tannery Row", phone="0700 11")
    job = make_job(client=make_client(name="Vera Holt"))
    Job.objects.update(branch=mill)
    estimate = Estimate.objects.with_lines().select_related("job__branch").get(pk=make_sent(job=job).pk)
    paper = estimate_html(estimate)
    assert "Mill Lane<br>2 Mill Lane" in paper
    town = Branch(name="Larkholt", address="2 Mill Lane\nLarkholt")
    assert make_workshop().at(town).address == "2 Mill Lane\nLarkholt"  # named once
    assert "0700 22" in paper
    assert "4 Tannery Row" not in paper
    bill = Bill.objects.create(
        job=estimate.job, currency="EUR", created_at=estimate.created_at, created_by=Person.objects.first()
    )
    assert "4 Tannery Row" in bill_html(bill)

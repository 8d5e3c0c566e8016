"""A client's personal data: shown whole, erased on wish; the technical history and what the law keeps stay."""

import datetime
import json
from decimal import Decimal

import pytest
from django.core.files.storage import default_storage
from django.db import DatabaseError, connection, transaction
from django.urls import reverse
from django.utils import timezone
from post_office.models import Email

from keyboards.models import KeyReading, Share
from keyboards.workflow.shares import share_make
from shop.models import Bill, Client, Estimate, Event, Job, Person, Role, Search
from shop.workflow import bills, estimates, letters, privacy
from shop.workflow.parcels import parcel_of
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_client, make_instrument, make_job, make_person, make_readings, make_sent
from tests.ladder import climb
from tests.shop.test_parcels import lines_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]

LATER = datetime.date(2036, 12, 31)
# Nobody else's: each stands in one place or more of what is known.
SECRETS = (
    "Odette Quillfeather",
    "Basil Quillfeather",
    "odette@example.org",
    "07700 900",
    "Larchmoor Lane",
    "allergic to dogs",
    "grandmother",
    "the blue door",
    "Uncle Thaddeus",
)


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def known_client(owner, *, home: bool = True, settled: bool = True) -> Client:
    """A client with all that can be known: a set read, agreed to, billed, paid, gone home."""
    odette = make_client(
        name="Odette Quillfeather",
        contact="Basil Quillfeather",
        email="odette@example.org",
        phone="07700 900",
        address="Larchmoor Lane 4",
        note="allergic to dogs",
    )
    piano = make_instrument(client=odette, note="it was the grandmother's", serial="77 001")
    job = make_job(by=owner, client=odette, instrument=piano, wishes="ring at the blue door")
    make_readings(check=make_check(job=job, by=owner, closed=True), balance_mortise_width=5_662)
    sent = make_sent(by=owner, job=job, to="basil@example.org")
    estimates.question_ask(sent, name="Odette Quillfeather", text="Will the blue door do?")
    estimates.estimate_accept(sent, option="A", name="Odette Quillfeather")
    share_make(job, whom="Basil Quillfeather", to="odette@example.org", days=90, by=owner)
    bill = bills.bill_issue(bills.bill_draft(job, by=owner), by=owner)
    if settled:
        bills.payment_take(job, amount=bill.gross, by=owner)
    if home:
        Job.objects.filter(pk=job.pk).update(left_at=timezone.now(), left_with="Uncle Thaddeus")
    Search.objects.create(person=owner, text="quillfeather", at=timezone.now())
    return odette


def everything() -> str:
    """Every row of the database as text, without the search's own index of nothing."""
    return "\n".join(line for lines in lines_of(parcel_of(None)).values() for line in lines)


def test_all_that_is_known_is_shown_on_the_page_and_in_the_file(client, owner):
    odette = known_client(owner)
    page = client.get(reverse("client_data", args=[odette.pk])).content.decode()
    answer = client.get(reverse("client_data_json", args=[odette.pk]))
    for secret in SECRETS:
        assert secret in page.replace("&#x27;", "'"), secret
        assert secret in answer.content.decode(), secret
    assert "attachment" in answer["Content-Disposition"]
    kinds = {"client", "pianos", "sets", "estimates", "answers", "bills", "payments", "letters", "links", "shared"}
    held = json.loads(answer.content)
    assert kinds <= set(held)
    assert {name for rows in held.values() for row in rows for name in row} <= set(privacy._COLUMNS)  # each has a word


def test_erased_the_person_is_gone_and_the_technical_history_stays(client, owner, django_capture_on_commit_callbacks):
    odette = known_client(owner)
    before = list(KeyReading.objects.values())
    files = [Estimate.objects.get().sent_pdf.name, Bill.objects.get().pdf.name]
    assert all(default_storage.exists(name) for name in files)
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(reverse("client_erase", args=[odette.pk]), {"papers": "erase", "sure": "on"}, follow=True)
    assert "Erased" in answer.content.decode()
    left = everything()
    for secret in SECRETS:
        assert secret.casefold() not in left.casefold(), secret
    assert "quillfeather" not in left.casefold()
    assert not any(default_storage.exists(name) for name in files)
    assert not Email.objects.exists()
    assert not Search.objects.exists()
    assert Share.objects.get().withdrawn_at is not None
    assert list(KeyReading.objects.values()) == before
    job = Job.objects.get()
    assert (job.instrument.serial, job.instrument.maker) == ("77 001", "Thornquist")
    assert Bill.objects.get().gross > 0
    assert job.estimates.get().answers.get(kind="yes").option.letter == "A"
    assert Event.objects.get(what="client_erased").by == owner
    for name in ("job_detail", "handoff_pdf"):
        assert client.get(reverse(name, args=[job.number])).status_code == 200
    assert client.get(reverse("bill_pdf", args=[Bill.objects.get().pk])).status_code == 200


def test_papers_the_law_wants_stay_until_their_day_and_then_go(client, owner, django_capture_on_commit_callbacks):
    odette = known_client(owner)
    with django_capture_on_commit_callbacks(execute=True):
        privacy.client_erase(odette, by=owner, papers_until=LATER)
    bill, estimate = Bill.objects.get(), Estimate.objects.get()
    assert "Odette Quillfeather" in bill.addressee
    assert default_storage.exists(bill.pdf.name)
    assert default_storage.exists(estimate.sent_pdf.name)
    assert estimate.answers.get(kind="yes").name == "Odette Quillfeather"
    assert not Email.objects.exists()
    assert not privacy.papers_due(LATER).exists()
    with pytest.raises(Refused, match="until 2036-12-31"):
        privacy.papers_erase(odette, by=owner)
    passed = datetime.datetime(2037, 1, 2, 12, tzinfo=datetime.UTC)
    assert list(privacy.papers_due(passed.date())) == [odette]
    with django_capture_on_commit_callbacks(execute=True):
        privacy.papers_erase(odette, by=owner, at=passed)
    assert "quillfeather" not in everything().casefold()
    assert not default_storage.exists(bill.pdf.name)
    assert not privacy.papers_due(passed.date()).exists()


@pytest.mark.parametrize(
    ("how", "words"), [({"home": False}, "Still in the shop: K-0001"), ({"settled": False}, "Not settled yet: B-0001")]
)
def test_nobody_is_erased_while_a_set_is_here_or_money_is_owed(client, owner, how, words):
    odette = known_client(owner, **how)
    answer = client.post(reverse("client_erase", args=[odette.pk]), {"papers": "erase", "sure": "on"})
    assert words in answer.content.decode()
    assert Client.objects.get(pk=odette.pk).name == "Odette Quillfeather"
    assert Email.objects.exists()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"papers": "erase"}, "This field is required"),
        ({"papers": "keep", "sure": "on"}, "Write the day until which they are kept"),
        ({"papers": "keep", "sure": "on", "papers_until": "2001-01-01"}, "Write the day until which they are kept"),
        ({"papers": "keep", "sure": "on", "papers_until": "2999-01-01"}, "more than fifty years"),
        ({"papers": "keep", "sure": "on", "papers_until": "soon"}, "Enter a valid date"),
    ],
)
def test_a_form_that_is_not_whole_erases_nothing(client, owner, data, words):
    odette = known_client(owner)
    answer = client.post(reverse("client_erase", args=[odette.pk]), data)
    assert words in answer.content.decode()
    assert Client.objects.get(pk=odette.pk).erased_at is None


def test_others_keep_what_is_theirs(owner):
    odette = known_client(owner)
    other = make_client(name="Ruben Ashgrove", email="odette@example.org", note="mind the step")
    theirs = letters.letter_queue(to="odette@example.org", subject="x", text="to a shared mailbox", by=owner)
    privacy.client_erase(odette, by=owner, papers_until=None)
    other.refresh_from_db()
    assert (other.name, other.note) == ("Ruben Ashgrove", "mind the step")
    assert Email.objects.filter(pk=theirs.pk).exists()
    assert Person.objects.filter(pk=owner.pk, is_active=True).exists()


def test_an_erased_client_is_not_found_by_the_old_name(owner):
    odette = known_client(owner)
    privacy.client_erase(odette, by=owner, papers_until=None)
    assert not Client.objects.named_like("Quillfeather").exists()
    assert Client.objects.named_like(f"Erased client {odette.pk}").exists()


def test_of_an_issued_bill_the_person_can_go_and_nothing_else(owner):
    known_client(owner)
    bill = Bill.objects.get()
    for change in ({"gross": Decimal(1)}, {"addressee": "x", "pdf": ""}, {"addressee": "", "pdf": "", "number": 9}):
        with pytest.raises(DatabaseError), transaction.atomic():
            Bill.objects.filter(pk=bill.pk).update(**change)
    with pytest.raises(DatabaseError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("DELETE FROM shop_bill")
    assert Bill.objects.filter(pk=bill.pk).update(addressee="", pdf="") == 1


def test_what_is_known_takes_as_many_queries_for_one_set_as_for_four(client, owner, django_assert_num_queries):
    odette = known_client(owner)

    def asked() -> int:
        with connection.execute_wrapper(lambda execute, *rest: (count.append(1), execute(*rest))[1]):
            client.get(reverse("client_data", args=[odette.pk]))
        return len(count)

    count: list[int] = []
    one = asked()
    for _number in range(3):
        make_job(by=owner, client=odette)
    count.clear()
    assert asked() == one


@pytest.mark.once
def test_only_the_owner_sees_and_erases():
    pk = make_client().pk
    climb("client_data", pk, roles={Role.OWNER}, methods={"GET", "HEAD"})
    climb("client_data_json", pk, roles={Role.OWNER}, methods={"GET", "HEAD"})
    climb("client_erase", pk, roles={Role.OWNER}, methods={"POST"})
    climb("papers_erase", pk, roles={Role.OWNER}, methods={"POST"})

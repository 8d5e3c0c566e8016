"""One job: its page, counting in, hold, promise, corrections, its paper."""

import datetime
import io
from decimal import Decimal

import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from shop.documents.codes import job_address, job_code
from shop.documents.receipt import receipt
from shop.documents.tag import tags_of
from shop.models import Answer, Client, Estimate, Event, Job, Line, Option, Role
from shop.views.jobs import next_step
from shop.workflow import counts, stages
from shop.workflow.events import record
from shop.workflow.refusal import Refused
from tests.factories import make_client, make_instrument, make_job, make_person, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

SOON = datetime.timedelta(days=12)


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK, first_name="Tom", last_name="Quill")
    client.force_login(person)
    return person


def stand_at(job: Job, kind: str) -> Job:
    for stage in job.stages.all():
        if stage.kind == kind:
            break
        stage.state, stage.finished_at = "done", timezone.now()
        stage.save()
    job.stage = kind
    job.save(update_fields=["stage"])
    return Job.objects.for_lists().get(pk=job.pk)


def text_of(pdf: bytes) -> str:
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)


# --- the page ------------------------------------------------------------------------------------


@pytest.mark.once
@pytest.mark.parametrize(
    ("name", "methods", "roles"),
    [
        ("job_detail", {"GET"}, None),
        ("job_events", {"GET"}, None),
        ("job_edit", {"GET", "POST"}, None),
        ("job_promise", {"GET", "POST"}, {Role.DESK}),
        ("job_count_in", {"GET", "POST"}, None),
        ("job_hold", {"GET", "POST"}, None),
        ("job_release", {"POST"}, None),
        ("job_tags", {"GET"}, None),
        ("job_receipt", {"GET"}, None),
    ],
)
def test_every_page_of_a_job_asks_who_is_there(name, methods, roles):
    climb(name, make_job().number, roles=roles, methods=methods)
    gone(name, 999_999, method="POST" if methods == {"POST"} else "GET")


def test_the_page_says_what_came_where_it_is_and_what_happened(client, desk):
    owner = make_client(name="Ilse Varga", phone="0123 555 017")
    job = make_job(
        client=owner,
        instrument=make_instrument(client=owner, maker="Thornquist", serial="48 213"),
        missing=[3, 4, 5],
        boxes=2,
        damage="box 2 crushed",
        wishes="even touch",
        moved_on="spring 2024",
    )
    page = client.get(reverse("job_detail", args=[job.number])).content.decode()
    for words in (
        job.tag,
        "Ilse Varga",
        "0123 555 017",
        "Thornquist upright · 1928 · no. 48 213",
        "85 of 88 keys, A0 to C8",
        "3–5",
        "box 2 crushed",
        "even touch",
        "spring 2024",
        "Unpack and count in",
        "logged the set in, boxes: 2",
        "Print 2 tags",
    ):
        assert words in page, words
    assert page.count("btn-main") == 1
    assert page.index("Promise and price") < page.index("What arrived")  # what the phone asks for comes first
    assert "ask for one" not in page
    Client.objects.filter(pk=owner.pk).update(phone="", email="")
    again = client.get(reverse("job_detail", args=[job.number])).content.decode()
    assert "neither phone nor e-mail: ask for one" in again


def test_what_people_typed_is_shown_as_text(client, desk):
    job = make_job(damage="<script>alert(1)</script>", wishes="<b>x</b>")
    page = client.get(reverse("job_detail", args=[job.number])).content.decode()
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "<b>x</b>" not in page


def test_the_page_asks_as_often_for_a_long_history_as_for_a_short_one(client, desk):
    job = make_job()

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            client.get(reverse("job_detail", args=[job.number]))
        return len(captured)

    record("job_held", by=make_person(), job=job, reason="damp")
    few = queries()
    for _ in range(40):
        record("job_held", by=make_person(), job=job, reason="damp")
    assert queries() == few


def test_a_long_history_has_pages_of_its_own(client, desk):
    job = make_job()
    for number in range(60):
        record("job_held", by=desk, job=job, reason=f"reason {number}")
    page = client.get(reverse("job_detail", args=[job.number])).content.decode()
    assert "reason 59" in page
    assert "reason 40" not in page
    everything = reverse("job_events", args=[job.number])
    assert everything in page
    assert "reason 20" in client.get(everything).content.decode()
    assert "reason 0<" in client.get(everything, {"page": 2}).content.decode()
    assert client.get(everything, {"page": "x"}).status_code == 200
    assert client.get(everything, {"page": 10**30}).status_code == 200


@pytest.mark.parametrize(
    ("kind", "movers"),
    [
        ("count_in", {"desk", "technician", "owner"}),
        ("arrival_check", {"technician", "owner"}),
        ("estimate", {"technician", "owner"}),
        ("answer", {"desk", "owner"}),
        ("final_check", {"technician", "owner"}),
        ("pack", {"desk", "technician", "owner"}),
        ("leave", {"desk", "technician", "owner"}),
    ],
)
def test_the_next_step_is_offered_to_whoever_may_take_it(kind, movers):
    job = stand_at(make_job(), kind)
    offered = set()
    for role in Role.values:
        step = next_step(job, make_person(role=role))
        if step.href or step.check:
            offered.add(role)
        else:
            assert step.sentence
    assert offered == movers


def test_the_owner_goes_on_with_the_estimate_that_was_begun():
    job, owner = stand_at(make_job(), "estimate"), make_person(role=Role.OWNER)
    assert next_step(job, owner).href == reverse("advice", args=[job.number])
    draft = priced(job, "draft", "702.00")
    job = Job.objects.for_lists().get(pk=job.pk)
    assert next_step(job, owner).href == reverse("estimate_detail", args=[draft.number])
    technician = make_person(role=Role.TECHNICIAN)
    assert next_step(job, technician).href == reverse("advice", args=[job.number])


def test_the_answer_is_taken_on_the_estimate_that_was_sent(client, desk):
    job = stand_at(make_job(), "answer")
    sent = priced(job, "sent", "702.00")
    assert reverse("estimate_detail", args=[sent.number]) in page_of(client, job)


def test_a_set_on_hold_or_gone_offers_no_step():
    owner = make_person(role=Role.OWNER)
    job = make_job()
    assert next_step(stages.job_hold(job, by=owner, reason="damp"), owner).href == ""
    job = make_job()
    job.left_at = timezone.now()
    assert next_step(job, owner).href == ""


# --- price --------------------------------------------------------------------------------------


def priced(job: Job, state: str, *prices: str, allowance: int = 0) -> Estimate:
    """An estimate with an option at each price, 20 % tax, an allowance of so many keys at 11.00."""
    estimate = Estimate.objects.create(
        number=Estimate.objects.count() + 1,
        job=job,
        state=state,
        currency="EUR",
        tax_name="Tax",
        tax_rate=20,
        deposit_rate=30,
        valid_until=timezone.localdate(),
        allowance_keys=allowance,
        allowance_price=11,
        created_at=timezone.now(),
        created_by=make_person(),
    )
    for letter, price in zip("ABC", prices, strict=False):
        option = Option.objects.create(estimate=estimate, letter=letter, title="New cloth")
        Line.objects.create(
            estimate=estimate, option=option, title="Cloth", quantity=1, unit="set", unit_price=Decimal(price)
        )
    return estimate


def page_of(client, job: Job) -> str:
    return client.get(reverse("job_detail", args=[job.number])).content.decode().replace("\u202f", " ")


def test_the_page_says_what_it_will_cost(client, desk):
    job = make_job()
    assert "No price yet." in page_of(client, job)
    estimate = priced(job, "sent", "702.00", "1709.60", allowance=8)
    assert "With the client: 842.40 to 2 051.52 EUR with tax, by option." in page_of(client, job)
    assert "Hidden damage may add at most 105.60 EUR." in page_of(client, job)
    Answer.objects.create(
        estimate=estimate, kind="yes", option=estimate.options.get(letter="B"), name="Ilse", at=timezone.now()
    )
    Estimate.objects.update(state="accepted")
    agreed = page_of(client, job)
    assert "Agreed: 2 051.52 EUR with tax." in agreed
    assert "The deposit of 615.46 EUR is not here yet." in agreed  # 30 % of it
    Estimate.objects.update(deposit_paid_at=timezone.now())
    assert "is not here yet" not in page_of(client, job)


def test_a_draft_is_no_price_to_tell(client, desk):
    job = make_job()
    priced(job, "draft", "702.00")
    assert "No price yet." in page_of(client, job)


# --- counting in ---------------------------------------------------------------------------------


def test_a_count_that_agrees_finishes_the_stage(client, desk):
    job = make_job(missing=[3], boxes=2)
    answer = client.post(reverse("job_count_in", args=[job.number]), {"keys": "87", "boxes": "2"})
    assert answer["Location"] == reverse("job_detail", args=[job.number])
    job.refresh_from_db()
    assert job.stage == "arrival_check"
    assert job.stages.get(kind="count_in").finished_by == desk
    assert job.events.filter(what="job_counted", by=desk).count() == 1


@pytest.mark.parametrize(
    ("keys", "boxes", "shout"),
    [
        ("86", "2", "1 key is missing"),
        ("84", "2", "3 keys are missing"),
        ("88", "2", "1 key more than was logged in"),
        ("87", "1", "1 box is missing"),
        ("87", "4", "2 boxes more than were logged in"),
    ],
)
def test_a_count_that_differs_is_shouted_and_finishes_nothing(client, desk, keys, boxes, shout):
    job = make_job(missing=[3], boxes=2)
    page = client.post(reverse("job_count_in", args=[job.number]), {"keys": keys, "boxes": boxes}).content.decode()
    assert shout in page
    assert 'role="alert"' in page
    assert "Logged in: 87 keys, boxes: 2." in page
    assert reverse("compass_edit", args=[job.number]) in page
    job.refresh_from_db()
    assert job.stage == "count_in"
    assert job.events.filter(what="count_differed").count() == 1


@pytest.mark.parametrize("keys", ["", "-1", "129", str(10**30), "1" * 5000, "8.8", "x", "\x00"])
def test_a_count_that_is_no_count_is_refused(client, desk, keys):
    job = make_job()
    page = client.post(reverse("job_count_in", args=[job.number]), {"keys": keys, "boxes": "1"})
    assert "keys" in page.context["form"].errors
    assert Event.objects.exclude(what="job_logged_in").count() == 0


def test_a_set_is_counted_in_once(client, desk):
    job = make_job()
    address = reverse("job_count_in", args=[job.number])
    client.post(address, {"keys": "88", "boxes": "1"})
    assert client.get(address)["Location"] == reverse("job_detail", args=[job.number])
    assert client.post(address, {"keys": "88", "boxes": "1"}).status_code == 302
    assert job.events.filter(what="job_counted").count() == 1
    with pytest.raises(Refused):
        counts.count_in(job, by=desk, keys=88, boxes=1)


def test_a_set_on_hold_is_not_counted_in(client, desk):
    job = make_job()
    stages.job_hold(job, by=desk, reason="damp")
    client.post(reverse("job_count_in", args=[job.number]), {"keys": "88", "boxes": "1"})
    job.refresh_from_db()
    assert job.stage == "count_in"
    assert not job.events.filter(what="job_counted").exists()


# --- hold ----------------------------------------------------------------------------------------


def test_a_set_goes_on_hold_with_a_reason_and_comes_off_it(client, desk):
    job = make_job()
    assert client.post(reverse("job_hold", args=[job.number]), {"waits_for": "part", "reason": " "}).status_code == 200
    assert (
        client.post(reverse("job_hold", args=[job.number]), {"waits_for": "part", "reason": "x" * 201}).status_code
        == 200
    )
    job.refresh_from_db()
    assert job.held_since is None
    client.post(reverse("job_hold", args=[job.number]), {"waits_for": "part", "reason": "pins are ordered"})
    job.refresh_from_db()
    assert job.hold_reason == "pins are ordered"
    assert "On hold: pins are ordered" in client.get(reverse("job_detail", args=[job.number])).content.decode()
    client.post(reverse("job_release", args=[job.number]))
    job.refresh_from_db()
    assert job.held_since is None
    again = client.post(reverse("job_release", args=[job.number]), follow=True)
    assert "not on hold" in again.content.decode()
    assert job.events.filter(what__in=["job_held", "job_released"]).count() == 2


# --- promise -------------------------------------------------------------------------------------


def test_a_promise_changes_with_its_reason(client, desk):
    job = make_job()
    day = timezone.localdate() + SOON
    client.post(
        reverse("job_promise", args=[job.number]), {"promised_on": day.isoformat(), "reason": "the client asked"}
    )
    job.refresh_from_db()
    assert job.promised_on == day
    event = job.events.get(what="promise_changed")
    assert event.details == {"before": "", "after": day.isoformat(), "reason": "the client asked"}
    client.post(reverse("job_promise", args=[job.number]), {"promised_on": ""})
    job.refresh_from_db()
    assert job.promised_on is None


def test_a_promise_is_never_made_for_a_day_that_has_passed(client, desk):
    job = make_job()
    yesterday = timezone.localdate() - datetime.timedelta(days=1)
    page = client.post(reverse("job_promise", args=[job.number]), {"promised_on": yesterday.isoformat()})
    assert "promised_on" in page.context["form"].errors
    assert not job.events.filter(what="promise_changed").exists()


def test_an_old_promise_may_stay_and_leaves_no_event(client, desk):
    past = timezone.localdate() - SOON
    job = make_job(promised_on=past)
    assert client.post(reverse("job_promise", args=[job.number]), {"promised_on": past.isoformat()}).status_code == 302
    assert not job.events.filter(what="promise_changed").exists()


def test_nothing_is_promised_for_a_set_that_has_gone(client, desk):
    job = make_job()
    Job.objects.filter(pk=job.pk).update(left_at=timezone.now())
    day = (timezone.localdate() + SOON).isoformat()
    assert (
        "has gone home" in client.post(reverse("job_promise", args=[job.number]), {"promised_on": day}).content.decode()
    )


# --- what arrived --------------------------------------------------------------------------------


def arrival(**fields) -> dict:
    return {"boxes": "1", "with_keyframe": "on", **fields}


def test_a_correction_says_what_changed_and_quotes_no_free_text(client, desk):
    job = make_job(wishes="call Mrs Varga at home")
    client.post(reverse("job_edit", args=[job.number]), arrival(boxes="3", wishes="call her at work", humidity="41.5"))
    job.refresh_from_db()
    assert (job.boxes, job.wishes, str(job.humidity)) == (3, "call her at work", "41.5")
    event = job.events.get(what="job_changed")
    assert event.details == {"changes": [["boxes", 1, 3], ["wishes"], ["humidity", None, "41.5"]]}
    page = client.get(reverse("job_detail", args=[job.number])).content.decode()
    assert "changed what arrived: boxes 1 → 3, client&#x27;s wishes, room humidity, % RH – → 41.5" in page


def test_a_correction_of_nothing_leaves_no_event(client, desk):
    job = make_job()
    client.post(reverse("job_edit", args=[job.number]), arrival())
    assert not job.events.filter(what="job_changed").exists()


def test_a_wrong_correction_keeps_what_was_typed(client, desk):
    job = make_job()
    page = client.post(reverse("job_edit", args=[job.number]), arrival(boxes="99", damage="box 2 crushed"))
    assert "boxes" in page.context["form"].errors
    assert "box 2 crushed" in page.content.decode()
    job.refresh_from_db()
    assert (job.boxes, job.damage) == (1, "")


# --- paper ---------------------------------------------------------------------------------------


def test_there_is_a_tag_for_every_box(client, desk):
    make_workshop(name="Testing Key Works")
    job = make_job(boxes=3, missing=[3], with_keyframe=False)
    answer = client.get(reverse("job_tags", args=[job.number]))
    assert answer["Content-Type"] == "application/pdf"
    assert answer["Content-Disposition"] == f'inline; filename="{job.tag}-tags.pdf"'
    text = text_of(answer.content)
    for box in (1, 2, 3):
        assert f"box {box} of 3" in text
    assert text.count(job.tag) == 3
    assert text.count(job.client.name) == 3
    assert text.count("87 of 88 keys, A0 to C8 · missing 3 · no keyframe") == 3


def test_the_code_leads_to_the_set():
    job = make_job()
    assert job_address(job) == f"{settings.SITE_ADDRESS}/scan/{job.tag}/"
    assert job_code(job).startswith("data:image/svg+xml;")


def test_the_receipt_says_what_arrived():
    make_workshop(name="Testing Key Works", address="4 Tannery Row", receipt_terms="Bring this receipt.")
    job = make_job(
        missing=[3], boxes=2, damage="box 2 crushed", wishes="even touch", with_sample_pins=True, carrier="Wendle"
    )
    text = text_of(receipt(job))
    for words in (
        "Testing Key Works",
        "4 Tannery Row",
        job.tag,
        job.client.name,
        "87 of 88 keys, A0 to C8",
        "box 2 crushed",
        "even touch",
        "Bring this receipt.",
        "Page 1 of 1",
        "Wendle",
    ):
        assert words in text, words


@pytest.mark.parametrize(("keytops", "warned"), [("ivory", True), ("plastic", False), ("", False)])
def test_the_receipt_warns_of_ivory_only_where_there_is_some(keytops, warned):
    job = make_job(instrument=make_instrument(keytops=keytops))
    assert ("CITES" in text_of(receipt(job))) is warned


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
@pytest.mark.parametrize("document", [receipt, tags_of])
def test_paper_has_the_size_the_shop_uses(document, paper, size):
    """ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: A is 8.5 x 11 in. In points of 1/72 in."""
    make_workshop(paper=paper)
    box = PdfReader(io.BytesIO(document(make_job()))).pages[0].mediabox
    assert (round(box.width), round(box.height)) == size


def test_a_long_receipt_runs_over_pages_with_a_running_head():
    text = text_of(receipt(make_job(damage="crushed corner, " * 120, wishes="even touch\n" * 90)))
    assert "Page 2 of 3" in text
    assert "· Receipt" in text


@pytest.mark.parametrize("document", [receipt, tags_of])
def test_the_same_set_makes_the_same_bytes(document):
    job = make_job()
    assert document(job) == document(Job.objects.get(pk=job.pk))


def test_names_on_paper_are_text_whatever_they_hold():
    owner = make_client(name='<img src="file:///etc/passwd"> & Söhne')
    job = make_job(client=owner, instrument=make_instrument(client=owner), damage="<script>x</script>")
    assert '<img src="file:///etc/passwd"> & Söhne' in text_of(receipt(job))

"""What stripping finds is held against what was agreed: within the allowance the work goes on, beyond it it stops.

The sums are reckoned here by hand from the price a key and the number of keys; that hidden wood damage is covered by
an allowance up to a ceiling, and beyond it asked for again, is the rule of the trade that the shop's terms follow.
"""

import random
from decimal import Decimal

import pytest
from django.core import mail
from django.urls import reverse
from django.utils import timezone
from post_office.models import Email

from keyboards import advising
from keyboards.models import Check
from keyboards.progressing import progress_of
from keyboards.workflow import pricing
from keyboards.workflow.checks import check_close
from keyboards.workflow.decisions import decision_record, sections_keep
from shop.documents.estimate import estimate_html
from shop.models import Estimate, EstimateState, Event, Line, LineKind, Role
from shop.workflow import bills, estimates, stages
from shop.workflow.opening import open_shop
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_client, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]

KNOWN = (30, 44)


@pytest.fixture
def owner(client):
    open_shop(name="Testing Key Works", deposit_rate=Decimal(0))
    person = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    client.force_login(person)
    return person


def read(check, torn=(), cracked=()):
    chance = random.Random(5)
    found = [
        {"button_cracked": 3} if key in cracked else {"mortise_torn": 2} if key in torn else {} for key in range(1, 89)
    ]
    make_readings(
        check=check,
        keys=list(range(1, 89)),
        balance_mortise_width=[round(1000 * chance.gauss(5.55, 0.03)) for _ in range(88)],
        balance_pin=3700,
        findings=found,
        grade=[3 if key in cracked else 2 if key in torn else 1 for key in range(1, 89)],
    )


def to_strip(owner, *, known=KNOWN, allowance=6, choose="", **client):
    """A set whose arrival check knew of some torn mortises, agreed with an allowance, and stripped."""
    job = make_job(client=make_client(**client))
    arrival = make_check(job=job, closed=True)
    read(arrival, torn=known)
    sections_keep(job=job, sections=[("low", 1, 60), ("high", 61, 88)], by=owner)
    advice = advising.advise(job, arrival)
    chosen = list(choose) if isinstance(choose, tuple) else [choose or section.advised for section in advice.sections]
    decision = decision_record(job=job, basis=arrival, chosen=chosen, by=owner, reason="As the client wishes")
    for kind in ("count_in", "arrival_check"):
        stages.stage_finish(job.stages.get(kind=kind), by=owner)
    estimate = pricing.estimate_from_decision(decision, by=owner)
    Estimate.objects.filter(pk=estimate.pk).update(allowance_keys=allowance, allowance_price=Decimal(8))
    estimates.estimate_send(estimate, to="ilse@example.org", by=owner)
    option = next(row for row in estimate.options.all() if row.advised)
    estimates.estimate_accept(estimate, option=option, name="Ilse")
    stages.stage_finish(job.stages.get(kind="strip"), by=owner)
    job.refresh_from_db()
    assert job.stage == "stripped_check"
    return job


def strip(job, owner, *, torn=(), cracked=()) -> Check:
    check = make_check(job=job, kind="stripped")
    read(check, torn=torn, cracked=cracked)
    return check_close(check, by=owner, confirm=True)


def after_strip(job):
    """The bench stage that comes behind the stripped check."""
    return next(stage for stage in job.stages.all() if stage.position > 60 and stage.is_open)


def page_of(client, name, *args) -> str:
    return " ".join(client.get(reverse(name, args=args)).content.decode().replace("\u202f", " ").split())


def test_what_was_known_on_arrival_stops_nothing(owner):
    job = to_strip(owner)
    strip(job, owner, torn=KNOWN)
    assert pricing.found_beyond(job) is None
    stages.stage_begin(after_strip(job), by=owner)


def test_keys_in_sections_with_new_buttons_need_no_repair(owner):
    job = to_strip(owner, choose=("reclothe_with_repairs", "renew_section"), allowance=0)
    stage = job.stages.get(kind="strip")
    assert (progress_of(stage).wanted, progress_of(stage).part) == (60, "1\u201360")  # as many as were agreed
    Line.objects.filter(stage="strip").update(quantity=88)  # another option was agreed: which keys nobody can tell
    assert progress_of(stage).wanted == 88
    strip(job, owner, torn=(*KNOWN, 70, 71), cracked=(80,))
    lines = Line.objects.filter(estimate__job=job, operation__code="button_batch", quantity=28)
    for where in ("high 61–88", "61-88", "the high ones", "treble"):  # the owner's words, on the draft
        lines.update(section=where)
        assert pricing.found_beyond(job) is None, where
    lines.update(section="treble", quantity=20)  # which keys that is nobody can tell: the owner is asked
    assert pricing.found_beyond(job).more_renewed == (80,)


def test_damage_that_the_client_chose_to_leave_is_not_found_again(owner):
    job = to_strip(owner, choose="reclothe", allowance=0)
    strip(job, owner, torn=KNOWN)
    assert pricing.found_beyond(job) is None


def test_stripping_says_how_many_keys_and_what_the_allowance_covers(client, owner):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3, 12, 50))
    found = pricing.found_beyond(job)
    assert (found.more, found.more_lined, found.more_renewed, found.within) == (3, (3, 12, 50), (), True)
    assert found.cost == Decimal("24.00")  # 3 at 8.00
    for name in ("job_detail", "stripping_found", "advice"):
        page = page_of(client, name, job.number)
        assert "Stripping found: 3 more keys need wood repairs." in page, name
        assert "The allowance covers 6 at 8.00, 48.00 together." in page, name


def test_the_bench_stands_still_until_the_owner_has_said_so(owner):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3))
    job.refresh_from_db()
    assert job.stage == "stripped_check"
    with pytest.raises(Refused, match=r"Stripping found: 1 more key .* within the allowance first"):
        stages.stage_begin(after_strip(job), by=owner)
    with pytest.raises(Refused, match="Stripping found: 1 more key"):
        stages.stage_finish(job.stages.get(kind="stripped_check"), by=owner)


def test_within_the_allowance_the_keys_become_agreed_work_and_the_client_is_told(
    client, owner, django_capture_on_commit_callbacks
):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3, 12, 50))
    agreed = Estimate.objects.get(job=job)
    before = Estimate.objects.with_lines().get(pk=agreed.pk).agreed.totals
    minutes = job.stages.get(kind="repairs").minutes
    page = page_of(client, "stripping_found", job.number)
    assert "3 at 8.00, 24.00 EUR before tax, 28.80 with it" in page  # 20 % of 24.00 is 4.80
    mail.outbox.clear()
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(
            reverse("found_within", args=[job.number]),
            {"how": "letter", "to": "ilse@example.org", "message": "Dear Ilse, three more keys."},
        )
    assert answer["Location"] == reverse("job_detail", args=[job.number])
    assert [letter.body for letter in mail.outbox] == ["Dear Ilse, three more keys."]
    line = Line.objects.get(kind=LineKind.HIDDEN)
    assert (line.quantity, line.total, line.section) == (3, Decimal("24.00"), "keys 3, 12, 50")
    now = Estimate.objects.with_lines().get(pk=agreed.pk)
    assert now.agreed.totals == before  # what was sent says the same for ever
    assert line in job.estimates.agreed_lines()
    assert job.stages.get(kind="repairs").minutes == minutes + 3 * line.minutes
    event = Event.objects.get(what="allowance_used")
    assert (event.by, event.details["keys"], event.details["letter"]) == (owner, 3, True)
    job.refresh_from_db()
    assert job.stage != "stripped_check"
    stages.stage_begin(after_strip(job), by=owner)
    assert pricing.found_beyond(job) is None
    bill = bills.bill_draft(job, by=owner)
    assert bill.lines.get(kind="allowance").quantity == 3
    told = before.gross + Decimal("28.80")
    told_words = f"Agreed: {told:,}".replace(",", " ")
    assert f"{told_words} EUR with tax." in page_of(client, "job_detail", job.number)
    assert "Hidden damage may add" not in page_of(client, "job_detail", job.number)
    detail = client.get(agreed.get_absolute_url()).content.decode()
    assert "keys 3, 12, 50" in detail


def test_a_second_click_on_go_on_books_nothing_twice(client, owner):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3))
    for _ in range(2):
        client.post(reverse("found_within", args=[job.number]), {"how": "told"})
    assert Line.objects.filter(kind=LineKind.HIDDEN).count() == 1
    assert Event.objects.filter(what="allowance_used").count() == 1


@pytest.mark.parametrize(
    "bad",
    [
        {"how": "letter", "to": "", "message": "Dear Ilse"},
        {"how": "letter", "to": "ilse", "message": "Dear Ilse"},
        {"how": "letter", "to": "ilse@example.org", "message": ""},
        {"how": "letter", "to": "ilse@example.org", "message": "x\x00"},
        {"how": "pigeon"},
        {},
    ],
)
def test_a_letter_that_cannot_go_stops_the_step_and_keeps_the_words(client, owner, bad):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3))
    letters = Email.objects.count()
    page = client.post(reverse("found_within", args=[job.number]), bad)
    assert 'class="error"' in page.content.decode()
    assert not Line.objects.filter(kind=LineKind.HIDDEN).exists()
    assert Email.objects.count() == letters


def test_beyond_the_allowance_only_a_revised_estimate_goes_on(client, owner):
    job = to_strip(owner)
    torn = (3, 12, 50, 51, 52, 60, 61)
    strip(job, owner, torn=(*KNOWN, *torn))
    assert not pricing.found_beyond(job).within  # 7 against 6
    page = client.post(reverse("found_within", args=[job.number]), {"how": "told"}).content.decode()
    assert "more than the allowance covers" in page
    assert client.post(reverse("found_revise", args=[job.number])).status_code == 302
    draft = Estimate.objects.with_lines().get(state=EstimateState.DRAFT)
    old = Estimate.objects.with_lines().get(state=EstimateState.ACCEPTED)
    assert (draft.version, draft.allowance_keys) == (2, 0)
    (priced,) = draft.offer
    added = priced.totals.net - old.agreed.totals.net
    assert added == Decimal("56.00")  # 7 at 8.00
    assert "keys 3, 12, 50–52, 60, 61" in draft.intro
    assert draft.intro.endswith(f"What we wrote before that, with the old cloth still in:\n\n{old.intro}")
    assert "9 mortises lined" in priced.option.point_list
    assert "2 mortises lined" not in priced.option.point_list
    assert [line.section for line in priced.lines if line.unit_price == 8] == ["keys 3, 12, 50–52, 60, 61"]


def test_the_set_stands_still_through_the_revised_estimate_and_goes_on_with_its_yes(client, owner):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3, 12, 50, 51, 52, 60, 61))
    first = after_strip(job)
    with pytest.raises(Refused, match="revised estimate must be agreed before any more work"):
        stages.stage_begin(first, by=owner)
    client.post(reverse("found_revise", args=[job.number]))
    draft = Estimate.objects.get(state=EstimateState.DRAFT)
    with pytest.raises(Refused, match="revised estimate"):
        stages.stage_begin(first, by=owner)
    paid = {"kind": "payment", "method": "cash", "received_on": timezone.localdate(), "at": timezone.now(), "by": owner}
    bills.payment_keep(job, amount=Decimal(90), **paid)
    client.post(
        reverse("estimate_send", args=[draft.number]), {"how": "letter", "to": "ilse@example.org", "message": "See."}
    )
    job.refresh_from_db()
    assert job.held_since
    with pytest.raises(Refused, match=r"on hold.*Waiting for the answer to E-\d+ version 2"):
        stages.stage_begin(first, by=owner)
    draft.refresh_from_db()
    bills.payment_keep(job, amount=Decimal(5), **{**paid, "at": timezone.now()})  # too late for it
    for text in (page_of(client, "estimate_preview", draft.number), estimate_html(draft)):
        assert "You have paid 90.00 EUR already: it counts towards this." in text
        assert "what is called sound here is their wood" in text
    estimates.estimate_accept(draft, option="A", name="Ilse")
    job.refresh_from_db()
    assert (job.held_since, job.stage == "stripped_check") == (None, False)
    assert pricing.found_beyond(job) is None
    stages.stage_begin(after_strip(job), by=owner)
    lined = [line for line in job.estimates.agreed_lines() if line.operation.code == "repair"]
    assert sum(line.quantity for line in lined) == 9


def test_a_cracked_button_is_never_within_an_allowance_for_linings(owner):
    job = to_strip(owner)
    strip(job, owner, torn=KNOWN, cracked=(70,))
    found = pricing.found_beyond(job)
    assert (found.more_renewed, found.within) == ((70,), False)
    draft = pricing.revise(job, by=owner)
    assert {line.operation.code for line in draft.lines.filter(section="key 70")} == {"button_single", "button_setup"}


def test_after_a_no_the_owner_goes_on_as_agreed_with_a_reason(client, owner):
    job = to_strip(owner)
    check = strip(job, owner, torn=(*KNOWN, 3, 12, 50, 51, 52, 60, 61))
    draft = pricing.revise(job, by=owner)
    address = reverse("found_leave", args=[job.number])
    assert "withdraw it first" in client.post(address, {"reason": "No"}).content.decode()
    estimates.estimate_send(draft, to="", by=owner)
    draft.refresh_from_db()
    estimates.estimate_decline(draft, name="Ilse", reason="Too dear")
    with pytest.raises(Refused):
        stages.stage_begin(after_strip(job), by=owner)
    assert 'class="error"' in client.post(address, {"reason": " "}).content.decode()
    assert client.post(address, {"reason": "The client keeps the seven keys as they are."}).status_code == 302
    job.refresh_from_db()
    check.refresh_from_db()
    assert (job.held_since, check.released_by) == (None, owner)
    assert Event.objects.get(what="found_left").details["reason"].startswith("The client keeps")
    stages.stage_begin(after_strip(job), by=owner)


def test_a_check_opened_again_is_judged_again(owner):
    from keyboards.workflow.checks import check_reopen

    job = to_strip(owner)
    check = strip(job, owner, torn=(*KNOWN, 3))
    pricing.leave_found(job, reason="Hardly torn", by=owner)
    check = check_reopen(check, reason="Looked again", by=owner)
    check_close(check, by=owner, confirm=True)
    assert pricing.found_beyond(job).more == 1


def test_a_new_version_of_an_estimate_bills_what_the_allowance_was_used_for(owner):
    job = to_strip(owner)
    strip(job, owner, torn=(*KNOWN, 3, 12))
    pricing.go_on_within(job, by=owner)
    old = Estimate.objects.with_lines().get(job=job)
    new = Estimate.objects.with_lines().get(pk=estimates.estimate_new_version(old, by=owner).pk)
    assert new.allowance_keys == 4  # 6 less 2 used
    option = next(one for one in new.offer if one.option.advised)
    assert option.totals.net == old.agreed.totals.net + Decimal("16.00")


@pytest.mark.once
def test_the_ladder_of_what_stripping_found(client, owner):
    job = to_strip(owner)
    assert client.get(reverse("stripping_found", args=[job.number])).status_code == 302  # nothing was found
    strip(job, owner, torn=(*KNOWN, 3))
    client.force_login(make_person())
    page = page_of(client, "stripping_found", job.number)
    assert "The owner says so before the work goes on." in page
    assert "<form" not in page.split("<main")[1]
    climb("stripping_found", job.number, roles={Role.TECHNICIAN})
    gone("stripping_found", 4711)
    for name in ("found_within", "found_revise", "found_leave"):
        climb(name, job.number, roles={Role.OWNER}, methods={"POST"})
        gone(name, 4711, method="POST")

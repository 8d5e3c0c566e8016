"""Estimates: drafted, written on, sent, answered once, and what each step does to the set's route."""

import datetime
import threading
from decimal import ROUND_HALF_UP, Decimal
from io import BytesIO

import pytest
from django.db import IntegrityError, connections, transaction
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from pypdf import PdfReader

from shop.core import route
from shop.documents.estimate import compared, estimate_html, estimate_pdf
from shop.models import Answer, Estimate, EstimateState, Event, Line, Operation, Role, Stage, TaxClass, token_hash
from shop.workflow import estimates, stages
from shop.workflow.estimates import DraftLine, DraftOption
from shop.workflow.refusal import Refused
from tests.factories import (
    make_check,
    make_client,
    make_draft,
    make_job,
    make_person,
    make_readings,
    make_sent,
    make_workshop,
    token_of,
)
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db
quick = pytest.mark.usefixtures("quick_paper")


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER, first_name="Ada", last_name="Fennimore")
    client.force_login(person)
    return person


def read(estimate: Estimate) -> Estimate:
    return Estimate.objects.with_lines().get(pk=estimate.pk)


def at_the_answer(**fields):
    """A job whose arrival check is done, with its estimate at the client."""
    job = make_job()
    person = make_person(role=Role.OWNER)
    now = timezone.now()
    job.stages.filter(kind__in=("count_in", "arrival_check")).update(state=route.DONE, finished_at=now)
    job.stage = "estimate"
    job.save(update_fields=["stage"])
    estimate = make_sent(job=job, by=person, **fields)
    job.refresh_from_db()
    return job, estimate


# --- sums ----------------------------------------------------------------------------------------

PRICES = st.decimals(min_value=0, max_value=9999, places=3)
QUANTITIES = st.decimals(min_value=Decimal("0.01"), max_value=500, places=2)
CURRENCIES = st.sampled_from(["EUR", "JPY", "KWD", "USD"])


@given(st.lists(st.tuples(QUANTITIES, PRICES, st.booleans()), min_size=1, max_size=12), CURRENCIES)
@hypothesis_settings(max_examples=60, deadline=None)
def test_the_sum_is_the_sum_of_what_is_printed(lines, currency):
    estimate = Estimate(pk=1, currency=currency, tax_rate=Decimal("20"), deposit_rate=Decimal("30"))
    option = estimate.options.model(estimate=estimate, letter="A", title="A")
    option.pk = 1
    rows = [
        Line(pk=n, estimate=estimate, option=option, quantity=q, unit_price=-p if off else p,
             kind="discount" if off else "work", title=str(n))
        for n, (q, p, off) in enumerate(lines)
    ]  # fmt: skip
    estimate._prefetched_objects_cache = {"lines": FakeRows(rows), "options": FakeRows([option])}
    priced = estimate.priced(option)
    assert priced.totals.net == sum(line.total for line in rows)
    assert priced.totals.gross == priced.totals.net + priced.totals.tax
    printed = [cell.total for row in compared(estimate) for cell in row.cells if cell]
    assert sum(printed) == priced.totals.net
    decimals = {"JPY": 0, "KWD": 3}.get(currency, 2)
    assert all(-line.total.as_tuple().exponent == decimals for line in rows)


class FakeRows(list):
    """Stands in for a prefetched relation."""

    def all(self):
        return self


def test_lines_copy_the_price_list_and_keep_it():
    make_workshop(hourly_rate=Decimal("60"))
    estimate = make_draft()
    line = estimate.lines.filter(operation__code="cloth").first()
    assert (line.unit_price, line.minutes, line.stage) == (Decimal("4.250"), Decimal("4.00"), "cloth")
    assert line.total == Decimal("374.00")
    before = read(estimate).offer[0].totals
    Operation.objects.filter(code="cloth").update(minutes=99)
    assert read(estimate).offer[0].totals == before


def test_yen_have_no_decimals():
    make_workshop(currency="JPY", hourly_rate=Decimal("6000"))
    estimate = read(make_draft(job=make_job()))
    assert estimate.currency == "JPY"
    totals = estimate.offer[0].totals
    assert {value.as_tuple().exponent for value in (totals.net, totals.tax, totals.gross, totals.deposit)} == {0}
    assert "." not in "".join(
        cell for cell in estimate_html(estimate).split("To pay, JPY")[1].split("</tr>")[0] if cell in "0123456789."
    )


def test_a_discount_is_taken_off_and_printed():
    person = make_person(role=Role.OWNER)
    estimate = make_draft(by=person)
    before = read(estimate).offer[0].totals.net
    estimates.line_add(
        estimate, DraftLine("", Decimal(1), title="For old times", unit_price=Decimal(50), kind="discount"), by=person
    )
    assert read(estimate).offer[0].totals.net == before - 50


def test_a_discount_of_ten_percent_is_a_tenth_of_each_options_work_and_says_of_what(client):
    """10 % of 935.00 is 93.50: by hand. Extras, and work under another tax, keep their price."""
    client.force_login(person := make_person(role=Role.OWNER))
    estimate = make_draft(by=person)
    address = reverse("estimate_detail", args=[estimate.number])
    works = [priced.totals.net for priced in read(estimate).offer]
    share = {"ncommon-title": "For old times", "ncommon-unit_price": " 10% "}
    refused = client.post(address, typed(estimate, add="common", **share)).content.decode()
    assert "Only a discount is a percentage" in refused
    for wrong in ("0 %", "100.01 %", "-5 %", "1.234 %", "%", "1e1 %"):
        page = client.post(
            address, typed(estimate, add="common", **{**share, "ncommon-unit_price": wrong, "ncommon-discount": "on"})
        )
        assert b"Nothing was kept yet" in page.content, wrong
    client.post(address, typed(estimate, add="common", **{**share, "ncommon-discount": "on"}))
    line = estimate.lines.get(kind="discount")
    assert (line.percent, line.quantity) == (10, 1)
    offer, html = read(estimate).offer, estimate_html(read(estimate))
    for work, priced in zip(works, offer, strict=True):
        off = (work / 10).quantize(Decimal("0.01"), ROUND_HALF_UP)
        assert priced.totals.net == work - off
        told = f"of {work:,}</span><br>-{off:,}</td>".replace(",", "\u202f")
        assert told in html
        assert f"10 % of {work:,}".replace(",", "\u202f") == priced.lines[-1].amount
    assert html.count("For old times") == 1  # one row, whatever it comes to in each option
    page = client.get(address).content.decode()
    assert f'name="l{line.pk}-unit_price" value="10 %"' in page
    client.post(address, typed(estimate, **{f"l{line.pk}-unit_price": "7,5 %"}))
    assert read(estimate).offer[0].totals.net == works[0] - (works[0] * Decimal("0.075")).quantize(
        Decimal("0.01"), ROUND_HALF_UP
    )
    reduced = TaxClass.objects.create(name="reduced", rate=5)
    strip = estimate.lines.get(operation__code="strip", option__letter="A")
    Line.objects.filter(pk=strip.pk).update(tax_name=reduced.name, tax_rate=reduced.rate)
    rest = works[0] - strip.total
    assert f"7.5 % of {rest}, the work under Tax 20 %" == read(estimate).offer[0].lines[-1].amount
    assert "(off the work under Tax 20 %)" in estimate_html(read(estimate))
    client.post(address, typed(estimate, **{f"l{line.pk}-unit_price": "30"}))
    assert (line.__class__.objects.get(pk=line.pk).percent, read(estimate).offer[0].totals.net) == (None, works[0] - 30)


def test_amounts_too_large_to_add_up_are_refused_and_not_kept():
    person = make_person(role=Role.OWNER)
    estimate = make_draft(by=person)
    huge = DraftLine("", Decimal(9999), title="x", unit_price=Decimal(10**9))
    with pytest.raises(Refused, match="too large"):
        estimates.line_add(estimate, huge, by=person)
    assert not estimate.lines.filter(title="x").exists()


# --- drafts --------------------------------------------------------------------------------------


def test_numbers_count_up_and_a_job_keeps_its_own():
    first, second = make_draft(), make_draft()
    assert second.number == first.number + 1
    person = make_person(role=Role.OWNER)
    estimates.estimate_discard(second, by=person)
    again = make_draft(job=second.job)
    assert (again.number, again.version) == (first.number + 1, 1)


def test_a_job_has_one_draft_at_a_time():
    estimate = make_draft()
    with pytest.raises(Refused, match="still being written"):
        make_draft(job=estimate.job)
    with pytest.raises(IntegrityError), transaction.atomic():
        Estimate.objects.create(
            number=estimate.number, version=9, job=estimate.job, currency="EUR", tax_name="Tax", tax_rate=0,
            deposit_rate=0, valid_until=timezone.localdate(), created_at=timezone.now(), created_by=estimate.created_by,
        )  # fmt: skip


def test_an_unknown_operation_is_refused_with_its_name():
    job, person = make_job(), make_person(role=Role.OWNER)
    with pytest.raises(Refused, match="gilding"):
        estimates.estimate_draft(
            job=job, options=[DraftOption("A", lines=(DraftLine("gilding", Decimal(1)),))], by=person
        )
    assert not Estimate.objects.exists()


@pytest.mark.parametrize("count", [0, 4])
def test_an_estimate_has_one_to_three_options(count):
    with pytest.raises(Refused, match="one to three"):
        estimates.estimate_draft(
            job=make_job(), options=[DraftOption(str(n)) for n in range(count)], by=make_person(role=Role.OWNER)
        )


def test_the_allowance_is_priced_by_the_price_list_where_none_is_named():
    assert make_draft(allowance_keys=8).allowance_ceiling == Decimal("67.20")
    assert make_draft(allowance_keys=8, allowance_price=Decimal(11)).allowance_ceiling == Decimal("88.00")


def test_working_days_grow_with_the_rack():
    make_workshop()
    alone = make_draft().working_days
    assert alone
    assert alone > 0
    _, estimate = at_the_answer()
    estimates.estimate_accept(estimate, option="C", name="Ilse")
    assert make_draft().working_days > alone


def test_days_no_shorter_than_the_queue_with_its_buffer_say_how_sure_they_are(client, owner):
    estimate, by = make_draft(), owner
    sure = "nine sets in ten are ready by then"
    assert estimate.days_reckoned == estimate.working_days
    assert sure in estimate_html(read(estimate))
    for days, told in ((estimate.working_days + 3, True), (estimate.working_days - 1, False), (None, False)):
        estimates.draft_change(estimate, values={"working_days": days}, options={}, lines={}, by=by)
        assert (sure in estimate_html(read(estimate))) is told
        page = client.get(reverse("estimate_send", args=[estimate.number])).content.decode()
        assert ("Fewer are promised here." in page) is (days is not None and not told)


@quick
def test_a_sent_version_is_never_changed():
    estimate, person = make_sent(), make_person(role=Role.OWNER)
    line = estimate.lines.first()
    changes = [
        lambda: estimates.draft_change(estimate, values={"intro": "x"}, options={}, lines={}, by=person),
        lambda: estimates.line_add(estimate, DraftLine("cloth", Decimal(1)), by=person),
        lambda: estimates.line_remove(estimate, line.pk, by=person),
        lambda: estimates.line_move(estimate, line.pk, up=True, by=person),
        lambda: estimates.option_add(estimate, by=person),
        lambda: estimates.option_remove(estimate, estimate.options.first().pk, by=person),
        lambda: estimates.estimate_discard(estimate, by=person),
    ]
    for change in changes:
        with pytest.raises(Refused, match="has been sent"):
            change()
    assert read(estimate).intro == "We read all 88 keys."


def test_removing_an_option_letters_the_others_anew():
    person = make_person(role=Role.OWNER)
    estimate = make_draft(by=person)
    estimates.option_remove(estimate, estimate.options.get(letter="A").pk, by=person)
    assert [(row.letter, row.title) for row in estimate.options.all()] == [
        ("A", "Cloth and buttons"),
        ("B", "All new buttons"),
    ]
    estimates.option_add(estimate, by=person)
    with pytest.raises(Refused):
        estimates.option_add(estimate, by=person)


def test_a_line_changes_places_within_its_option():
    person = make_person(role=Role.OWNER)
    estimate = make_draft(by=person)
    lines = estimate.options.get(letter="B").lines
    first, second = lines.all()[0], lines.all()[1]
    estimates.line_move(estimate, first.pk, up=False, by=person)
    assert [line.pk for line in lines.all()][:2] == [second.pk, first.pk]
    estimates.line_move(estimate, second.pk, up=True, by=person)
    assert next(line.pk for line in lines.all()) == second.pk


# --- sending -------------------------------------------------------------------------------------


@quick
def test_sending_keeps_the_pdf_queues_a_letter_and_moves_the_set_on():
    job, estimate = at_the_answer()
    link = estimate.links.get()
    assert estimate.state == EstimateState.SENT
    assert estimate_pdf(estimate).startswith(b"%PDF-")
    assert link.letter.to == ["ilse@example.org"]
    assert link.letter.attachments.get().file.name == estimate.sent_pdf.name
    token = token_of(estimate)
    assert link.token_hash == token_hash(token)
    assert token not in str(Estimate.objects.values()) + str(estimate.links.values())
    assert job.stage == "answer"
    assert Event.objects.filter(job=job, what="estimate_sent").count() == 1
    assert "ilse" not in str(list(Event.objects.filter(job=job).values_list("details", flat=True)))


@quick
def test_a_newer_version_ends_the_older_one_and_its_link():
    _, first = at_the_answer()
    person = first.created_by
    second = estimates.estimate_new_version(first, by=person)
    assert (second.number, second.version, second.lines.count()) == (first.number, 2, first.lines.count())
    assert first.links.get().withdrawn_at is None  # until the new one is sent
    estimates.estimate_send(second, to="ilse@example.org", by=person)
    first.refresh_from_db()
    assert first.state == EstimateState.REPLACED
    assert first.links.get().withdrawn_at is not None
    with pytest.raises(Refused, match="newer version"):
        estimates.estimate_accept(first, option="A", name="Ilse")


@quick
def test_what_was_changed_while_the_pdf_was_made_is_not_sent(monkeypatch):
    estimate, person = make_draft(), make_person(role=Role.OWNER)

    def meanwhile(html):
        estimate.lines.update(quantity=1)
        return b"%PDF-"

    monkeypatch.setattr("shop.workflow.estimates.render_pdf", meanwhile)
    with pytest.raises(Refused, match="just changed"):
        estimates.estimate_send(estimate, to="ilse@example.org", by=person)
    estimate.refresh_from_db()
    assert estimate.is_draft
    assert not estimate.links.exists()


@quick
@pytest.mark.parametrize("spoil", ["empty", "free", "over"])
def test_a_draft_that_is_not_ready_stays_here(spoil):
    estimate, person = make_draft(), make_person(role=Role.OWNER)
    if spoil == "empty":
        estimates.estimate_discard(estimate, by=person)
        estimate = estimates.estimate_draft(job=estimate.job, options=[DraftOption("A")], by=person)
    elif spoil == "free":
        estimate.lines.update(unit_price=0)
    else:
        Estimate.objects.update(valid_until=timezone.localdate() - datetime.timedelta(days=1))
    with pytest.raises(Refused):
        estimates.estimate_send(estimate, to="ilse@example.org", by=person)
    assert Estimate.objects.get(pk=estimate.pk).is_draft


@quick
def test_on_paper_there_is_no_link_and_the_answer_is_taken_down():
    estimate = make_sent(to="")
    assert not estimate.links.exists()
    desk = make_person(role=Role.DESK)
    told = estimates.estimate_accept(estimate, option="A", name="Ilse Varga", by=desk)
    assert told.fresh
    assert told.answer.taken_by == desk


@quick
def test_an_address_that_is_none_sends_nothing():
    estimate, person = make_draft(), make_person(role=Role.OWNER)
    with pytest.raises(Refused, match="not an e-mail address"):
        estimates.estimate_send(estimate, to="ilse at home", by=person)
    assert Estimate.objects.get(pk=estimate.pk).is_draft


# --- yes -----------------------------------------------------------------------------------------


@quick
def test_a_yes_lays_the_agreed_work_on_the_route():
    job, estimate = at_the_answer()
    extra = estimate.lines.get(kind="extra")
    told = estimates.estimate_accept(estimate, option="B", name="  Ilse   Varga ", extras=[extra.pk])
    assert told.fresh
    assert (told.answer.name, told.answer.option.letter) == ("Ilse Varga", "B")
    minutes = {stage.kind: stage.minutes for stage in job.stages.all()}
    assert minutes["cloth"] == Decimal("352.0")
    assert minutes["buttons"] == Decimal(26 * 8 + 40)
    assert minutes["tops"] == Decimal(20)
    assert minutes["final_check"] == Decimal(90)
    assert "stripped_check" in minutes
    assert "repairs" not in minutes
    job.refresh_from_db()
    assert job.stage == "strip"
    event = Event.objects.get(job=job, what="estimate_accepted")
    assert (event.by, event.details["option"], event.details["extras"]) == (None, "B", 1)
    assert "Varga" not in str(event.details)


@quick
def test_a_second_yes_changes_nothing_and_is_told():
    job, estimate = at_the_answer()
    estimates.estimate_accept(estimate, option="A", name="Ilse")
    before = list(job.stages.values_list("kind", "minutes"))
    told = estimates.estimate_accept(estimate, option="A", name="Ilse again")
    assert not told.fresh
    assert "option A" in told.sentence
    with pytest.raises(Refused, match="yes to option A"):
        estimates.estimate_accept(estimate, option="B", name="Ilse")
    assert list(job.stages.values_list("kind", "minutes")) == before
    assert Answer.objects.filter(kind="yes").count() == 1
    assert Event.objects.filter(what="estimate_accepted").count() == 1


@quick
def test_the_database_holds_one_answer_a_version_and_one_yes_a_job():
    _, estimate = at_the_answer()
    estimates.estimate_accept(estimate, option="A", name="Ilse")
    with pytest.raises(IntegrityError), transaction.atomic():
        Answer.objects.create(estimate=estimate, kind="no", name="x", at=timezone.now())
    other = make_draft(job=make_job())
    with pytest.raises(IntegrityError), transaction.atomic():
        Estimate.objects.filter(pk=other.pk).update(job=estimate.job, state=EstimateState.ACCEPTED)


@quick
@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"state": "draft"}, "not been sent"),
        ({"state": "withdrawn"}, "taken this estimate back"),
        ({"state": "declined"}, "said no"),
        ({"state": "replaced"}, "newer version"),
        ({"valid_until": datetime.date(2020, 1, 1)}, "good until"),
    ],
)
def test_a_yes_to_what_is_over_is_refused_with_a_sentence(change, says):
    job, estimate = at_the_answer()
    Estimate.objects.filter(pk=estimate.pk).update(**change)
    with pytest.raises(Refused, match=says):
        estimates.estimate_accept(estimate, option="A", name="Ilse")
    assert not Answer.objects.exists()
    assert not job.stages.filter(kind="cloth").exists()


@quick
def test_the_last_day_still_counts():
    _, estimate = at_the_answer()
    noon = timezone.make_aware(datetime.datetime.combine(estimate.valid_until, datetime.time(23, 50)))
    assert estimates.estimate_accept(estimate, option="A", name="Ilse", at=noon).fresh


@quick
def test_an_option_or_extra_of_elsewhere_is_refused():
    _, estimate = at_the_answer()
    foreign = make_draft(job=make_job()).lines.get(kind="extra")
    ordinary = estimate.lines.filter(kind="work").first()
    for extras in ([foreign.pk], [ordinary.pk]):
        with pytest.raises(Refused, match="extras"):
            estimates.estimate_accept(estimate, option="A", name="Ilse", extras=extras)
    with pytest.raises(Refused, match="Choose one"):
        estimates.estimate_accept(estimate, option="Z", name="Ilse")
    with pytest.raises(Refused, match="your name"):
        estimates.estimate_accept(estimate, option="A", name="   ")
    assert not Answer.objects.exists()


@quick
def test_the_promise_counts_from_the_deposit():
    make_workshop(hours=[6, 6, 6, 6, 4, 0, 0], deposit_rate=Decimal(30))
    job, estimate = at_the_answer(working_days=3)
    estimates.estimate_accept(estimate, option="A", name="Ilse")
    job.refresh_from_db()
    assert job.promised_on is None
    monday = timezone.make_aware(datetime.datetime(2026, 11, 30, 9))
    estimates.deposit_receive(estimate, by=make_person(role=Role.DESK), at=monday)
    job.refresh_from_db()
    assert job.promised_on == datetime.date(2026, 12, 3)
    with pytest.raises(Refused, match="No deposit is open"):
        estimates.deposit_receive(estimate, by=make_person(role=Role.DESK))


@quick
def test_without_a_deposit_the_promise_counts_from_the_yes():
    make_workshop(hours=[6, 6, 6, 6, 4, 0, 0], deposit_rate=Decimal(0))
    friday = timezone.make_aware(datetime.datetime(2026, 11, 27, 9))
    job, estimate = at_the_answer(working_days=2, at=friday)
    estimates.estimate_accept(estimate, option="A", name="Ilse", at=friday)
    job.refresh_from_db()
    assert job.promised_on == datetime.date(2026, 12, 1)


# --- a revised estimate --------------------------------------------------------------------------


@quick
def test_a_revised_estimate_holds_the_set_until_its_answer():
    job, first = at_the_answer()
    person = first.created_by
    estimates.estimate_accept(first, option="A", name="Ilse")
    estimates.deposit_receive(first, by=person)
    second = estimates.estimate_new_version(first, by=person)
    estimates.line_add(second, DraftLine("repair", Decimal(20), section="treble"), by=person)
    second = estimates.estimate_send(second, to="ilse@example.org", by=person)
    job.refresh_from_db()
    first.refresh_from_db()
    assert job.held_since
    assert job.hold_for == "client"  # so that the bench sees whom it waits for
    assert "version 2" in job.hold_reason
    assert first.state == EstimateState.ACCEPTED
    estimates.estimate_accept(second, option="A", name="Ilse")
    job.refresh_from_db()
    first.refresh_from_db()
    second.refresh_from_db()
    assert job.held_since is None
    assert (first.state, second.state) == (EstimateState.REPLACED, EstimateState.ACCEPTED)
    assert second.deposit_paid_at is not None
    assert job.stages.get(kind="repairs").minutes == Decimal(160)


@quick
def test_work_done_opens_again_where_more_of_it_is_agreed_and_waiting_work_not_agreed_is_left_out():
    job, first = at_the_answer()
    person = first.created_by
    estimates.estimate_accept(first, option="B", name="Ilse")
    job.stages.filter(kind__in=("strip", "stripped_check", "cloth")).update(
        state=route.DONE, finished_at=timezone.now()
    )
    second = estimates.estimate_new_version(first, by=person)
    second.lines.filter(operation__code__in=("button_batch", "button_setup")).delete()
    second.lines.filter(operation__code="cloth").update(quantity=100)
    estimates.estimate_send(second, to="ilse@example.org", by=person)
    estimates.estimate_accept(second, option="B", name="Ilse")
    states = dict(job.stages.values_list("kind", "state"))
    assert states["cloth"] == route.WAITING
    assert states["strip"] == route.DONE
    assert states["buttons"] == route.SKIPPED
    job.refresh_from_db()
    assert job.stage == "pins"


@quick
def test_a_no_to_the_revision_leaves_the_agreement_and_the_hold():
    job, first = at_the_answer()
    person = first.created_by
    estimates.estimate_accept(first, option="A", name="Ilse")
    second = estimates.estimate_send(estimates.estimate_new_version(first, by=person), to="ilse@example.org", by=person)
    estimates.estimate_decline(second, name="Ilse")
    job.refresh_from_db()
    first.refresh_from_db()
    assert first.state == EstimateState.ACCEPTED
    assert job.held_since
    assert job.stages.get(kind="final_check").state == route.WAITING


@quick
def test_withdrawing_the_revision_lets_the_work_go_on():
    job, first = at_the_answer()
    person = first.created_by
    estimates.estimate_accept(first, option="A", name="Ilse")
    second = estimates.estimate_send(estimates.estimate_new_version(first, by=person), to="ilse@example.org", by=person)
    estimates.estimate_withdraw(second, by=person, reason="Found a better way")
    job.refresh_from_db()
    assert job.held_since is None


# --- no ------------------------------------------------------------------------------------------


@quick
def test_after_a_no_the_set_leaves_as_it_came():
    job, estimate = at_the_answer()
    desk = make_person(role=Role.DESK)
    assert estimates.estimate_decline(estimate, name="Ilse", reason="Too much").fresh
    assert not estimates.estimate_decline(estimate, name="Ilse").fresh
    job.refresh_from_db()
    assert (job.stage, job.stages.get(kind="final_check").state) == ("pack", route.SKIPPED)
    stages.stage_finish(job.stages.get(kind="pack"), by=desk)
    stages.stage_finish(job.stages.get(kind="leave"), by=desk)
    job.refresh_from_db()
    assert job.left_at


@quick
def test_agreed_work_never_leaves_before_its_final_check():
    job, estimate = at_the_answer()
    estimates.estimate_accept(estimate, option="A", name="Ilse")
    person = make_person()
    for stage in job.stages.all():
        if stage.is_open and stage.kind in route.WORK:
            stage.state = route.SKIPPED
            stage.save(update_fields=["state"])
    with pytest.raises(Refused, match="guards the way out"):
        stages.stage_skip(job.stages.get(kind="final_check"), by=person, reason="in a hurry")
    Stage.objects.filter(job=job, kind="final_check").update(state=route.SKIPPED)
    assert not stages.is_untouched(job)


@quick
def test_a_yes_after_all_brings_the_final_check_back():
    job, first = at_the_answer()
    person = first.created_by
    estimates.estimate_decline(first, name="Ilse")
    stages.stage_finish(job.stages.get(kind="pack"), by=person)
    second = estimates.estimate_send(estimates.estimate_new_version(first, by=person), to="ilse@example.org", by=person)
    estimates.estimate_accept(second, option="A", name="Ilse")
    states = dict(job.stages.values_list("kind", "state"))
    assert (states["final_check"], states["pack"], states["strip"]) == (route.WAITING, route.WAITING, route.WAITING)
    job.refresh_from_db()
    assert job.stage == "strip"


@quick
def test_a_set_that_has_gone_home_takes_no_yes():
    job, estimate = at_the_answer()
    job.left_at = timezone.now()
    job.save(update_fields=["left_at"])
    with pytest.raises(Refused, match="gone home"):
        estimates.estimate_accept(estimate, option="A", name="Ilse")


# --- withdrawing, links, questions ----------------------------------------------------------------


@quick
def test_withdrawing_needs_a_reason_and_ends_the_link():
    _, estimate = at_the_answer()
    person = estimate.created_by
    with pytest.raises(Refused, match="Say why"):
        estimates.estimate_withdraw(estimate, by=person, reason=" ")
    estimates.estimate_withdraw(estimate, by=person, reason="Wrong price")
    link = estimate.links.get()
    assert link.withdrawn_at is not None
    assert "/estimate/…/" in link.letter.message
    with pytest.raises(Refused, match="with the client"):
        estimates.estimate_withdraw(estimate, by=person, reason="twice")


@quick
def test_a_new_link_ends_the_one_before():
    _, estimate = at_the_answer()
    old = token_of(estimate)
    estimates.link_resend(estimate, to="new@example.org", by=estimate.created_by)
    assert estimate.links.filter(withdrawn_at__isnull=True).count() == 1
    assert token_of(estimate) != old
    assert estimate.links.get(token_hash=token_hash(old)).withdrawn_at is not None
    estimates.link_withdraw(estimate, by=estimate.created_by)
    with pytest.raises(Refused, match="no link"):
        estimates.link_withdraw(estimate, by=estimate.created_by)


@quick
def test_a_question_is_answered_once_and_by_letter():
    _, estimate = at_the_answer()
    question = estimates.question_ask(estimate, text="Is glue included?", name="Ilse")
    estimates.question_reply(question, text="Yes.", by=estimate.created_by)
    with pytest.raises(Refused, match="has been answered"):
        estimates.question_reply(question, text="Again", by=estimate.created_by)
    from post_office.models import Email

    assert "Is glue included?" in Email.objects.latest("pk").message
    assert Estimate.objects.get(pk=estimate.pk).state == EstimateState.SENT


@quick
def test_questions_have_an_end():
    _, estimate = at_the_answer()
    for number in range(estimates.MOST_QUESTIONS):
        estimates.question_ask(estimate, text=str(number), name="Ilse")
    with pytest.raises(Refused, match="many questions"):
        estimates.question_ask(estimate, text="one more", name="Ilse")


# --- at once -------------------------------------------------------------------------------------


@quick
@pytest.mark.django_db(transaction=True)
def test_of_two_yeses_at_once_to_two_options_one_wins_and_the_other_is_told():
    job, estimate = at_the_answer()
    together = threading.Barrier(2)
    came: dict[str, str] = {}

    def say(letter):
        try:
            together.wait(timeout=60)
            told = estimates.estimate_accept(Estimate.objects.get(pk=estimate.pk), option=letter, name="Ilse")
            came[letter] = "fresh" if told.fresh else "told"
        except Refused as refusal:
            came[letter] = str(refusal)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=say, args=(letter,)) for letter in "AB"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    winner = next(letter for letter, word in came.items() if word == "fresh")
    other = "B" if winner == "A" else "A"
    assert f"yes to option {winner}" in came[other]
    answer = Answer.objects.get()
    assert answer.option.letter == winner
    assert job.stages.filter(kind="buttons").exists() is (winner == "B")
    assert Event.objects.filter(what="estimate_accepted").count() == 1


@quick
@pytest.mark.django_db(transaction=True)
def test_drafts_begun_at_once_get_different_numbers():
    make_workshop()
    estimates.estimate_discard(make_draft(), by=make_person(role=Role.OWNER))
    jobs, person = [make_job() for _ in range(3)], make_person(role=Role.OWNER)
    together = threading.Barrier(3)
    failures: list[Exception] = []

    def draft(job):
        try:
            together.wait(timeout=60)
            make_draft(job=job, by=person, prices=False)
        except Exception as error:
            failures.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=draft, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert failures == []
    assert len(set(Estimate.objects.values_list("number", flat=True))) == 3


# --- paper ---------------------------------------------------------------------------------------


def text_of(pdf: bytes) -> str:
    reader = PdfReader(BytesIO(pdf))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def test_the_pdf_says_every_line_and_every_sum_and_is_the_same_when_made_again():
    make_workshop(name="Fennimore Key Works", address="4 Tannery Row", payment="Account 00 1470", terms="Two weeks.")
    job = make_job(client=make_client(name="Marrow Bridge Hall"))
    check = make_check(job=job, closed=True)
    make_readings(check=check, grade=[n % 4 for n in range(88)], skew=1500)
    sent = make_sent(job=job)
    pdf = estimate_pdf(sent)
    text = text_of(pdf)
    for priced in read(sent).offer:
        for amount in (priced.totals.net, priced.totals.tax, priced.totals.gross, priced.totals.deposit):
            assert f"{amount:,}".replace(",", " ") in text
        for line in priced.lines:
            assert line.title in text
            assert f"{line.total:,}".replace(",", " ") in text
    for words in ("Fennimore Key Works", "Marrow Bridge Hall", job.tag, sent.title, "version 1", "our advice"):
        assert words in text
    assert "at most 67.20 more before tax" in text
    assert "Account 00 1470" in text
    reader = PdfReader(BytesIO(pdf))
    assert len(reader.pages) <= 2
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.trailer["/Root"]["/Lang"]
    again = Estimate.objects.with_lines().select_related("job__client", "job__instrument").get(pk=sent.pk)
    from shop.documents.pdf import render_pdf

    assert render_pdf(estimate_html(again)) == pdf


@pytest.mark.parametrize(("paper", "size"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_the_pdf_fits_the_shops_paper(paper, size):
    make_workshop(paper=paper)
    pages = PdfReader(BytesIO(estimate_pdf(make_draft()))).pages
    assert tuple(round(float(side)) for side in pages[0].mediabox[2:]) == size


def test_the_kept_pdf_is_served_even_when_the_shop_moves(client, owner):
    sent = make_sent(by=owner)
    before = client.get(reverse("estimate_pdf", args=[sent.number])).content
    make_workshop(name="Another Name", address="Elsewhere")
    after = client.get(f"{reverse('estimate_pdf', args=[sent.number])}?version=1")
    assert after.content == before
    assert after["Content-Type"] == "application/pdf"


def test_a_tax_of_nothing_is_not_printed():
    make_workshop(tax_rate=Decimal(0), deposit_rate=Decimal(0))
    html = estimate_html(read(make_draft()))
    assert "Tax 0" not in html
    assert "deposit" not in html


# --- pages ---------------------------------------------------------------------------------------


def test_the_pages_let_in_whom_they_should():
    number = make_draft().number
    job = make_job()
    desk = {Role.DESK}
    climb("estimate_detail", number, roles=desk, methods={"GET", "POST"})
    climb("estimate_new", job.number, roles={Role.OWNER}, methods={"GET", "POST"})
    climb("estimate_pdf", number, roles=desk)
    climb("estimate_preview", number, roles=desk)
    climb("estimate_send", number, roles={Role.OWNER}, methods={"GET", "POST"})
    for name in ("estimate_totals", "estimate_new_version", "estimate_withdraw", "link_resend", "link_withdraw"):
        climb(name, number, roles={Role.OWNER}, methods={"POST"})
    for name in ("answer_take", "deposit_receive"):
        climb(name, number, roles=desk, methods={"POST"})
    climb("estimate_discard", number, roles={Role.OWNER}, methods={"POST"})


def test_there_is_nothing_at_a_number_that_was_not_given():
    for name in ("estimate_detail", "estimate_pdf", "estimate_preview", "estimate_send"):
        gone(name, 4711)
    for name in ("estimate_totals", "answer_take", "estimate_discard"):
        gone(name, 4711, method="POST")


def typed(estimate: Estimate, **changes: str) -> dict[str, str]:
    """What the draft's page sends back unchanged, and what a person changes in it."""
    from shop.forms.estimates import DraftForms

    data: dict[str, str] = {}
    forms = DraftForms(read(estimate))
    for form in [forms.fields, *(g.form for g in forms.groups if g.form), *(f for g in forms.groups for f in g.lines)]:
        for name in form.fields:
            value = form[name].value()
            data[form.add_prefix(name)] = "" if value is None else str(value)
    for group in forms.groups:
        data[f"n{group.key}-quantity"] = "1"
    return {**data, "advised": forms.advised, **changes}


def test_the_owner_writes_on_the_draft(client, owner):
    estimate = make_draft(by=owner)
    line = estimate.lines.filter(option__letter="A", operation__code="cloth").get()
    address = reverse("estimate_detail", args=[estimate.number])
    option = estimate.options.get(letter="A")
    data = typed(
        estimate,
        **{
            "e-intro": "Worn through.",
            f"l{line.pk}-quantity": "80,5",
            f"l{line.pk}-unit_price": "5",
            f"l{line.pk}-section": "all but the top",
            f"o{option.pk}-title": "Only cloth",
            "advised": str(option.pk),
        },
    )
    answer = client.post(address, data)
    assert answer.status_code == 302
    line.refresh_from_db()
    option.refresh_from_db()
    estimate.refresh_from_db()
    assert (line.quantity, line.unit_price, line.section) == (Decimal("80.50"), Decimal(5), "all but the top")
    assert (option.title, option.advised, estimate.intro) == ("Only cloth", True, "Worn through.")
    assert estimate.options.filter(advised=True).count() == 1


def test_a_bad_field_keeps_nothing_and_loses_nothing(client, owner):
    estimate = make_draft(by=owner)
    line = estimate.lines.filter(operation__code="cloth").first()
    for bad in ("-3", "1e9", "NaN", "٣", "9" * 40, "twelve", "0", "1\x00"):
        data = typed(estimate, **{"e-intro": "Worn <b>through</b>", f"l{line.pk}-quantity": bad})
        answer = client.post(reverse("estimate_detail", args=[estimate.number]), data)
        assert answer.status_code == 200, bad
        page = answer.content.decode()
        assert "Nothing was kept yet" in page
        assert "Worn &lt;b&gt;through&lt;/b&gt;" in page
        assert 'class="error"' in page
    assert read(estimate).intro == "We read all 88 keys."


def test_lines_are_added_moved_and_removed_with_everything_typed_kept(client, owner):
    estimate = make_draft(by=owner)
    address = reverse("estimate_detail", args=[estimate.number])
    option = estimate.options.get(letter="A")
    backrail = Operation.objects.get(code="backrail")
    key = str(option.pk)
    client.post(address, typed(estimate, **{"add": key, f"n{key}-operation": str(backrail.pk), "e-intro": "One"}))
    added = option.lines.get(operation=backrail)
    assert (added.unit_price, read(estimate).intro) == (Decimal(78), "One")
    client.post(address, typed(estimate, up=str(added.pk)))
    assert [line.operation.code for line in option.lines.all()] == ["cloth", "backrail", "strip"]
    client.post(address, typed(estimate, **{f"l{added.pk}-place": "extra"}))
    added.refresh_from_db()
    assert (added.option_id, added.kind) == (None, "extra")
    client.post(address, typed(estimate, remove=str(added.pk), **{"e-intro": "Two"}))
    assert not estimate.lines.filter(pk=added.pk).exists()
    assert read(estimate).intro == "Two"
    discount = {"add": "common", "ncommon-title": "Thanks", "ncommon-unit_price": "30", "ncommon-discount": "on"}
    client.post(address, typed(estimate, **discount))
    assert estimate.lines.get(kind="discount").total == Decimal("-30.00")
    answer = client.post(address, typed(estimate, add="common"))
    assert b"Say what it is" in answer.content


def test_a_row_to_add_that_was_filled_in_is_kept_by_every_button_or_said(client, owner):
    estimate = make_draft(by=owner)
    address = reverse("estimate_detail", args=[estimate.number])
    discount = {"ncommon-title": "Thanks", "ncommon-unit_price": "30", "ncommon-discount": "on"}
    assert client.post(address, typed(estimate, then="send", **discount)).url.endswith("/send/")
    assert estimate.lines.get(kind="discount").total == Decimal("-30.00")
    for where in ("preview", "pdf"):  # what the owner looks at holds what the owner has just typed
        answer = client.post(address, typed(estimate, then=where, **{"e-intro": f"For the {where}."}))
        assert answer.url == reverse(f"estimate_{where}", args=[estimate.number])
        assert read(estimate).intro == f"For the {where}."
    half = typed(estimate, then="send", **{"nextra-unit_price": "12", "e-intro": "Not this."})
    answer = client.post(address, half)
    assert b"Say what it is" in answer.content
    assert b'value="12"' in answer.content
    assert read(estimate).intro == "For the pdf."
    assert estimate.lines.filter(kind="extra").count() == 1


def test_sums_are_shown_without_being_kept(client, owner):
    estimate = make_draft(by=owner)
    line = estimate.lines.filter(option__letter="A", operation__code="cloth").get()
    address = reverse("estimate_totals", args=[estimate.number])
    data = typed(estimate, **{f"l{line.pk}-quantity": "188"})
    part = client.post(address, data, headers={"HX-Request": "true", "HX-Target": "sums"})
    text = part.content.decode().replace("\u202f", " ")
    assert "<html" not in text
    assert 'hx-swap-oob="true">799.00</output>' in text
    more = (read(estimate).offer[0].totals.net + 425) * Decimal("1.2")
    assert f"{more:,.2f}".replace(",", " ") in text
    whole = client.post(address, data).content.decode()
    assert "<html" in whole
    assert 'value="188"' in whole
    line.refresh_from_db()
    assert line.quantity == 88


def test_the_draft_page_asks_the_database_as_often_for_many_lines(client, owner, django_assert_max_num_queries):
    estimate = make_draft(by=owner)

    def queries() -> int:
        with django_assert_max_num_queries(80) as seen:
            client.get(reverse("estimate_detail", args=[estimate.number]))
        return len(seen)

    queries()
    before = queries()
    for _ in range(30):
        estimates.line_add(estimate, DraftLine("hour", Decimal(1)), by=owner)
    assert queries() == before


@quick
def test_the_page_of_a_sent_estimate_asks_as_often_for_many_questions(client, owner, django_assert_max_num_queries):
    _, estimate = at_the_answer()

    def queries() -> int:
        with django_assert_max_num_queries(80) as seen:
            assert client.get(reverse("estimate_detail", args=[estimate.number])).status_code == 200
        return len(seen)

    estimates.question_ask(estimate, text="1", name="Ilse")
    queries()
    before = queries()
    for number in range(19):
        estimates.question_ask(estimate, text=str(number), name="Ilse", by=owner)
    assert queries() - before <= 1  # who took them down


@quick
def test_the_owner_sends_from_the_page(client, owner):
    estimate = make_draft(by=owner)
    address = reverse("estimate_send", args=[estimate.number])
    assert b"ilse@example.org" in client.get(address).content
    missing = client.post(address, {"how": "letter", "to": "", "message": "Dear"})
    assert b"Enter the address" in missing.content
    assert client.post(address, {"how": "letter", "to": "not one", "message": ""}).status_code == 200
    assert Estimate.objects.get(pk=estimate.pk).is_draft
    done = client.post(address, {"how": "letter", "to": "ilse@example.org", "message": "Dear {% now %} <Ilse>"})
    assert done.status_code == 302
    letter = Estimate.objects.get(pk=estimate.pk).links.get().letter
    assert letter.message.startswith("Dear {% now %} <Ilse>")
    page = client.get(estimate.get_absolute_url()).content.decode()
    assert "waiting to be sent" in page
    assert client.get(address).status_code == 302


@quick
def test_the_desk_takes_a_yes_a_no_or_a_question_down(client):
    desk = make_person(role=Role.DESK)
    client.force_login(desk)
    _, estimate = at_the_answer()
    address = reverse("answer_take", args=[estimate.number])
    empty = client.post(address, {"said": "question", "name": "Ilse", "text": ""})
    assert b"Write the question down" in empty.content
    client.post(address, {"said": "question", "name": "Ilse", "text": "When?"})
    assert estimate.answers.get().taken_by == desk
    extra = estimate.lines.get(kind="extra")
    client.post(address, {"said": "B", "name": "Ilse", "extras": [str(extra.pk)]})
    yes = estimate.answers.get(kind="yes")
    assert (yes.taken_by, list(yes.extras.all())) == (desk, [extra])
    told = client.post(address, {"said": "A", "name": "Ilse"}, follow=True)
    assert b"yes to option B" in told.content
    _, other = at_the_answer()
    client.post(reverse("answer_take", args=[other.number]), {"said": "no", "name": "Ilse", "text": "Too dear"})
    assert other.answers.get(kind="no").text == "Too dear"


@quick
def test_the_owner_withdraws_resends_replies_and_renews(client, owner):
    _, estimate = at_the_answer()
    number = estimate.number
    question = estimates.question_ask(estimate, text="?", name="Ilse")
    client.post(reverse("question_reply", args=[number, question.pk]), {"reply": "Yes."})
    question.refresh_from_db()
    assert question.reply == "Yes."
    bad = client.post(reverse("link_resend", args=[number]), {"to": "nowhere"})
    assert bad.status_code == 200
    client.post(reverse("link_resend", args=[number]), {"to": "new@example.org"})
    assert estimate.links.count() == 2
    answer = client.post(reverse("estimate_new_version", args=[number]))
    assert answer["Location"].endswith("?version=2")
    # The address names the version, so that the one with the client can be withdrawn while a draft is written.
    client.post(f"{reverse('estimate_withdraw', args=[number])}?version=1", {"reason": "Wrong"})
    estimate.refresh_from_db()
    assert estimate.state == EstimateState.WITHDRAWN
    client.post(reverse("estimate_discard", args=[number]))
    assert Estimate.objects.filter(number=number).count() == 1


def test_a_free_estimate_needs_no_advice(client, owner):
    from shop.workflow.opening import open_shop

    open_shop(name="Testing Key Works")
    job = make_job()
    address = reverse("estimate_new", args=[job.number])
    cloth = Operation.objects.get(code="cloth")
    assert b"at least one kind" in client.post(address, {"title": "Work"}).content
    assert client.post(address, {"title": "Work", f"q{cloth.pk}": "1e3"}).status_code == 200
    assert not Estimate.objects.exists()
    answer = client.post(address, {"title": "Work", f"q{cloth.pk}": "12"})
    estimate = Estimate.objects.get()
    assert answer["Location"] == estimate.get_absolute_url()
    assert [(line.operation.code, line.quantity) for line in estimate.lines.all()] == [("cloth", 12)]
    again = client.post(address, {"title": "Work", f"q{cloth.pk}": "12"})
    assert b"still being written" in again.content


def test_the_jobs_page_lists_its_estimates(client, owner):
    from django.template import Context, Template

    estimate = make_draft(by=owner)
    panel = Template("{% estimates_panel job %}").render(Context({"user": owner, "job": estimate.job}))
    assert estimate.get_absolute_url() in panel
    assert "being written" in panel
    technician = make_person()
    assert "href" not in Template("{% estimates_panel job %}").render(
        Context({"user": technician, "job": estimate.job})
    )


def test_two_words_of_the_same_line_stay_two_rows():
    """Nothing that is printed may vanish from the sum: equal lines are not folded into one."""
    person = make_person(role=Role.OWNER)
    estimate = make_draft(by=person)
    for _ in range(2):
        estimates.line_add(estimate, DraftLine("hour", Decimal(1)), by=person)
    rows = [row for row in compared(read(estimate)) if row.title == "Other work by the hour"]
    assert len(rows) == 2


@given(version=st.text(max_size=12))
@hypothesis_settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_version_that_is_no_number_is_no_version(client, version):
    from shop.views.estimates import _version

    class Request:
        GET = {"version": version}

    found = _version(Request())
    assert found is None or (0 <= found < 10000)

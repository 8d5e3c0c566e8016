"""Entries of a check are stored once, in any order, and what holds for each key follows in the same transaction."""

import datetime
import itertools
import random
from uuid import UUID, uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from keyboards.core.quantities import QUANTITIES
from keyboards.models import CheckKind, Entry, Finding, Gauge, GaugeKind, KeyReading
from keyboards.pictures import standing_rows
from keyboards.specifying import set_readings
from keyboards.workflow.entries import CheckClosed, entries_apply, entries_write
from keyboards.workflow.opening import open_trade
from shop.models import Job, Units
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person

pytestmark = pytest.mark.django_db


@pytest.fixture
def trade():
    """The shop's starting lists."""
    open_trade()


@pytest.fixture
def by():
    return make_person()


def op(kind: str = "reading", *, key: int = 41, minute: int = 0, number: int | None = None, **fields) -> dict:
    usual = {"quantity": "balance_mortise_width", "value": "5.62", "unit": "mm"} if kind == "reading" else {}
    return {
        "op": str(UUID(int=number) if number else uuid4()),
        "kind": kind,
        "key": key,
        "taken_at": f"2026-03-04T10:{minute:02}:00Z",
        **usual,
        **fields,
    }


def row(check, key: int = 41) -> KeyReading:
    return KeyReading.objects.get(check_done=check, key=key)


# --- kept once ---


def test_a_reading_is_kept_and_holds_for_its_key(by):
    check = make_check()
    sent = op(seq=17)
    result = entries_apply(check, [sent], by=by)
    assert (result.kept, result.refused) == ((sent["op"],), ())
    entry = Entry.objects.get()
    assert (str(entry.op), entry.seq, entry.value, entry.typed, entry.unit, entry.by) == (
        sent["op"],
        17,
        5620,
        "5.62",
        "mm",
        by,
    )
    assert entry.received_at > entry.taken_at
    assert row(check).balance_mortise_width == 5620
    assert result.keys[41].grade == row(check).grade == 0
    check.job.refresh_from_db()
    assert check.job.grades[40] == "0"


def test_the_same_op_is_kept_again_and_stored_once(by):
    check, sent = make_check(), op()
    entries_apply(check, [sent], by=by)
    again = entries_apply(check, [sent, sent], by=make_person())
    assert (again.kept, again.refused) == ((sent["op"],), ())
    assert Entry.objects.get().by == by


def test_the_same_op_with_other_contents_is_refused(by):
    check, sent = make_check(), op()
    entries_apply(check, [sent], by=by)
    result = entries_apply(check, [{**sent, "value": "5.63"}], by=by)
    assert result.kept == ()
    assert result.refused[0].op == sent["op"]
    assert result.refused[0].why == "This entry was already sent with other contents."
    assert row(check).balance_mortise_width == 5620


def test_the_same_op_on_another_check_or_key_is_refused_and_nothing_else_of_its_batch(by):
    sent, other = op(key=7), make_check()
    entries_apply(make_check(), [sent], by=by)
    assert entries_apply(other, [sent], by=by).refused[0].reason == "other_contents"
    assert not KeyReading.objects.filter(check_done=other).exists()
    good = op(key=8)
    result = entries_apply(other, [sent, good, {**good, "key": 9}], by=by)
    assert (result.kept, [one.reason for one in result.refused]) == ((good["op"],), ["other_contents"] * 2)
    assert [row.key for row in KeyReading.objects.filter(check_done=other)] == [8]


def test_two_that_send_the_same_op_at_once_store_it_once(by, monkeypatch):
    """On PostgreSQL a batch for another check may bring the op between the look and the write."""
    check, sent = make_check(), op()
    entries_apply(check, [sent], by=by)
    real, none, calls = Entry.objects.filter, Entry.objects.none(), []

    def first_blind(*args, **lookup):
        calls.append(1)
        return none if len(calls) == 1 else real(*args, **lookup)

    monkeypatch.setattr(Entry.objects, "filter", first_blind)
    result = entries_apply(check, [sent], by=by)
    assert result.kept == (sent["op"],)
    assert Entry.objects.count() == 1


def test_entries_are_never_changed_and_never_removed(by):
    entries_apply(make_check(), [op()], by=by)
    for attempt in (lambda: Entry.objects.update(value=1), lambda: Entry.objects.all()._raw_delete("default")):
        with pytest.raises(DatabaseError, match="only ever added"), transaction.atomic():
            attempt()
    assert Entry.objects.get().value == 5620


# --- a bad operation refuses itself only ---


def test_a_bad_operation_refuses_itself_and_not_its_batch(by, trade):
    check = make_check()
    good = [op(key=1), op("finding", key=2, finding="cloth_worn", severity=2), op("note", key=3, text="dusty")]
    bad = [op(value="562"), op("finding", finding="no_such", severity=2), op(instrument=999), "nonsense", op(key=89)]
    batch = [bad[0], good[0], bad[1], good[1], bad[2], bad[3], good[2], bad[4]]
    result = entries_apply(check, batch, by=by)
    assert set(result.kept) == {sent["op"] for sent in good}
    assert [(refusal.index, refusal.reason) for refusal in result.refused] == [
        (0, "impossible"),
        (2, "unknown_finding"),
        (4, "unknown_instrument"),
        (5, "not_an_object"),
        (7, "no_such_key"),
    ]
    assert all(refusal.why.endswith(".") for refusal in result.refused)
    assert result.refused[3].op is None
    assert Entry.objects.count() == 3


def test_a_key_that_did_not_come_is_refused(by):
    check = make_check(job=make_job(missing=[41]))
    assert entries_apply(check, [op()], by=by).refused[0].why == "Key 41 did not come with this set."


def test_a_closed_check_takes_nothing(by):
    check = make_check(closed=True)
    with pytest.raises(CheckClosed):
        entries_apply(check, [op()], by=by)
    assert not Entry.objects.exists()


def test_a_set_whose_keys_are_not_written_down_takes_nothing(by):
    check = make_check()
    check.job.compass.delete()
    with pytest.raises(Refused, match="which keys"):
        entries_apply(check, [op()], by=by)


# --- what holds ---


def test_withdrawing_takes_a_reading_out_and_the_earlier_one_stands_again(by):
    check = make_check()
    first, second = op(minute=1, value="5.60"), op(minute=2, value="5.62")
    entries_apply(check, [first, second], by=by)
    assert row(check).balance_mortise_width == 5620
    entries_apply(check, [op("withdraw", of=second["op"])], by=by)
    assert row(check).balance_mortise_width == 5600
    entries_apply(check, [op("withdraw", of=first["op"])], by=by)
    assert row(check).balance_mortise_width is None
    assert row(check).grade is None
    check.job.refresh_from_db()
    assert check.job.grades[40] == "."


def test_a_withdrawal_may_come_before_what_it_withdraws(by):
    check, reading = make_check(), op()
    entries_apply(check, [op("withdraw", of=reading["op"])], by=by)
    entries_apply(check, [reading], by=by)
    assert row(check).balance_mortise_width is None


@pytest.mark.parametrize("where", ["key", "check", "withdrawal"])
def test_only_an_entry_on_the_same_key_of_the_check_is_withdrawn(by, where):
    check, reading = make_check(), op()
    entries_apply(make_check() if where == "check" else check, [reading], by=by)
    target = reading["op"]
    if where == "withdrawal":
        withdrawal = op("withdraw", of=reading["op"])
        entries_apply(check, [withdrawal], by=by)
        target = withdrawal["op"]
    result = entries_apply(check, [op("withdraw", key=42 if where == "key" else 41, of=target)], by=by)
    assert result.refused[0].reason == "not_to_withdraw"


def test_findings_make_the_grade_and_the_technician_may_overrule_it(by, trade):
    check = make_check()
    found = [
        op("finding", minute=1, finding="cloth_worn", severity=3),
        op("finding", minute=1, finding="button_loose", severity=1),
    ]
    entries_apply(check, found, by=by)
    held = row(check)
    assert (held.findings, held.grade) == ({"cloth_worn": 3, "button_loose": 1}, 2)
    entries_apply(check, [op("grade", minute=2, grade=3, text="cracked inside")], by=by)
    held = row(check)
    assert (held.grade, held.grade_reason) == (3, "cracked inside")
    entries_apply(check, [op("grade", minute=3, grade=None)], by=by)
    held = row(check)
    assert (held.grade, held.grade_reason) == (2, "")


def test_the_shops_own_list_decides_what_a_finding_makes_of_a_key(by, trade):
    Finding.objects.filter(code="pin_bent").update(grade=2)
    check = make_check()
    entries_apply(check, [op("finding", finding="pin_bent", severity=2)], by=by)
    assert row(check).grade == 2


def test_worn_side_play_makes_the_cloth_worn(by):
    check = make_check()
    entries_apply(check, [op(quantity="side_play", value="1.2")], by=by)
    assert row(check).grade == 1


def test_two_tablets_that_differ_mark_the_key_until_a_third_reading(by):
    gauge = Gauge.objects.create(name="Caliper", resolution=10, error=30)  # u 17.6 um: agree up to 49.7 um
    check = make_check(gauge=gauge)
    entries_apply(check, [op(minute=1, value="5.60")], by=by)
    entries_apply(check, [op(minute=1, value="5.66")], by=make_person())
    assert row(check).again == {"balance_mortise_width": "differ"}
    entries_apply(check, [op(minute=2, value="5.64")], by=by)
    assert row(check).again == {}


def test_the_checks_own_instrument_is_written_to_each_reading_it_can_take(by):
    gauge = Gauge.objects.create(name="Caliper", kind=GaugeKind.CALIPER)
    bevel = Gauge.objects.create(name="Bevel", kind=GaugeKind.BEVEL, resolution=500, error=500)
    check = make_check(gauge=gauge)
    skew = {"quantity": "skew", "unit": "deg", "value": "1.5"}
    entries_apply(check, [op(key=1), op(key=2, **skew), op(key=3, instrument=bevel.pk, **skew)], by=by)
    assert [entry.gauge for entry in Entry.objects.order_by("key")] == [gauge, None, bevel]


def test_a_skip_is_told_until_the_quantity_is_read(by):
    check = make_check()
    entries_apply(check, [op("skip", quantity="skew", why="too dark")], by=by)
    assert row(check).again == {"skew": "skip"}
    assert row(check).grade is None
    entries_apply(check, [op(quantity="skew", unit="deg", value="1.5")], by=by)
    assert row(check).again == {}


# --- beside the pin ---


def test_a_bare_mortise_no_wider_than_its_pin_is_refused_with_both_figures(by):
    check = make_check(kind=CheckKind.STRIPPED)
    entries_apply(check, [op(quantity="balance_pin", value="3.70")], by=by)
    result = entries_apply(check, [op(value="3.70")], by=by)
    assert result.refused[0].why == (
        "The pin would not enter: the mortise (3.70 mm) must be wider than the pin (3.70 mm). Look again."
    )
    assert entries_apply(check, [op(value="3.71")], by=by).refused == ()


def test_without_a_pin_of_its_own_a_key_is_held_against_the_typical_pin(by):
    check = make_check(kind=CheckKind.STRIPPED)
    pins = [op(key=key, quantity="balance_pin", value=value) for key, value in ((1, "3.68"), (2, "3.70"), (3, "3.72"))]
    entries_apply(check, pins, by=by)
    assert entries_apply(check, [op(value="3.70")], by=by).refused
    assert not entries_apply(check, [op(value="3.71")], by=by).refused


def test_inside_one_batch_the_moment_decides_and_not_the_order(by):
    pin, width = op(minute=1, quantity="balance_pin", value="3.70"), op(minute=2, value="3.60")
    for batch in ([pin, width], [width, pin]):
        check = make_check(kind=CheckKind.STRIPPED)
        batch = [{**sent, "op": str(uuid4())} for sent in batch]
        entries_apply(check, batch, by=by)
        assert (row(check).balance_pin, row(check).balance_mortise_width) == (3700, None)


def test_with_the_new_cloth_in_a_key_that_binds_can_be_written_down(by):
    check = make_check(kind=CheckKind.FINAL)
    result = entries_apply(
        check, [op(minute=1, quantity="balance_pin", value="3.70"), op(minute=2, value="3.66")], by=by
    )
    assert result.refused == ()
    assert row(check).balance_mortise_width == 3660


def test_the_sentence_speaks_the_persons_unit():
    person = make_person(units=Units.INCH)
    check = make_check(kind=CheckKind.STRIPPED)
    entries_apply(check, [op(quantity="balance_pin", value="0.146", unit="in")], by=person)
    result = entries_apply(check, [op(value="0.145", unit="in")], by=person)
    assert "the mortise (0.145 in) must be wider than the pin (0.146 in)" in result.refused[0].why
    result = entries_apply(check, [op(value="5.62", unit="in")], by=person)
    assert "0.079 to 0.591 in is possible" in result.refused[0].why


# --- any order, any repetition ---


def batches(draw):
    """Operations on three keys whose values never stand in each other's way, and a way to cut them up."""
    sent = []
    for _number in range(draw(st.integers(2, 16))):
        kind = draw(st.sampled_from(["reading", "reading", "finding", "note", "skip", "withdraw", "grade"]))
        fields: dict = {}
        if kind == "reading":
            fields = draw(
                st.sampled_from(
                    [{"quantity": "balance_pin", "value": value} for value in ("3.68", "3.70", "3.75")]
                    + [{"value": value} for value in ("5.60", "5.62", "5.90")]
                )
            )
        elif kind == "finding":
            fields = {
                "finding": draw(st.sampled_from(["cloth_worn", "button_loose"])),
                "severity": draw(st.integers(0, 3)),
            }
        elif kind == "note":
            fields = {"text": draw(st.sampled_from(["", "a", "b"]))}
        elif kind == "skip":
            fields = {"quantity": draw(st.sampled_from(["skew", "balance_pin"])), "why": "dark"}
        elif kind == "withdraw":
            fields = {"number_of": draw(st.integers(1, 16))}
        else:
            grade = draw(st.none() | st.integers(0, 3))
            fields = {"grade": grade, "text": "word"}
        sent.append({"kind": kind, "key": draw(st.integers(1, 3)), "minute": draw(st.integers(0, 3)), **fields})
    keys = [one["key"] for one in sent]
    for one in sent:
        # a withdrawal names an entry of its own key, or one that never comes
        if "number_of" in one:
            number = one.pop("number_of")
            there = number <= len(sent) and keys[number - 1] == one["key"] and sent[number - 1]["kind"] != "withdraw"
            one["of_number"] = number if there else 999
    return sent


_salts = itertools.count(1)


def standing(check) -> list[tuple]:
    return list(
        KeyReading.objects.filter(check_done=check)
        .order_by("key")
        .values_list("key", *QUANTITIES, "findings", "again", "note", "grade", "grade_reason")
    )


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(plan=st.composite(batches)(), dice=st.randoms(use_true_random=False))
def test_any_order_and_repetition_of_operations_gives_the_same_readings(trade, by, plan, dice: random.Random):
    def made(salt: int) -> list[dict]:
        sent = []
        for number, one in enumerate(plan, start=1):
            fields = {name: value for name, value in one.items() if name != "of_number"}
            if "of_number" in one:
                fields["of"] = str(UUID(int=salt * 1000 + one["of_number"]))
            sent.append(op(number=salt * 1000 + number, **fields))
        return sent

    salts = [next(_salts), next(_salts)]  # other ops in each check, in the same order among themselves
    job = make_job()
    checks = [make_check(job=job), make_check(job=job)]
    for sent in made(salts[0]):
        assert entries_apply(checks[0], [sent], by=by).refused == ()
    shuffled = made(salts[1])
    shuffled += dice.choices(shuffled, k=dice.randrange(6))
    dice.shuffle(shuffled)
    while shuffled:
        size = dice.randrange(1, 6)
        batch, shuffled = shuffled[:size], shuffled[size:]
        assert entries_apply(checks[1], batch, by=by).refused == ()
    assert standing(checks[0]) == standing(checks[1])
    assert Entry.objects.filter(check_done=checks[1]).count() == len(plan)


# --- typed on a page ---


def typed(kind: str = "reading", **fields) -> dict:
    usual = {"quantity": "balance_mortise_width", "value": "5.62", "unit": "mm"} if kind == "reading" else {}
    return {"kind": kind, "key": 41, **usual, **fields}


def test_a_reading_typed_on_a_page_corrects_what_the_page_showed(by):
    check = make_check()
    entries_apply(check, [op(minute=1, value="5.60"), op(minute=2, value="5.90")], by=by)
    assert row(check).again
    entries_write(check, [typed(value="5.61")], by=by)
    held = row(check)
    assert (held.balance_mortise_width, held.again) == (5610, {})
    assert Entry.objects.filter(kind="withdraw").count() == 2


def test_a_correction_does_not_count_as_a_repeat_and_the_old_reading_stays_in_the_log(by):
    check = make_check()
    entries_write(check, [typed(value="5.26")], by=by)
    entries_write(check, [typed(value="5.62")], by=by)
    assert row(check).again == {}
    assert sorted(Entry.objects.filter(kind="reading").values_list("value", flat=True)) == [5260, 5620]


def test_typing_what_is_there_stores_nothing(by, trade):
    check = make_check()
    changes = [
        typed(),
        typed("note", text="dusty"),
        typed("finding", finding="cloth_worn", severity=2),
        typed("grade", grade=3, text="word"),
    ]
    entries_write(check, changes, by=by)
    count = Entry.objects.count()
    assert entries_write(check, changes, by=by).refused == ()
    assert entries_write(check, [typed(value="5,620")], by=by).refused == ()
    assert Entry.objects.count() == count == 4


def test_an_emptied_cell_withdraws_its_reading(by):
    check = make_check()
    entries_write(check, [typed()], by=by)
    entries_write(check, [typed("clear", quantity="balance_mortise_width")], by=by)
    assert row(check).balance_mortise_width is None
    assert entries_write(check, [typed("clear", quantity="balance_mortise_width")], by=by).refused == ()
    assert Entry.objects.count() == 2


def test_a_refused_correction_leaves_the_old_reading_standing(by):
    check = make_check()
    entries_write(check, [typed()], by=by)
    result = entries_write(check, [typed(value="562"), typed(key=42)], by=by)
    assert [refusal.index for refusal in result.refused] == [0]
    assert row(check).balance_mortise_width == 5620
    assert row(check, 42).balance_mortise_width == 5620


def test_all_or_none_keeps_nothing_when_one_is_refused(by):
    check = make_check()
    result = entries_write(check, [typed(value="562"), typed(key=42)], by=by, all_or_none=True)
    assert (result.kept, len(result.refused)) == ((), 1)
    assert not Entry.objects.exists()
    assert not KeyReading.objects.exists()


def test_what_is_typed_on_a_page_stands_above_a_tablet_whose_clock_is_ahead(by):
    check = make_check()
    ahead = (timezone.now() + datetime.timedelta(hours=20)).isoformat()
    entries_apply(check, [op(taken_at=ahead), op("note", taken_at=ahead, text="from the tablet")], by=by)
    entries_write(check, [typed(value="5.70"), typed("note", text="from the page")], by=by)
    held = row(check)
    assert (held.balance_mortise_width, held.note) == (5700, "from the page")


# --- the small row for lists ---


def test_the_lists_row_shows_the_newest_grade_of_each_key(by, trade):
    job = make_job(missing=[3])
    earlier, later = make_check(job=job), make_check(job=job, kind=CheckKind.FINAL)

    def grades() -> str:
        return Job.objects.get(pk=job.pk).grades[:5]

    torn = {"finding": "mortise_torn", "severity": 2}
    entries_apply(earlier, [op("finding", key=1, **torn), op("finding", key=2, **torn)], by=by)
    assert grades() == "22-.."
    entries_apply(later, [op(key=1)], by=by)
    assert grades() == "02-.."
    entries_apply(earlier, [op("finding", key=1, finding="button_loose", severity=3)], by=by)
    assert grades() == "02-.."
    entries_apply(later, [op("finding", key=5, **torn)], by=by)
    assert grades() == "02-.2"


def test_what_was_seen_on_wood_and_button_on_arrival_stays_in_the_lists_row_with_the_cloth_out(by, trade):
    job = make_job()
    arrival, stripped = make_check(job=job), make_check(job=job, kind=CheckKind.STRIPPED)
    for key, code in ((1, "button_cracked"), (2, "cloth_worn"), (3, "mortise_torn"), (4, "mortise_torn")):
        entries_apply(arrival, [op("finding", key=key, finding=code, severity=3)], by=by)
    looked = [op(key=key) for key in (1, 2, 3, 4)]
    entries_apply(stripped, [*looked, op("grade", key=4, grade=0, text="only glue")], by=by)
    grades = Job.objects.get(pk=job.pk).grades
    assert grades[:4] == "3020"
    assert [row.grade for row in standing_rows(stripped)][:3] == [3, 0, 2]
    assert set_readings(job).grades[1] == 3


# --- cheap enough ---


def queries(function) -> int:
    with CaptureQueriesContext(connection) as caught:
        function()
    own = [query for query in caught.captured_queries if not query["sql"].startswith(("SAVEPOINT", "RELEASE"))]
    return len(own)


def test_one_reading_costs_few_queries_however_much_is_there(by, trade):
    gauge = Gauge.objects.create(name="Caliper")
    check = make_check(gauge=gauge)
    first = queries(lambda: entries_apply(check, [op(key=1)], by=by))
    entries_apply(check, [op(key=key) for key in range(1, 89)], by=by)
    later = queries(lambda: entries_apply(check, [op(key=88, minute=5)], by=by))
    assert first <= 7  # check and job, entries, typical pin, insert, row, grades of the key, job
    assert later <= first


def test_a_full_batch_costs_as_many_queries_as_a_batch_of_two(by, trade):
    def batch(size: int) -> list[dict]:
        return [op("finding", key=key, finding="cloth_worn", severity=2) for key in range(1, size + 1)]

    small, large = make_check(), make_check()
    few = queries(lambda: entries_apply(small, batch(2), by=by))
    many = queries(lambda: entries_apply(large, batch(50), by=by))
    # SQLite takes up to 999 values at once, so that 50 rows need a second insert
    assert many <= few + 2

"""One operation from the wire, and the fold of many into what holds for a key."""

import datetime
import math
import random
from dataclasses import replace
from uuid import UUID, uuid4

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyboards.core import entries
from keyboards.core.entries import Operation, Problem, current_state, read_operation, repeatability
from keyboards.core.quantities import QUANTITIES

NOW = datetime.datetime(2026, 3, 4, 12, 0, tzinfo=datetime.UTC)
OP = "6f1c2f0e-5f1b-4a55-9d4e-0d2f5a8c1b11"


def sent(**changes) -> dict:
    return {
        "op": OP,
        "seq": 17,
        "kind": "reading",
        "key": 41,
        "quantity": "balance_mortise_width",
        "value": "5.62",
        "unit": "mm",
        "instrument": None,
        "taken_at": "2026-03-04T10:15:00Z",
        **changes,
    }


def read(raw, **options) -> Operation | Problem:
    return read_operation(raw, **{"count": 88, "now": NOW, **options})


def reason(raw, **options) -> str:
    found = read(raw, **options)
    assert isinstance(found, Problem), found
    return found.reason


# --- reading one dictionary ---


def test_a_reading_is_read_exactly():
    operation = read(sent())
    assert operation == Operation(
        op=UUID(OP),
        seq=17,
        kind="reading",
        key=41,
        quantity="balance_mortise_width",
        value=5620,
        typed="5.62",
        unit="mm",
        taken_at=datetime.datetime(2026, 3, 4, 10, 15, tzinfo=datetime.UTC),
    )


@pytest.mark.parametrize(
    ("value", "unit", "canonical"),
    [("5,62", "mm", 5620), (" 5.6 ", "mm", 5600), ("0.2205", "in", 5601), (".221", "in", 5613), ("5", "mm", 5000)],
)
def test_numbers_are_read_as_people_write_them(value, unit, canonical):
    assert read(sent(value=value, unit=unit)).value == canonical


def test_a_plug_gauge_gives_an_interval():
    operation = read(sent(value="5.60", high="5.65"))
    assert (operation.value, operation.high, operation.typed) == (5600, 5650, "5.60..5.65")
    assert reason(sent(value="5.65", high="5.65")) == "gauge_order"
    assert reason(sent(value="5.65", high=5.7)) == "value_not_text"


def test_every_kind_is_read():
    assert read(sent(kind="finding", finding="cloth_worn", severity=2)).value == 2
    assert read(sent(kind="note", text="glue on the rail\nold")).text == "glue on the rail\nold"
    skip = read(sent(kind="skip", quantity="skew", why="too dark"))
    assert (skip.quantity, skip.text) == ("skew", "too dark")
    assert read(sent(kind="withdraw", of=OP)).withdraws == UUID(OP)
    assert read(sent(kind="grade", grade=2, text="cracked inside")).value == 2
    assert read(sent(kind="grade", grade=None)).value is None


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (None, "not_an_object"),
        ([], "not_an_object"),
        ("x" * 10_000, "not_an_object"),
        (sent(op=None), "op_not_a_uuid"),
        (sent(op=7), "op_not_a_uuid"),
        (sent(op="{" + OP + "}"), "op_not_a_uuid"),
        (sent(op="urn:uuid:" + OP), "op_not_a_uuid"),
        (sent(op=OP + "\n"), "op_not_a_uuid"),
        (sent(kind="delete"), "unknown_kind"),
        (sent(kind="clear"), "unknown_kind"),
        (sent(kind="photo"), "unknown_kind"),
        (sent(kind=["reading"]), "unknown_kind"),
        (sent(kind={}), "unknown_kind"),
        (sent(key="41"), "key_not_whole"),
        (sent(key=41.0), "key_not_whole"),
        (sent(key=True), "key_not_whole"),
        (sent(key=None), "key_not_whole"),
        (sent(key=0), "no_such_key"),
        (sent(key=-1), "no_such_key"),
        (sent(key=89), "no_such_key"),
        (sent(key=10**4000), "no_such_key"),
        (sent(seq=-1), "seq_not_whole"),
        (sent(seq=2**63), "seq_not_whole"),
        (sent(seq="1"), "seq_not_whole"),
        (sent(quantity="price"), "unknown_quantity"),
        (sent(quantity=[]), "unknown_quantity"),
        (sent(quantity=None), "unknown_quantity"),
        (sent(unit="cm"), "unit_does_not_fit"),
        (sent(unit="deg"), "unit_does_not_fit"),
        (sent(unit={}), "unit_does_not_fit"),
        (sent(value=5.62), "value_not_text"),
        (sent(value=None), "value_not_text"),
        (sent(value=True), "value_not_text"),
        (sent(value=["5.62"]), "value_not_text"),
        (sent(value=""), "not_a_number"),
        (sent(value="NaN"), "not_a_number"),
        (sent(value="inf"), "not_a_number"),
        (sent(value="1e1"), "not_a_number"),
        (sent(value="5.6.2"), "not_a_number"),
        (sent(value="٥.٦"), "not_a_number"),
        (sent(value="5\x00.6"), "not_a_number"),
        (sent(value="\ud800"), "not_a_number"),
        (sent(value="5" * 100_000), "not_a_number"),
        (sent(value="562"), "impossible"),
        (sent(value="-5.62"), "impossible"),
        (sent(value="0"), "impossible"),
        (sent(quantity="skew", unit="deg", value="15.1"), "impossible"),
        (sent(quantity="skew", unit="deg", value="-15.1"), "impossible"),
        (sent(instrument="3"), "unknown_instrument"),
        (sent(instrument=True), "unknown_instrument"),
        (sent(instrument=-3), "unknown_instrument"),
        (sent(instrument=2**70), "unknown_instrument"),
        (sent(taken_at=None), "taken_at_not_a_moment"),
        (sent(taken_at=1_772_000_000), "taken_at_not_a_moment"),
        (sent(taken_at="yesterday"), "taken_at_not_a_moment"),
        (sent(taken_at="2026-03-04T10:15:00"), "taken_at_not_a_moment"),
        (sent(taken_at="0001-01-01T00:00:00+14:00"), "taken_at_not_a_moment"),
        (sent(taken_at="9999-12-31T23:59:59-14:00"), "taken_at_not_a_moment"),
        (sent(taken_at="1969-12-31T23:59:59Z"), "taken_at_not_a_moment"),
        (sent(taken_at="2026-03-05T12:00:01Z"), "clock_ahead"),
        (sent(kind="finding"), "unknown_finding"),
        (sent(kind="finding", finding="a b", severity=1), "unknown_finding"),
        (sent(kind="finding", finding=["x"], severity=1), "unknown_finding"),
        (sent(kind="finding", finding="cloth_worn"), "severity_0_to_3"),
        (sent(kind="finding", finding="cloth_worn", severity=4), "severity_0_to_3"),
        (sent(kind="finding", finding="cloth_worn", severity=True), "severity_0_to_3"),
        (sent(kind="finding", finding="cloth_worn", severity="2"), "severity_0_to_3"),
        (sent(kind="note", text=7), "text_not_text"),
        (sent(kind="note", text="a\x00b"), "text_not_plain"),
        (sent(kind="note", text="a\ud800b"), "text_not_plain"),
        (sent(kind="note", text="x" * 2001), "text_too_long"),
        (sent(kind="skip", quantity="nothing"), "unknown_quantity"),
        (sent(kind="skip", quantity="skew", why="x" * 201), "text_too_long"),
        (sent(kind="withdraw"), "of_not_a_uuid"),
        (sent(kind="withdraw", of={}), "of_not_a_uuid"),
        (sent(kind="grade", grade=4, text="x"), "grade_0_to_3"),
        (sent(kind="grade", grade="2", text="x"), "grade_0_to_3"),
        (sent(kind="grade", grade=2), "grade_needs_a_word"),
        (sent(kind="grade", grade=2, text="  "), "grade_needs_a_word"),
    ],
)
def test_a_bad_operation_has_a_reason(raw, expected):
    assert reason(raw) == expected


def test_a_key_that_did_not_come_is_not_read():
    assert reason(sent(), missing=[41]) == "key_missing"


def test_a_clock_up_to_a_day_ahead_is_let_pass():
    assert isinstance(read(sent(taken_at="2026-03-05T12:00:00Z")), Operation)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(
    st.dictionaries(
        st.sampled_from([*sent(), "finding", "severity", "text", "why", "of", "high", "grade"]), json_values
    )
)
@settings(max_examples=300, deadline=None)
def test_nothing_that_json_can_hold_breaks_the_reading(changes):
    for kind in entries.KINDS:
        found = read(sent(kind=kind) | changes)
        assert isinstance(found, Operation | Problem)


def test_the_digest_is_of_the_contents_alone():
    operation = read(sent())
    assert len(operation.digest) == 64
    assert read(sent(seq=18)).digest == operation.digest
    assert read(sent(taken_at="2026-03-04T11:15:00+01:00")).digest == operation.digest
    assert read(sent(op=str(uuid4()))).digest == operation.digest
    others = [sent(value="5.63"), sent(key=42), sent(unit="in", value="0.221"), sent(instrument=3), sent(high="5.7")]
    others += [sent(taken_at="2026-03-04T10:15:00.001Z"), sent(quantity="front_mortise_width")]
    assert len({read(raw).digest for raw in others} | {operation.digest}) == len(others) + 1


# --- the fold ---


def entry(kind: str = "reading", *, minute: int = 0, **fields) -> Operation:
    fields = {"quantity": "balance_mortise_width", "value": 5620, **fields} if kind == "reading" else fields
    moment = datetime.datetime(2026, 3, 4, 10, minute, tzinfo=datetime.UTC)
    return Operation(**{"op": uuid4(), "kind": kind, "key": 41, "taken_at": moment, **fields})


def test_the_latest_reading_stands_and_the_earlier_are_repeats():
    first, second = entry(minute=1, value=5600), entry(minute=2, value=5620)
    state = current_state([second, first])
    assert state.values == {"balance_mortise_width": 5620}
    assert state.readings["balance_mortise_width"] == (first, second)


def test_at_the_same_moment_the_greater_op_stands():
    low, high = UUID(int=1), UUID(int=2)
    state = current_state([entry(op=high, value=5600), entry(op=low, value=5620)])
    assert state.values == {"balance_mortise_width": 5600}


def test_a_withdrawn_entry_never_stands_whichever_came_first():
    reading = entry(minute=1)
    withdrawal = entry("withdraw", minute=0, withdraws=reading.op)
    for heap in ([reading, withdrawal], [withdrawal, reading]):
        state = current_state(heap)
        assert state.values == {}
        assert not state.looked


def test_a_withdrawal_cannot_be_withdrawn():
    reading = entry()
    first = entry("withdraw", withdraws=reading.op)
    second = entry("withdraw", withdraws=first.op)
    assert current_state([reading, first, second]).values == {}


def test_findings_notes_and_grades_stand_by_their_latest():
    state = current_state(
        [
            entry("finding", minute=1, finding="cloth_worn", value=3),
            entry("finding", minute=2, finding="cloth_worn", value=1),
            entry("finding", minute=1, finding="button_loose", value=2),
            entry("finding", minute=2, finding="button_loose", value=0),
            entry("note", minute=1, text="old"),
            entry("note", minute=2, text="new"),
            entry("grade", minute=1, value=3, text="cracked"),
            entry("grade", minute=2, value=None),
        ]
    )
    assert state.findings == {"cloth_worn": 1}
    assert state.note == "new"
    assert (state.grade_given, state.grade_reason) == (None, "")


def test_a_skip_holds_until_the_quantity_is_read():
    skip = entry("skip", minute=5, quantity="balance_mortise_width", text="key in the vice")
    state = current_state([skip])
    assert state.skipped == {"balance_mortise_width": "key in the vice"}
    assert state.again == {"balance_mortise_width": "skip"}
    assert not state.looked
    state = current_state([skip, entry(minute=1)])
    assert (state.skipped, state.again) == ({}, {})


def test_looking_and_finding_nothing_is_a_look():
    assert current_state([entry("finding", finding="cloth_worn", value=0)]).looked
    assert not current_state([entry("note", text="box dented")]).looked
    assert not current_state([]).looked


def test_two_readings_that_do_not_agree_are_marked_until_a_third_settles_it():
    # u = 0.02 mm each: they agree up to 2 sqrt(2) 0.02 = 0.0566 mm
    def again(*values):
        taken = [entry(minute=minute, value=value) for minute, value in enumerate(values)]
        return current_state(taken, uncertainty=lambda quantity, gauge_id: 20.0).again

    assert again(5600) == {}
    assert again(5600, 5656) == {}
    assert again(5600, 5657) == {"balance_mortise_width": "differ"}
    assert again(5600, 5900, 5610) == {}
    assert again(5600, 5900, 5750) == {"balance_mortise_width": "differ"}


def test_withdrawing_one_of_two_settles_it_too():
    first, second = entry(minute=1, value=5600), entry(minute=2, value=5900)
    assert current_state([first, second]).again
    state = current_state([first, second, entry("withdraw", withdraws=second.op)])
    assert state.again == {}
    assert state.values == {"balance_mortise_width": 5600}


def test_the_coarser_instrument_decides_how_far_readings_may_lie_apart():
    taken = [entry(minute=1, value=5600, gauge_id=1), entry(minute=2, value=5690, gauge_id=2)]
    u = {1: 5.0, 2: 45.0}
    assert current_state(taken, uncertainty=lambda quantity, gauge_id: u[gauge_id]).again == {}
    u = {1: 5.0, 2: 5.0}
    assert current_state(taken, uncertainty=lambda quantity, gauge_id: u[gauge_id]).again


def test_a_plug_gauge_stands_for_the_middle_of_its_interval():
    wide = entry(value=5600, high=5700)
    assert current_state([wide]).values == {"balance_mortise_width": 5650}
    # half width 0.05 mm over sqrt 3
    assert entries.reading_uncertainty(wide, lambda quantity, gauge_id: 0.0) == pytest.approx(50 / math.sqrt(3))


def heaps(draw):
    """A heap of entries of one key, with withdrawals of some, and of entries that never came."""
    ops = [UUID(int=number) for number in range(1, draw(st.integers(1, 14)) + 1)]
    heap = []
    for op in ops:
        kind = draw(st.sampled_from(entries.KINDS))
        fields: dict = {}
        if kind == "reading":
            fields["quantity"] = draw(st.sampled_from(["balance_mortise_width", "balance_pin"]))
            fields["value"] = draw(st.integers(4000, 6000))
            fields["high"] = draw(st.none() | st.integers(6001, 6100))
        elif kind == "skip":
            fields = {"quantity": draw(st.sampled_from(["balance_mortise_width", "skew"])), "text": draw(st.text("ab"))}
        elif kind == "finding":
            fields = {
                "finding": draw(st.sampled_from(["cloth_worn", "button_loose"])),
                "value": draw(st.integers(0, 3)),
            }
        elif kind == "note":
            fields = {"text": draw(st.text("xyz", max_size=3))}
        elif kind == "grade":
            fields = {"value": draw(st.none() | st.integers(0, 3)), "text": "word"}
        else:
            fields = {"withdraws": draw(st.sampled_from([*ops, UUID(int=999)]))}
        heap.append(entry(kind, op=op, minute=draw(st.integers(0, 4)), **fields))
    return heap


@given(st.composite(heaps)(), st.randoms(use_true_random=False))
@settings(max_examples=300, deadline=None)
def test_any_order_and_repetition_gives_the_same_state(heap, dice: random.Random):
    state = current_state(heap)
    again = heap + dice.choices(heap, k=dice.randrange(8))
    dice.shuffle(again)
    assert current_state(again) == state
    assert current_state([replace(one) for one in again]) == state


# --- repeatability ---


def test_repeats_are_pooled_over_the_keys():
    # ISO 5725-2, 7.4 by hand: within-key sums of squares 2 and 8 over 1 + 2 degrees of freedom
    assert repeatability([[10, 12], [20, 22, 24], [7]]) == entries.Repeatability(sd=math.sqrt(10 / 3), freedom=3)
    assert repeatability([[5], []]) is None


def test_a_key_that_simply_is_wider_does_not_count_as_scatter():
    assert repeatability([[5600, 5600], [5900, 5900]]) == entries.Repeatability(sd=0.0, freedom=2)


def test_every_quantity_with_a_pin_is_one_we_know():
    assert set(entries.PIN_OF) | set(entries.MORTISE_OF) <= set(QUANTITIES)


# --- a mortise beside its pin: on the tablet too (tests/browser/test_run.py) ---

WIDTH, PIN = "balance_mortise_width", "balance_pin"
# What is read, how wide; what is held of the key; the typical pin; (mortise, pin) where they do not go together.
PIN_CASES = [
    (WIDTH, 5600, {}, None, None),
    (WIDTH, 5600, {}, 3700, None),
    (WIDTH, 3000, {"front_pin": 3700}, None, None),
    (WIDTH, 3700, {}, 3700, (3700, 3700)),
    (WIDTH, 3701, {}, 3700, None),
    (WIDTH, 3705, {PIN: 3710}, 3700, (3705, 3710)),  # the key's own pin comes before the typical one
    (WIDTH, 3705, {PIN: 3690}, 3710, None),
    (PIN, 3710, {WIDTH: 3710}, None, (3710, 3710)),
    (PIN, 3710, {WIDTH: 3711}, None, None),
    (PIN, 3710, {}, 3700, None),
    ("front_pin", 5800, {WIDTH: 5600}, None, None),  # of the other rail
    ("front_pin", 5800, {"front_mortise_width": 5700}, None, (5700, 5800)),
    ("skew", 3700, {PIN: 3700}, 3700, None),
]
TYPICAL_PINS = [([], None), ([3700], 3700), ([3700, 3701], 3701), ([3701, 3702], 3702), ([3690, 3700, 3800], 3700)]


@pytest.mark.parametrize(("quantity", "value", "held", "typical", "misfit"), PIN_CASES)
def test_a_bare_mortise_is_wider_than_its_pin(quantity, value, held, typical, misfit):
    found = entries.misfit_of_pin(quantity, value, held, typical)
    assert (found and (found.numbers["mortise"], found.numbers["pin"])) == misfit


@pytest.mark.parametrize(("pins", "typical"), TYPICAL_PINS)
def test_the_typical_pin_is_the_median_in_whole_micrometres(pins, typical):
    assert entries.typical_pin(pins) == typical

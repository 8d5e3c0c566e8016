"""Advice on keys nobody read, on what a person overruled, on angles that contradict, and honest plans."""

import datetime
import uuid
from dataclasses import replace
from itertools import product

import pytest

from keyboards.core import choice
from keyboards.models import Entry, EntryKind, Gauge, GaugeKind
from tests.keyboards.test_advising import MINUTES, advise, key_of, read_set, reasons, shop, whole  # noqa: F401

pytestmark = [pytest.mark.django_db, pytest.mark.once]


def test_keys_nobody_read_are_priced_as_often_failing_as_those_that_were():
    # 5 of 22 fail; of the other 66 as many again are expected (Jeffreys): 5 + 66 x 5.5/23 = 20.8
    keys = list(range(2, 89, 4))
    job, _ = read_set(keys=keys, sections=whole(88), findings={key: {"mortise_torn": 2} for key in keys[:5]})
    section = advise(job).sections[0]
    assert section.expected == pytest.approx(5 + 66 * 5.5 / 23, abs=0.01)
    assert section.reckoned == 21
    assert {line.code: line.quantity for line in section.option("reclothe_with_repairs").lines}["repair"] == 21
    assert len(section.failing) == 5
    assert advise(job).bound == section.bound == 34  # scipy.stats.hypergeom: 5 of 22 of 88, 95 % one-sided


def test_a_section_without_a_reading_is_reckoned_as_the_rest_of_the_set():
    keys = list(range(1, 61))
    job, _ = read_set(keys=keys, findings={key: {"mortise_torn": 2} for key in range(1, 13)})
    treble = advise(job).sections[-1]
    assert treble.read == ()
    assert treble.expected == pytest.approx(28 * 12.5 / 61, abs=0.01)
    assert treble.advised


@pytest.mark.parametrize(
    ("grade", "findings", "why"),
    [
        (1, {"mortise_torn": 2}, ()),
        (1, {"button_cracked": 3}, ()),
        (2, {}, ("wood",)),
        (3, {}, ("cracked",)),
    ],
)
def test_a_grade_given_by_hand_overrules_what_was_found(grade, findings, why):
    job, _ = read_set(
        count=30,
        sections=whole(30),
        grade={7: grade},
        grade_reason=["seen under the lamp" if key == 7 else "" for key in range(1, 31)],
        findings={7: findings},
    )
    assert key_of(advise(job), 7).why == why


def test_a_crack_only_noticed_is_still_a_crack_and_a_bruise_only_noticed_is_none():
    job, _ = read_set(count=30, sections=whole(30), findings={7: {"button_cracked": 1}, 9: {"mortise_torn": 1}})
    section = advise(job).sections[0]
    assert section.failing == (7,)
    assert section.advised == "renew_failing"


def test_how_far_the_mortise_is_off_the_middle_takes_nothing_from_the_cover_of_the_slot():
    job, _ = read_set(count=30, sections=whole(30), button_length=27000, slot_length=14000, mortise_offset=1500)
    advice = advise(job)
    assert key_of(advice, 1).cover == pytest.approx(6.5)
    assert advice.sections[0].failing == ()


def test_angles_that_contradict_each_other_give_no_pattern_and_no_fault():
    angles = [0, 0, 0, 0, -13.0, -12.7, 0, 0, -5.9, -6.1, 0, -2.6]
    job, _ = read_set(count=12, sections=whole(12), skew={key: round(a * 1000) for key, a in enumerate(angles, 1)})
    assert advise(job).skew is None


def test_steps_inside_a_section_keep_their_angles():
    angles = {key: (3000 if key <= 26 else 0 if key <= 60 else -2500) + 40 * (key % 3 - 1) for key in range(1, 89)}
    job, _ = read_set(skew=angles, sections=whole(88))
    section = advise(job).sections[0]
    assert section.specs_all == 3
    assert {key.cut_skew for key in advise(job).keys} == {3.0, 0.0, -2.5}
    assert section.skew_cost == pytest.approx(0.0713, abs=0.002)  # 1.36 sin 3 = 0.0712, the check value 0.071


def test_the_maker_s_two_angles_make_two_sections_wherever_they_part():
    angles = {key: (1500 if key <= 38 else 0) + 60 * (key % 3 - 1) for key in range(1, 89)}
    job, _ = read_set(skew=angles)
    advice = advise(job)
    assert advice.sections_from == "skew"
    assert [(part.first, part.last) for part in advice.sections] == [(1, 38), (39, 88)]
    assert len({part.title for part in advice.sections}) == 2


def test_the_cheapest_plan_never_clothes_over_a_cracked_button_but_may_leave_a_torn_mortise():
    job, _ = read_set(
        count=30,
        sections=[("Low", 1, 15), ("High", 16, 30)],
        findings={2: {"button_cracked": 3}, 20: {"mortise_torn": 2}}
    )  # fmt: skip
    plan = advise(job).plan("cheapest")
    assert plan.options == ("renew_failing", "reclothe")
    assert plan.stays_loose == pytest.approx(1, abs=0.01)


def test_comebacks_are_never_less_than_nothing_and_costs_add_up():
    job, _ = read_set(count=30, sections=whole(30), balance_mortise_width=dict.fromkeys(range(1, 11), 5895))
    for row in advise(job).sections[0].options:
        assert row.comeback >= 0
        assert row.cost == pytest.approx(row.work + row.allowance + row.comeback)


def test_of_all_combinations_that_nothing_bars_the_set_gets_the_cheapest_with_one_visit():
    # Sure counts (torn by sight, 14, 7 and 1), so each combination's cost follows from the choice's own parts
    torn = {key: {"mortise_torn": 2} for key in (*range(1, 15), *range(30, 37), 70)}
    job, _ = read_set(findings=torn)
    advice = advise(job)
    prices = choice.Prices(60, 1.5, 4, 0.25, 8, 0.4, 20, 14, 8, 1.5, 40, 120, 20)
    free = replace(prices, visit_fixed=0)

    def total(options):
        cost, quiet = 0.0, 1.0
        for section, option in zip(advice.sections, options, strict=True):
            failing = len(section.failing)
            condition = choice.SectionCondition(len(section.keys), failing, 1, 1)
            cost += choice.option_costs(condition, free)[option]
            sound = 0.99 ** (len(section.keys) - failing)
            quiet *= sound * (0.9 if option == "reclothe_with_repairs" else 0.99) ** failing
        return cost + 120 * (1 - quiet)

    among = list(product(choice.OPTIONS[1:], repeat=3))
    plan = advice.plan("advised")
    assert plan.options == min(among, key=total)
    assert plan.total == pytest.approx(min(total(options) for options in among), abs=0.05)


def test_what_turns_the_choice_is_asked_among_what_may_be_advised_alone():
    # Visits cost nothing, so cloth alone would be cheapest; the torn mortise bars it, and lining against single
    # buttons (28.40 + ... against 55.50) is turned by the price of the lining's set-up or of the button's.
    job, _ = read_set(count=30, sections=whole(30), findings={key: {"mortise_torn": 2} for key in range(1, 4)})
    section = advise(job, visit_fixed=0, visit_key=0).sections[0]
    assert section.advised == "reclothe_with_repairs"
    assert all(flip.up in ("", "renew_failing", "renew_section") for flip in section.flips)
    assert all(flip.down in ("", "renew_failing", "renew_section") for flip in section.flips)


def test_plug_gauges_give_an_interval_and_a_coarse_caliper_counts_as_it_is():
    widths = {key: 5740 + key * 37 % 180 for key in range(1, 31)}
    job, check = read_set(count=30, sections=whole(30), balance_mortise_width=widths)

    def expected():
        return (
            advise(job, compression_calibrated=True, u_cloth=0.001, u_compression_calibrated=0.001).sections[0].expected
        )

    usual = expected()
    check.gauge = Gauge.objects.create(name="Old caliper", kind=GaugeKind.CALIPER, resolution=100, error=100)
    check.save()
    coarse = expected()
    check.gauge = None
    check.save()
    when = datetime.datetime(2026, 1, 5, 9, tzinfo=datetime.UTC)
    for key, width in widths.items():
        Entry.objects.create(
            op=uuid.uuid4(), check_done=check, kind=EntryKind.READING, key=key, quantity="balance_mortise_width",
            value=width - 20, high=width + 20, by=check.begun_by, taken_at=when, received_at=when, digest=str(key),
        )  # fmt: skip
    plugged = expected()
    found = sum(width > 5890 for width in widths.values())
    assert abs(plugged - found) < abs(usual - found) < abs(coarse - found)


def test_odd_angles_are_listed_to_be_measured_again():
    angles = {key: 40 * (key % 3 - 1) for key in range(1, 89)} | {44: 4000}
    job, _ = read_set(skew=angles)
    assert [reason.keys for reason in reasons(advise(job), "angle_again")] == [(44,)]

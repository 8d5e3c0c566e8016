"""Cloth or buttons: check values, rejections, and laws of any price list.

Prices, minutes and chances are invented starting values; the check values follow from the formulas by hand.
"""

import math
from dataclasses import fields, replace
from itertools import pairwise, product
from math import prod
from time import process_time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from keyboards.core import choice
from keyboards.core.choice import (
    OPTIONS,
    RECLOTHE,
    RECLOTHE_WITH_REPAIRS,
    RENEW_FAILING,
    RENEW_SECTION,
    Prices,
    SectionCondition,
    best_plan,
    breakeven_failing,
    option_costs,
)
from keyboards.core.errors import MeasurementError

PRICES = Prices(60, 1.5, 4, 0.25, 8, 0.4, 20, 14, 8, 1.5, 40, 120, 20)
SOUND = SectionCondition(keys=30, failing=0, specs_failing=0, specs_all=1)


def failing(count, **changes):
    return replace(choice.with_failing(SOUND, count), **changes)


chances = st.floats(0, 1)
amounts = st.floats(0, 200)
price_lists = st.builds(Prices, *[amounts] * len(fields(Prices)))


@st.composite
def conditions(draw, most=40):
    keys = draw(st.integers(1, most))
    count = draw(st.integers(0, keys))
    return SectionCondition(
        keys, count, draw(st.integers(0, count)), draw(st.integers(1, 5)), *(draw(chances) for _ in range(4))
    )


# Check values


def test_a_sound_section_of_30_costs_209_74_or_489_74():
    costs = option_costs(section=SOUND, prices=PRICES)
    assert list(costs) == list(OPTIONS)
    assert [round(cost, 2) for cost in costs.values()] == [209.74, 209.74, 209.74, 489.74]


def test_renewing_the_failing_keys_costs_more_than_renewing_all_from_18_on():
    assert breakeven_failing(section=SOUND, prices=PRICES, option=RENEW_FAILING, against=RENEW_SECTION) == 18


def test_an_option_that_never_costs_more_has_no_break_even():
    assert breakeven_failing(SOUND, PRICES, option=RENEW_SECTION, against=RENEW_SECTION) is None


def test_the_cost_of_ten_failing_keys_by_hand():
    costs = option_costs(failing(10), PRICES)
    cloth, strip = 30 * 4.25, 30 * 1.5
    assert costs[RECLOTHE] == pytest.approx(cloth + strip + 120 * (1 - 0.99**20 * 0.4**10) + 20 * 6.2)
    assert costs[RECLOTHE_WITH_REPAIRS] == pytest.approx(
        cloth + strip + 10 * 8.4 + 20 + 120 * (1 - 0.99**20 * 0.9**10) + 20 * 1.2
    )
    assert costs[RENEW_FAILING] == pytest.approx(cloth + 20 * 1.5 + 10 * 15.5 + 40 + 120 * (1 - 0.99**30) + 20 * 0.3)
    assert costs[RENEW_SECTION] == pytest.approx(cloth + 30 * 9.5 + 40 + 120 * (1 - 0.99**30) + 20 * 0.3)


def test_the_parts_of_a_cost_are_told():
    parts = choice.cost_breakdown(section=failing(10), prices=PRICES)
    assert (parts[RECLOTHE_WITH_REPAIRS].strip, parts[RECLOTHE_WITH_REPAIRS].repair) == (45, 84)
    assert parts[RECLOTHE_WITH_REPAIRS].setup == 20
    assert parts[RENEW_FAILING].strip == 30
    assert (parts[RENEW_FAILING].new_buttons, parts[RENEW_FAILING].setup) == (155, 40)
    assert (parts[RENEW_SECTION].strip, parts[RENEW_SECTION].new_buttons) == (0, 285)
    assert parts[RECLOTHE].work == 172.5


def test_the_cheapest_among_equals_is_the_least_invasive():
    assert choice.cheapest(option_costs(SOUND, PRICES)) == RECLOTHE
    assert choice.cheapest({RENEW_SECTION: 5, RENEW_FAILING: 5 + 1e-12}) == RENEW_FAILING


# Mixing over the failing count


def test_a_known_count_costs_what_it_costs():
    known = [0.0] * 31
    known[10] = 1.0
    assert choice.expected_costs(section=SOUND, prices=PRICES, chances=known) == pytest.approx(
        option_costs(failing(10), PRICES)
    )


def test_an_uncertain_count_costs_the_mean():
    unsure = [0.0] * 31
    unsure[8] = unsure[12] = 0.5
    low, high = option_costs(failing(8), PRICES), option_costs(failing(12), PRICES)
    mixed = choice.expected_costs(SOUND, PRICES, unsure)
    assert mixed == pytest.approx({option: (low[option] + high[option]) / 2 for option in OPTIONS})


@pytest.mark.parametrize(
    "bad", [[], [1.0], [1.0, *[0] * 31], [0.5] * 31, [math.nan] * 31, "1" * 31, [-0.1, 1.1, *[0] * 29]]
)
def test_chances_that_are_none_are_refused(bad):
    with pytest.raises(MeasurementError, match="chances"):
        choice.expected_costs(SOUND, PRICES, bad)


# The plan of a set


def test_two_sections_share_one_visit():
    one = best_plan(sections=[SOUND], prices=PRICES)
    two = best_plan(sections=[SOUND, SOUND], prices=PRICES)
    visit = 120 * (1 - 0.99**30)
    assert one.options == (RECLOTHE,)
    assert two.options == (RECLOTHE, RECLOTHE)
    assert two.total == pytest.approx(2 * (one.total - visit) + 120 * (1 - 0.99**60))


def test_one_visit_that_comes_anyway_makes_the_risk_elsewhere_cheaper():
    """Alone the second section is repaired; beside one that surely comes back, new cloth is enough for it."""
    prices = replace(PRICES, visit_fixed=400, visit_key=0)
    other = SectionCondition(keys=10, failing=1, specs_failing=1, specs_all=1, p_ok=0, p_failing=0.3, p_repaired=0.0)
    hopeless = SectionCondition(10, 10, 10, 10, p_failing=1.0, p_repaired=1.0, p_new=1.0)
    assert best_plan([other], prices).options == (RECLOTHE_WITH_REPAIRS,)
    assert best_plan([hopeless, other], prices).options == (RECLOTHE, RECLOTHE)


def test_a_plan_that_ties_is_the_least_invasive():
    free = Prices(*[0.0] * 13)
    assert best_plan([SOUND, failing(5), failing(9)], free).options == (RECLOTHE,) * 3


@settings(max_examples=80, deadline=None)
@given(st.lists(conditions(most=12), min_size=1, max_size=4), price_lists)
def test_no_combination_of_options_is_cheaper_than_the_best_plan(sections, prices):
    def total(options):
        work, quiet = 0.0, 1.0
        for section, option in zip(sections, options, strict=True):
            n, f = section.keys, section.failing
            risks = {
                RECLOTHE: [section.p_ok] * (n - f) + [section.p_failing] * f,
                RECLOTHE_WITH_REPAIRS: [section.p_ok] * (n - f) + [section.p_repaired] * f,
                RENEW_FAILING: [section.p_ok] * (n - f) + [section.p_new] * f,
                RENEW_SECTION: [section.p_new] * n,
            }[option]
            work += choice.cost_breakdown(section, prices)[option].work + prices.visit_key * sum(risks)
            quiet *= prod(1 - risk for risk in risks)
        return work + prices.visit_fixed * (1 - quiet)

    plan = best_plan(sections, prices)
    totals = {options: total(options) for options in product(OPTIONS, repeat=len(sections))}
    assert plan.total == pytest.approx(min(totals.values()), abs=1e-7)
    assert totals[plan.options] == pytest.approx(plan.total, abs=1e-7)


def test_eight_different_sections_are_planned_within_a_page_view():
    sections = [failing(count, p_failing=0.1 + count / 50) for count in range(1, 9)]
    begun = process_time()
    assert len(best_plan(sections, PRICES).options) == 8
    assert process_time() - begun < 0.5  # a few milliseconds on a bench machine


# How firm it is


def test_a_sound_section_is_a_firm_choice_although_three_options_are_the_same_work():
    firm = choice.sensitivity(section=SOUND, prices=PRICES)
    assert firm.choice == RECLOTHE
    assert firm.margin == pytest.approx(280 / 209.73596, rel=1e-6)
    assert not any(firm.flips.values())
    assert not firm.too_close


def test_a_choice_near_its_break_even_is_too_close_to_call():
    prices = replace(PRICES, minutes_repair=60)
    near = choice.sensitivity(failing(17), prices)
    assert near.choice == RENEW_FAILING
    assert near.margin < choice.CLOSE_MARGIN
    assert near.too_close


def test_the_inputs_that_turn_the_choice_are_named_with_what_it_turns_to():
    prices = replace(PRICES, minutes_repair=60)
    firm = choice.sensitivity(failing(14, p_failing=1.0), prices, change=0.3)
    assert firm.margin > choice.CLOSE_MARGIN
    assert firm.flips["minutes_new_single"]
    assert firm.high["minutes_new_single"] == RENEW_SECTION
    assert firm.low["minutes_new_single"] == RENEW_FAILING
    assert not firm.flips["cloth_material"]
    assert firm.too_close


def test_every_price_and_chance_is_an_input():
    firm = choice.sensitivity(failing(5), PRICES)
    assert set(firm.flips) == {*(field.name for field in fields(Prices)), *choice.CHANCES}


def test_a_chance_raised_beyond_1_stops_there():
    sure = choice.sensitivity(failing(5, p_failing=0.95), PRICES)
    assert sure.high["p_failing"] == RECLOTHE_WITH_REPAIRS


def test_nothing_costs_anything_then_everything_is_too_close():
    free = choice.sensitivity(failing(5), Prices(*[0.0] * 13))
    assert (free.margin, free.too_close) == (0, True)


@pytest.mark.parametrize("bad", [0, 1, -0.3, math.nan, True, "0.3"])
def test_a_change_must_be_a_part(bad):
    with pytest.raises(MeasurementError, match="change"):
        choice.sensitivity(SOUND, PRICES, change=bad)


# Rejections


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"failing": 31}, "failing"),
        ({"failing": -1}, "failing"),
        ({"failing": 1.0}, "failing"),
        ({"keys": 0}, "keys"),
        ({"keys": True}, "keys"),
        ({"keys": 10**9}, "keys"),
        ({"specs_failing": -1}, "specs_failing"),
        ({"specs_all": 0}, "specs_all"),
        *(({name: bad}, name) for name in choice.CHANCES for bad in (-0.1, 1.1, math.nan, True, "0.1", None)),
    ],
)
def test_conditions_that_cannot_be_are_refused(changes, named):
    with pytest.raises(MeasurementError, match=named):
        replace(SOUND, **changes)


@pytest.mark.parametrize("name", choice.PRICES)
def test_prices_are_finite_and_never_negative(name):
    for bad in (-0.01, math.nan, math.inf, True, "8", None):
        with pytest.raises(MeasurementError, match=name):
            replace(PRICES, **{name: bad})


def test_wrong_things_in_the_place_of_sections_prices_or_options_are_refused():
    for call, named in (
        (lambda: option_costs(None, PRICES), "section"),
        (lambda: option_costs(SOUND, {}), "prices"),
        (lambda: breakeven_failing(SOUND, PRICES, "burn", RECLOTHE), "option"),
        (lambda: breakeven_failing(SOUND, PRICES, RECLOTHE, []), "against"),
        (lambda: best_plan([], PRICES), "sections"),
        (lambda: best_plan("ab", PRICES), "sections"),
        (lambda: best_plan([SOUND, None], PRICES), "section"),
        (lambda: best_plan([SOUND] * 129, PRICES), "sections"),
    ):
        with pytest.raises(MeasurementError, match=named):
            call()


# Laws


@given(conditions(), price_lists)
def test_the_parts_add_up_to_the_cost_and_none_is_negative(section, prices):
    costs = option_costs(section, prices)
    for option, parts in choice.cost_breakdown(section, prices).items():
        amounts = [getattr(parts, field.name) for field in fields(parts)]
        assert min(amounts) >= -1e-12
        assert math.fsum(amounts) == pytest.approx(costs[option], rel=1e-12)


@given(conditions(), price_lists)
def test_one_more_failing_key_never_makes_cloth_or_repairs_cheaper(section, prices):
    """Where failing keys are likelier to come back than sound ones; renewing all does not depend on the count."""
    worse = replace(
        section,
        p_failing=max(section.p_failing, section.p_ok),
        p_repaired=max(section.p_repaired, section.p_ok),
    )
    costs = [option_costs(replace(worse, failing=count, specs_failing=0), prices) for count in range(section.keys + 1)]
    for option in (RECLOTHE, RECLOTHE_WITH_REPAIRS):
        rising = [cost[option] for cost in costs]
        assert all(after >= before - 1e-9 * (1 + before) for before, after in pairwise(rising))
    assert len({cost[RENEW_SECTION] for cost in costs}) == 1


@settings(max_examples=50, deadline=None)
@given(conditions(), price_lists, st.sampled_from(OPTIONS), st.sampled_from(OPTIONS))
def test_the_break_even_is_the_first_count_that_costs_more(section, prices, option, against):
    found = breakeven_failing(section, prices, option, against)
    for count in range(section.keys + 1):
        costs = option_costs(choice.with_failing(section, count), prices)
        dearer = costs[option] > costs[against] + 1e-9
        if found is None or count < found:
            assert not dearer
        elif count == found:
            assert dearer


@given(conditions(), price_lists, st.floats(0.01, 100))
def test_another_currency_changes_no_choice(section, prices, factor):
    money = ("hourly_rate", "cloth_material", "repair_material", "button_material", "visit_fixed", "visit_key")
    other = replace(prices, **{name: getattr(prices, name) * factor for name in money})
    costs, others = option_costs(section, prices), option_costs(section, other)
    assert others == pytest.approx({option: cost * factor for option, cost in costs.items()}, abs=1e-9)

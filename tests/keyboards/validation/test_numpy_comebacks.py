"""What comebacks cost and which plan is best, against simulated years of a shop.

Harris, C. R. et al., Array programming with NumPy, Nature 585, 357-362 (2020): its random generator throws for every
key whether it comes back; a visit is paid once if any does. No formula of the module under test is used.
"""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from keyboards.core.choice import OPTIONS, Prices, SectionCondition, best_plan, breakeven_failing, option_costs

PRICES = Prices(60, 1.5, 4, 0.25, 8, 0.4, 20, 14, 8, 1.5, 40, 120, 20)
SETS = 60_000


def work(section, option):
    """Minutes and material added up key by key, as a bench book would."""
    rate, total, first_repair = PRICES.hourly_rate / 60, 0.0, True
    for key in range(section.keys):
        failing = key < section.failing
        renewed = option == "renew_section" or (option == "renew_failing" and failing)
        total += PRICES.minutes_cloth * rate + PRICES.cloth_material
        if renewed:
            batch = option == "renew_section"
            total += (PRICES.minutes_new_batch if batch else PRICES.minutes_new_single) * rate + PRICES.button_material
        else:
            total += PRICES.minutes_strip * rate
        if option == "reclothe_with_repairs" and failing:
            total += PRICES.minutes_repair * rate + PRICES.repair_material
            if first_repair:
                total += PRICES.setup_repair * rate
                first_repair = False
    specs = {"renew_section": section.specs_all, "renew_failing": section.specs_failing}.get(option, 0)
    return total + specs * PRICES.setup_spec * rate


def coming_back(section, option, random):
    """How many keys of each simulated set come back."""
    chances = np.full(section.keys, section.p_new if option == "renew_section" else section.p_ok)
    if option != "renew_section":
        failing = {"reclothe": "p_failing", "reclothe_with_repairs": "p_repaired", "renew_failing": "p_new"}[option]
        chances[: section.failing] = getattr(section, failing)
    return (random.random((SETS, section.keys)) < chances).sum(axis=1)


def simulated(sections, options, random):
    keys = sum(coming_back(s, o, random) for s, o in zip(sections, options, strict=True))
    cost = (PRICES.visit_fixed * (keys > 0) + PRICES.visit_key * keys).mean()
    return cost + sum(work(s, o) for s, o in zip(sections, options, strict=True))


@pytest.mark.parametrize("failing", [0, 3, 12, 30])
@pytest.mark.parametrize("option", OPTIONS)
def test_an_option_costs_what_a_shop_pays_on_average(failing, option):
    section = SectionCondition(30, failing, min(2, failing), 3)
    found = simulated([section], [option], np.random.default_rng(failing))
    assert option_costs(section, PRICES)[option] == pytest.approx(found, abs=1.2)


def test_the_best_plan_of_three_sections_is_the_cheapest_of_all_64_simulated():
    sections = [
        SectionCondition(12, 2, 1, 1, p_failing=0.3),
        SectionCondition(20, 11, 3, 3),
        SectionCondition(8, 8, 1, 1, p_failing=0.9, p_repaired=0.5),
    ]
    plan = best_plan(sections, PRICES)
    random = np.random.default_rng(5)
    costs = {options: simulated(sections, options, random) for options in product(OPTIONS, repeat=3)}
    assert plan.total == pytest.approx(costs[plan.options], abs=1.5)
    assert costs[plan.options] <= min(costs.values()) + 1.5


def test_the_break_even_count_is_where_the_bench_book_turns():
    section = SectionCondition(30, 0, 0, 1)
    turn = breakeven_failing(section, PRICES, "renew_failing", "renew_section")
    for failing in (turn - 1, turn):
        # equal chances of a comeback for both options: the bench book alone decides
        condition = replace(section, failing=failing, specs_failing=1)
        dearer = work(condition, "renew_failing") > work(condition, "renew_section")
        assert dearer == (failing >= turn)
    assert turn == 18

"""What guards the way out: a set on which work was agreed leaves after its final check, an untouched one as it came."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.core import route

STATES = st.sampled_from(route.STATES)
ROUTES = st.sets(st.sampled_from(route.WORK)).map(
    lambda work: sorted({*route.ALWAYS, *work}, key=lambda slug: route.KINDS[slug].order)
)


@given(ROUTES, st.data())
def test_agreed_work_always_needs_its_final_check(kinds, data):
    states = [data.draw(STATES) for _ in kinds]
    assert route.needs_final_check(kinds, states, agreed=True)


@given(ROUTES, st.data())
def test_without_agreement_only_work_that_was_left_out_needs_none(kinds, data):
    states = [data.draw(STATES) for _ in kinds]
    work = [state for kind, state in zip(kinds, states, strict=True) if kind in route.WORK]
    assert route.needs_final_check(kinds, states, agreed=False) is any(state != route.SKIPPED for state in work)


@pytest.mark.parametrize("kind", ["pack", "leave"])
@pytest.mark.parametrize("untouched", [True, False])
def test_counting_out_and_handing_over_are_never_left_out(kind, untouched):
    assert route.may_skip([route.WAITING], 0, kind, untouched=untouched) == "guarded"


def test_the_final_check_is_left_out_on_an_untouched_set_only():
    assert route.may_skip([route.WAITING], 0, "final_check") == "guarded"
    assert route.may_skip([route.WAITING], 0, "final_check", untouched=True) == ""

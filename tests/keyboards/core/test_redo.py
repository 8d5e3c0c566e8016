"""Which stage puts a failing key right. Common practice, without a source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.grading import DROP
from keyboards.core.redo import LOOSE, SEEN, TIGHT, Fault, stage_to_redo
from shop.core import route

ROUTE = ["strip", "repairs", "buttons", "pins", "leads", "cloth", "tops", "frame", "ease"]


@pytest.mark.parametrize(
    ("faults", "kinds", "stage"),
    [
        ([Fault("side_play", LOOSE)], ROUTE, "cloth"),
        ([Fault("side_play", TIGHT)], ROUTE, "ease"),
        ([Fault("balance_clearance", TIGHT)], ["strip", "cloth"], "cloth"),  # nobody eases on this route
        ([Fault("level", LOOSE)], ROUTE, "ease"),
        ([Fault("skew_copy", LOOSE)], ROUTE, "buttons"),
        ([Fault("x", group="hole")], ROUTE, "pins"),
        ([Fault("x", group="top")], ROUTE, "tops"),
        (
            [Fault("side_play", LOOSE), Fault("x", group="button")],
            ROUTE,
            "buttons",
        ),  # the earliest: cloth follows anyway
        ([Fault(DROP, group="cloth")], ROUTE, "ease"),  # one that does not fall is eased, whatever its group
        ([Fault("x", group="lead")], ["strip", "cloth"], "cloth"),  # nothing on the route fits: the last work done
        ([], ROUTE, "ease"),
        ([Fault("dip", TIGHT)], [], ""),
    ],
)
def test_a_key_goes_back_to_the_work_that_shows_in_what_failed(faults, kinds, stage):
    assert stage_to_redo(faults, kinds) == stage


WHATS = [
    "side_play",
    "balance_clearance",
    "front_clearance",
    "dip",
    "level",
    "skew_copy",
    "cloth",
    "mortise",
    "lead",
    "?",
]


@given(
    st.lists(
        st.builds(Fault, st.sampled_from(WHATS), st.sampled_from([TIGHT, LOOSE, SEEN]), st.sampled_from(WHATS)),
        max_size=5,
    ),
    st.sets(st.sampled_from(ROUTE), min_size=1),
)
def test_it_always_goes_to_work_on_the_route_and_one_more_fault_never_sends_it_later(faults, kinds):
    kinds = sorted(kinds, key=lambda kind: route.KINDS[kind].order)
    stage = stage_to_redo(faults, kinds)
    assert stage in kinds
    if len(faults) > 1:
        known = stage_to_redo(faults[:-1], kinds)
        told = any(stage_to_redo([fault], kinds) != kinds[-1] for fault in faults[:-1])
        assert not told or kinds.index(stage) <= kinds.index(known)

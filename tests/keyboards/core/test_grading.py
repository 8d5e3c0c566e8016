"""The worst finding sets the grade of a key."""

import pytest

from keyboards.core.entries import current_state
from keyboards.core.grading import Worn, finding_grade, key_grade, worst_grade
from tests.keyboards.core.test_entries import entry

GRADES = {"cloth_worn": 1, "mortise_torn": 2, "button_loose": 3, "pin_bent": 0}


@pytest.mark.parametrize(
    ("grade", "at_severity"),
    [(0, [0, 0, 0, 0]), (1, [0, 1, 1, 1]), (2, [0, 1, 2, 2]), (3, [0, 2, 3, 3])],
)
def test_severity_weighs_a_finding(grade, at_severity):
    assert [finding_grade(grade, severity) for severity in range(4)] == at_severity


def test_the_worst_finding_counts():
    assert worst_grade({}, {}, GRADES) == 0
    assert worst_grade({"cloth_worn": 3, "mortise_torn": 2}, {}, GRADES) == 2
    assert worst_grade({"cloth_worn": 3, "button_loose": 1}, {}, GRADES) == 2
    assert worst_grade({"pin_bent": 3}, {}, GRADES) == 0
    assert worst_grade({"struck_off_the_list": 3}, {}, GRADES) == 0


def test_side_play_beyond_the_worn_limit_is_worn_cloth():
    assert worst_grade({}, {"side_play": 1000}, GRADES) == 0
    assert worst_grade({}, {"side_play": 1001}, GRADES) == 1
    assert worst_grade({"mortise_torn": 2}, {"side_play": 1001}, GRADES) == 2
    assert worst_grade({}, {"side_play": 1500}, GRADES, worn=[Worn("side_play", 1600, 1)]) == 0
    assert worst_grade({}, {"side_play": 1500}, GRADES, worn=[]) == 0


def test_a_key_nobody_looked_at_has_no_grade():
    assert key_grade(current_state([]), GRADES) is None
    assert key_grade(current_state([entry("note", text="box dented")]), GRADES) is None
    assert key_grade(current_state([entry()]), GRADES) == 0


def test_the_technician_may_overrule_both_ways():
    worn = entry("finding", finding="cloth_worn", value=2)
    assert key_grade(current_state([worn, entry("grade", value=3, text="cracked inside")]), GRADES) == 3
    assert key_grade(current_state([worn, entry("grade", value=0, text="only the nap")]), GRADES) == 0
    assert key_grade(current_state([worn, entry("grade", value=None, minute=1)]), GRADES) == 1

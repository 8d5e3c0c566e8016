"""Balance weight, friction and cauls: common practice of the trade, no standard."""

import pytest

from keyboards.core.errors import MeasurementError
from keyboards.core.weights import INCH, caul_width, touch


def test_52_down_and_28_up_give_40_and_12():
    found = touch(52, 28)
    assert (found.balance, found.friction) == (40, 12)


def test_a_pin_of_146_gets_a_caul_of_148():
    assert caul_width(0.146 * INCH) == pytest.approx(0.148 * INCH, abs=1e-9)


@pytest.mark.parametrize("pair", [(28, 52), (0, 0), (float("nan"), 1), (50, -1), (True, 0), ("52", 28)])
def test_weights_that_cannot_be_are_refused(pair):
    with pytest.raises(MeasurementError):
        touch(*pair)
    with pytest.raises(MeasurementError):
        caul_width(0)

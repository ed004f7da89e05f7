"""A lemon's own directions: turns whose answer is known on paper."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sporecount.steps.lemon import along_and_across, x_and_y

LENGTHS = st.floats(-100, 100)


@pytest.mark.parametrize(
    ("angle_deg", "along", "across"), [(0, 3, 4), (90, 4, -3), (180, -3, -4), (45, 3.5 * 2**0.5, 0.5**0.5)]
)
def test_the_angle_runs_from_x_towards_y(angle_deg, along, across):
    assert along_and_across(np.array(3.0), np.array(4.0), angle_deg) == pytest.approx((along, across))


@given(LENGTHS, LENGTHS, st.floats(0, 180))
def test_there_and_back_again(x, y, angle_deg):
    """A turn keeps lengths and is undone; 1e-12 is the rounding of a hundred in 64 bits, a hundredfold."""
    turned = along_and_across(np.array(x), np.array(y), angle_deg)
    assert np.hypot(*turned) == pytest.approx(np.hypot(x, y), abs=1e-12)
    assert x_and_y(*turned, angle_deg) == pytest.approx((x, y), abs=1e-12)

"""The recall that a field gets from the session's own spike-in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sporecount.errors import SettingsError
from sporecount.records import OwnRecall
from sporecount.stats.control import recall_at, recovery

COUNTS = st.integers(20, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def share_alone(own: OwnRecall, in_focus: float) -> float:
    """What is used where nothing else is known."""
    return recall_at(own, in_focus, 0.5, 1e6, seen=True)[0]


def test_a_sharp_field_has_the_recall_of_sharp_parts_and_a_blurred_one_that_of_blurred():
    own = OwnRecall(95, 100, 20, 50)
    assert share_alone(own, 1.0) == pytest.approx(recovery(95, 100).recall)
    assert share_alone(own, 0.0) == pytest.approx(recovery(20, 50).recall)
    half = (recovery(95, 100).recall + recovery(20, 50).recall) / 2
    assert share_alone(own, 0.5) == pytest.approx(half)


def test_a_focus_with_few_spores_takes_the_share_of_all():
    own = OwnRecall(95, 100, 0, 3)
    assert share_alone(own, 0.0) == pytest.approx(recovery(95, 103).recall)


@given(
    sharp=COUNTS,
    blurred=COUNTS,
    in_focus=st.floats(0, 1),
    expected=st.floats(0.3, 0.99),
    u=st.floats(0.01, 0.3),
)
def test_it_lies_between_what_was_expected_and_what_was_found_and_is_surer_than_either(
    sharp, blurred, in_focus, expected, u
):
    own = OwnRecall(*sharp, *blurred)
    found, found_u = recall_at(own, in_focus, 0.5, 1e6, seen=True)
    recall, recall_u = recall_at(own, in_focus, expected, u, seen=True)
    assert min(found, expected) - 1e-9 <= recall <= max(found, expected) + 1e-9
    assert recall_u == pytest.approx(1 / np.sqrt(found_u**-2 + u**-2), rel=1e-6)
    assert (recall - found) * u**2 == pytest.approx((expected - recall) * found_u**2, abs=1e-9)


def test_many_placed_spores_are_no_surer_than_copies_are_like_the_others():
    own = OwnRecall(9600, 10000, 0, 0, 8000, 10000)
    assert recall_at(own, 1.0, 0.5, 1e6, seen=True) == pytest.approx((0.96, 0.03), abs=0.002)
    assert recall_at(own, 1.0, 0.5, 1e6, seen=False) == pytest.approx((0.8, 0.4), abs=0.005)


def test_without_copies_that_tell_of_a_print_it_stays_as_expected():
    assert recall_at(OwnRecall(0, 0, 0, 0, 8, 10), 1.0, 0.9, 0.1, seen=True) == (0.9, 0.1)
    assert recall_at(OwnRecall(8, 10, 0, 0), 1.0, 0.9, 0.1, seen=False) == (0.9, 0.1)


def test_a_share_out_of_range_is_refused():
    with pytest.raises(SettingsError, match="in_focus"):
        recall_at(OwnRecall(9, 10, 0, 0), 1.2, 0.9, 0.1, seen=True)

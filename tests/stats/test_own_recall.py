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


def test_a_sharp_field_has_the_recall_of_sharp_parts_and_a_blurred_one_that_of_blurred():
    own = OwnRecall(95, 100, 20, 50)
    assert recall_at(own, 1.0)[0] == recovery(95, 100).recall
    assert recall_at(own, 0.0)[0] == recovery(20, 50).recall
    half = (recovery(95, 100).recall + recovery(20, 50).recall) / 2
    assert recall_at(own, 0.5)[0] == pytest.approx(half)


def test_a_focus_with_few_spores_takes_the_share_of_all():
    own = OwnRecall(95, 100, 0, 3)
    assert recall_at(own, 0.0)[0] == recovery(95, 103).recall


@given(sharp=COUNTS, blurred=COUNTS, in_focus=st.floats(0, 1))
def test_it_is_a_share_and_never_surer_than_chance_and_simulation_allow(sharp, blurred, in_focus):
    recall, recall_u = recall_at(OwnRecall(*sharp, *blurred), in_focus)
    assert 0 < recall < 1
    assert recall_u >= 0.03
    weights = np.array([in_focus, 1 - in_focus])
    parts = np.array([recovery(*sharp).recall_u, recovery(*blurred).recall_u])
    assert recall_u == pytest.approx(np.sqrt(((weights * parts) ** 2).sum() + 0.03**2))


def test_a_share_out_of_range_is_refused():
    with pytest.raises(SettingsError, match="in_focus"):
        recall_at(OwnRecall(9, 10, 0, 0), 1.2)

"""The tally of a field: when a person is asked to look."""

import pytest

from sporecount.steps.field_tally import is_ambiguous


@pytest.mark.parametrize(
    ("doubtful", "spores", "asked"),
    [(1, 0, False), (2, 0, True), (5, 1, False), (6, 1, True), (6, 11, True), (6, 12, False), (7, 13, True)],
)
def test_doubts_that_ask_for_a_look(doubtful, spores, asked):
    """More than five and more than half of the count; two where they decide whether a print is clean."""
    assert is_ambiguous(doubtful, spores) is asked

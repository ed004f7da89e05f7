"""The tally of a field: when a person is asked to look."""

import numpy as np
import pytest

from sporecount.chain import count_field
from sporecount.files.decode import decode
from sporecount.records import Scale
from sporecount.settings import CountSettings
from sporecount.steps.field_tally import is_amberless, is_ambiguous, spores_interval
from tests.readme_tables import README


@pytest.mark.parametrize(
    ("doubtful", "spores", "low", "asked"),
    [
        (1, 0, 0, False), (2, 0, 0, True), (5, 1, 1, False), (6, 1, 1, True), (6, 11, 8, True), (6, 12, 8, False),
        (7, 13, 9, True), (1, 1, 0, True), (0, 1, 0, False), (1, 2, 1, False),
    ],
)  # fmt: skip
def test_doubts_that_ask_for_a_look(doubtful, spores, low, asked):
    """More than five and more than half of the count; fewer where they decide whether a print is clean."""
    assert is_ambiguous(doubtful, spores, low) is asked


def test_what_heaps_could_hold_raises_the_upper_end_alone():
    low, high = spores_interval(np.full(40, 0.99), 40, 0.95, 0.02, CountSettings(), 0.0)
    assert spores_interval(np.full(40, 0.99), 40, 0.95, 0.02, CountSettings(), 12.3) == (low, high + 13)


@pytest.mark.parametrize(
    ("um_per_px", "objective", "contradicted"),
    [(0.6614, 10.0, False), (0.6614, 16.0, True), (1.0582, 10.0, True), (1.0582, None, False)],
)
def test_a_view_wider_than_eyepieces_show_contradicts_the_scale(um_per_px, objective, contradicted):
    """The sample session's view is 1.8 mm across at 10x, field number 18; 16x taken for 10x would make it 28.8."""
    path = README.parent / "sample_images" / "MH-01_1.jpg"
    photo = decode(path.read_bytes(), path.name)
    result, _ = count_field(photo, Scale(um_per_px, 0.0, "given", objective), CountSettings())
    assert ("scale-contradicted" in result.tally.reasons) is contradicted


@pytest.mark.parametrize(
    ("amber", "amberless"),
    [([1.0] * 8, True), ([1.0] * 4, False), ([1.4] * 8, False), ([1.0] * 3 + [1.5] * 4, False)],
)
def test_grey_ovals_are_told(amber, amberless):
    """Soot takes away red as much as blue; a few objects tell no colour."""
    assert is_amberless(np.array(amber)) is amberless

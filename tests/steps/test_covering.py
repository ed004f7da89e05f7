"""What lemons cover of one another: ellipses whose overlap is known on paper."""

import numpy as np
import pytest

from sporecount.steps.classify.covering import covering
from sporecount.steps.classify.network import HIDDEN, Looks
from sporecount.steps.settle import Settled

SURE, LIKELY, UNLIKELY = 4.0, 1.0, -3.0
SPOT_AND_A_HALF = 0.05
"""A share is told by 32 spots; the error of a share counted so is below 1.5 of them."""


def lemons(*rows: tuple[float, float, float, float, float]) -> Settled:
    """Lemons of x, y, length, width in um and angle in degrees, on a grid of 0.5 um per px."""
    x, y, length, width, angle = np.array(rows, float).reshape(-1, 5).T
    count = len(x)
    looks = Looks(
        logits=np.zeros((count, 9), np.float32),
        offset_um=np.zeros((count, 2), np.float32),
        length_um=length,
        width_um=width,
        angle_deg=angle,
        blur_um=np.zeros(count, np.float32),
        disagreement=np.zeros(count, np.float32),
        hidden_first=np.zeros((count, HIDDEN["first"]), np.float32),
        hidden_second=np.zeros((count, HIDDEN["second"]), np.float32),
    )
    return Settled(y / 0.5, x / 0.5, looks)


def test_discs_cover_the_lens_that_they_share():
    """Two unit discs a radius apart share 2 pi/3 - sqrt(3)/2 of pi (geometry of the circular lens)."""
    two = lemons((0, 0, 10, 10, 0), (5, 0, 10, 10, 0))
    (by_likelier, far, by_all, far_of_all), sure = covering(two, np.array([LIKELY, SURE]), 0.5)
    lens = (2 * np.pi / 3 - np.sqrt(3) / 2) / np.pi
    assert by_likelier == by_all == pytest.approx(lens, abs=SPOT_AND_A_HALF)
    assert far == far_of_all == pytest.approx(1.0)
    np.testing.assert_allclose(sure, [0, 4, by_all, 1], atol=SPOT_AND_A_HALF)


def test_the_seam_of_two_spores_is_theirs_already():
    """A third lemon on the seam of two that stand side by side is covered by them; nothing covers the two."""
    heap = lemons((0, 0, 12, 8, 90), (8, 0, 12, 8, 90), (4, 0, 8, 6, 0))
    by_likelier, _, by_all, _ = covering(heap, np.array([SURE, SURE, LIKELY]), 0.5).T
    assert by_likelier[2] == by_all[2] > 0.75
    np.testing.assert_array_equal(by_likelier[:2], 0)


def test_of_two_in_one_place_the_first_is_the_likelier():
    same = lemons((0, 0, 12, 8, 30), (0, 0, 12, 8, 30))
    covered = covering(same, np.array([LIKELY, LIKELY]), 0.5)
    np.testing.assert_allclose(covered, [[0, 4, 1, 0], [1, 0, 1, 0]], atol=1e-9)


def test_each_is_held_against_the_other_in_the_others_axes():
    """A disc of 4 um within a lemon of 16 x 10 um is covered whole, and covers 4 x 4 / (16 x 10) of it."""
    pair = lemons((0, 0, 16, 10, 0), (2, 0, 4, 4, 0))
    covered = covering(pair, np.array([SURE, LIKELY]), 0.5)
    np.testing.assert_allclose(covered, [[0, 4, 0.1, 1], [1, 0.25, 1, 0.25]], atol=SPOT_AND_A_HALF)


def test_what_is_no_likely_spore_covers_nothing_and_far_ones_neither():
    alone = [0, 4, 0, 4]
    near_a_thing = lemons((0, 0, 12, 8, 0), (2, 0, 12, 8, 0))
    np.testing.assert_array_equal(covering(near_a_thing, np.array([SURE, UNLIKELY]), 0.5)[0], alone)
    np.testing.assert_array_equal(covering(near_a_thing, np.array([SURE, -1.6]), 0.5)[0], alone)
    assert covering(near_a_thing, np.array([SURE, -1.4]), 0.5)[0, 2] > 0.5
    end_to_end = lemons((0, 0, 12, 8, 0), (15, 0, 12, 8, 0))
    np.testing.assert_array_equal(covering(end_to_end, np.array([SURE, SURE]), 0.5)[0], [0, 4, 0, 15 / 6])
    far_apart = lemons((0, 0, 12, 8, 0), (20, 0, 12, 8, 0))
    np.testing.assert_array_equal(covering(far_apart, np.array([SURE, SURE]), 0.5), [alone, alone])
    np.testing.assert_array_equal(covering(lemons((0, 0, 12, 8, 0)), np.array([SURE]), 0.5), [alone])


@pytest.mark.parametrize("angle", [0, 30, 90, 145])
def test_distance_is_told_in_the_half_axes_of_the_other(angle):
    """Turned together, two lemons keep it: 9 um along an axis of 12 is 1.5, across one of 8 it is 2.25."""
    turn = np.radians(angle)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    for step, far in ((along, 1.5), (across, 2.25)):
        pair = lemons((50, 50, 12, 8, angle), (*(50 + 9 * step), 12, 8, angle))
        found = covering(pair, np.array([SURE, LIKELY]), 0.5)[1, 1]
        assert found == pytest.approx(far)


def test_um_do_not_depend_on_the_pixels():
    heap = lemons((0, 0, 12, 8, 20), (5, 3, 11, 7, 80), (-4, 6, 10, 8, 130))
    finer = Settled(heap.row * 2, heap.col * 2, heap.looks)
    margin = np.array([SURE, LIKELY, 2 * LIKELY])
    np.testing.assert_allclose(covering(finer, margin, 0.25), covering(heap, margin, 0.5))

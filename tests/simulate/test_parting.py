"""How much of an outline the eye can follow, on pictures whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate.parting import LEAST_SHARE, outline_seen

LONG, WIDE = 12.0, 8.0


def disc(shape, x, y, turn):
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    along = (cols - x) * np.cos(turn) + (rows - y) * np.sin(turn)
    across = (rows - y) * np.cos(turn) - (cols - x) * np.sin(turn)
    return np.hypot(along / LONG, across / WIDE)


def grey(values):
    return np.repeat(np.clip(values, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("turn", [0.0, 0.8, 2.2])
def test_a_lone_spore_is_seen_all_around_and_an_even_picture_not_at_all(turn):
    far = disc((90, 120), 55.0, 41.0, turn)
    one = np.array([[55.0, 41.0, LONG, WIDE, turn]])
    assert outline_seen(grey(np.where(far < 1, 90.0, 190.0)), one)[0] == 1.0
    assert outline_seen(grey(np.full((90, 120), 190.0)), one)[0] == 0.0


def test_a_thin_rim_between_equal_sides_is_seen():
    far = disc((90, 120), 60.0, 45.0, 0.4)
    rim = np.where(np.abs(far - 1) < 0.1, 80.0, 170.0)
    assert outline_seen(grey(rim), np.array([[60.0, 45.0, LONG, WIDE, 0.4]]))[0] > 0.9


def test_a_spore_mostly_within_a_patch_of_its_own_tone_is_not_followed():
    """All but the lowest quarter of its height lies in a wide area of its own grey."""
    rows = np.mgrid[:90, :120][0]
    far = disc((90, 120), 60.0, 45.0, 0.0)
    picture = grey(np.where((far < 1) | (rows < 49), 90.0, 190.0))
    share = outline_seen(picture, np.array([[60.0, 45.0, LONG, WIDE, 0.0]]))[0]
    assert 0.2 < share < LEAST_SHARE


def test_noise_alone_shows_no_outline():
    rng = np.random.default_rng(3)
    noisy = grey(150 + rng.normal(0, 8, (120, 160)))
    table = np.array([(x, y, LONG, WIDE, 0.3 * x) for x in (30.0, 80.0, 130.0) for y in (30.0, 60.0, 90.0)])
    assert outline_seen(noisy, table).mean() < 0.15
    assert outline_seen(noisy, np.zeros((0, 5))).shape == (0,)

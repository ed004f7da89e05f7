"""The order of what is taken off a photo: one answer, or two on dark ground, and what was seen stays at hand."""

import numpy as np
import pytest

from sporecount.settings import CountSettings
from sporecount.steps.prepare import prepare
from tests.steps.drawn import as_photo, given_scale, linear, spore_field, srgb, whole_view

SHAPE = (600, 800)
SPORES = [(60 + 70 * i, 50 + 60 * j, 11.0, 7.3, 40.0 * i) for i in range(6) for j in range(5)]
SCALE = (250.0, 290.0, 90.0, 45.0, 20.0)


def prepared(rgb):
    return prepare(as_photo(rgb), whole_view(rgb), given_scale(0.6), CountSettings())


def test_a_clear_photo_is_itself():
    (one,) = prepared(spore_field(SHAPE, [*SPORES, SCALE, SCALE], 0.6))
    assert one.work is one.plain
    assert one.flat is one.plain_flat
    assert one.stray_share < 0.1


def test_a_veil_is_taken_off_and_what_was_seen_is_kept():
    """The scale has 0.6 in green and blue on the whole (0.8, less what amber lets through)."""
    clean = linear(spore_field(SHAPE, [*SPORES, SCALE, SCALE], 0.6, density=0.4))
    (one,) = prepared(srgb(0.55 * clean + 0.45 * np.median(clean, axis=(0, 1))))
    assert one.stray_share == pytest.approx(0.45, abs=0.1)
    assert np.quantile(one.flat.density, 0.999) > 1.5 * np.quantile(one.plain_flat.density, 0.999)


def test_on_dark_ground_there_are_two_the_negative_first():
    clean = linear(spore_field(SHAPE, SPORES, 0.6))
    rgb = srgb(0.07 * np.median(clean, axis=(0, 1)) / np.maximum(clean, 1e-3))
    first, second = prepared(rgb)
    assert first.work.negative
    assert not second.work.negative
    assert first.stray_share == second.stray_share == 0

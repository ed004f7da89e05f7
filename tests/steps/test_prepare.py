"""The order of what is taken off a photo: one answer, two on dark ground, and nothing twice."""

import numpy as np
import pytest

from sporecount.settings import CountSettings
from sporecount.steps.prepare import prepare, prepare_whole
from tests.steps.drawn import as_photo, given_scale, linear, spore_field, srgb, whole_view

SHAPE = (600, 800)
SPORES = [(60 + 70 * i, 50 + 60 * j, 11.0, 7.3, 40.0 * i) for i in range(6) for j in range(5)]
SCALE = (250.0, 290.0, 90.0, 45.0, 20.0)
VEIL = 0.45


@pytest.fixture(scope="module")
def veiled():
    clean = linear(spore_field(SHAPE, [*SPORES, SCALE, SCALE], 0.6, density=0.4))
    return srgb((1 - VEIL) * clean + VEIL * np.median(clean, axis=(0, 1)))


def prepared(rgb):
    return prepare(as_photo(rgb), whole_view(rgb), given_scale(0.6), CountSettings())


def test_on_light_ground_there_is_one_and_it_is_cleared(veiled):
    ((work, flat),) = prepared(veiled)
    assert not work.negative
    assert 0.2 < flat.stray_light <= VEIL + 0.03


def test_on_dark_ground_there_are_two_the_negative_first():
    clean = linear(spore_field(SHAPE, SPORES, 0.6))
    rgb = srgb(0.07 * np.median(clean, axis=(0, 1)) / np.maximum(clean, 1e-3))
    first, second = prepared(rgb)
    assert first[0].negative
    assert not second[0].negative
    assert first[1].stray_light == second[1].stray_light == 0


def test_of_a_whole_photo_nothing_is_taken_off_twice(veiled):
    view, scale, settings = whole_view(veiled), given_scale(0.6), CountSettings()
    whole = prepare_whole(as_photo(veiled), view, scale, settings)
    ((_, again),) = prepared(whole.rgb)
    assert again.stray_light < 0.05
    ((_, once),) = prepared(veiled)
    assert np.abs(again.density - once.density).mean() < 0.004
    assert prepare_whole(whole, view, scale, settings).rgb == pytest.approx(whole.rgb, abs=4)

"""The recall that a field leads to expect: fitted as drawn, never better where more speaks of overlooked ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from sporecount.chain import count_field
from sporecount.records import Photo, Scale
from sporecount.settings import CountSettings
from sporecount.simulate import panes
from sporecount.steps.classify.training.recall import fit_recall, found_of
from sporecount.steps.recall import TERMS, expected_recall, recall_terms
from tests.steps.made_fields import make_objects


def test_a_drawn_law_of_recall_is_found_again() -> None:
    rng = np.random.default_rng(3)
    photos = 4000
    terms = np.column_stack((np.ones(photos), rng.random((photos, 3))))
    weights, spread = np.array([3.0, -1.0, -0.5, -1.5]), 0.06
    share, size = expit(terms @ weights), 1 / spread - 1
    recall = rng.beta(share * size, (1 - share) * size)
    there = rng.integers(1, 90, photos)
    fitted, fitted_spread = fit_recall(terms, rng.binomial(there, recall), there)
    # Some 3 standard errors of 4000 photos, each of which tells its recall to about 0.1.
    np.testing.assert_allclose(fitted, weights, atol=0.3)
    assert fitted_spread == pytest.approx(spread, abs=0.015)


def test_found_spores_are_matched_one_to_one() -> None:
    photo = panes.draw_photo(
        np.random.default_rng(8), width_px=900, height_px=700, um_per_px=0.6, preset="good_focus"
    )
    result, _ = count_field(Photo(rgb=photo.rgb, name="simulated"), Scale(photo.um_per_px), CountSettings())
    found, there = found_of(photo, result, 0.05)
    assert there == sum(one.countable for one in photo.spores)
    assert 0.8 * there < found <= there
    assert found_of(photo, result, 1.0) == (0, there)
    assert found_of(replace(photo, spores=photo.spores[:1] * 5), result, 0.05)[0] <= 1
    assert found_of(replace(photo, spores=()), result, 0.05) == (0, 0)


def test_what_goes_with_overlooked_spores_raises_no_hope() -> None:
    objects = make_objects(np.arange(10) * 40.0, np.zeros(10))
    sure, all_ten = np.ones(10), np.ones(10, bool)
    plain = recall_terms(objects, sure, all_ten, in_focus=1.0)
    assert dict(zip(TERMS, plain, strict=True)) == {"always": 1} | dict.fromkeys(TERMS[1:], 0)
    share, share_u = expected_recall(plain)
    assert 0.9 < share < 1
    assert 0 < share_u < 0.2
    crowd, pale = np.full(10, 9), np.full(10, 0.05)
    worse = {
        "unsure": recall_terms(objects, np.full(10, 0.6), all_ten, in_focus=1.0),
        "crowded": recall_terms(replace(objects, clump=crowd), sure, all_ten, in_focus=1.0),
        "faint": recall_terms(replace(objects, optical_density=pale), sure, all_ten, in_focus=1.0),
        "blurred": recall_terms(objects, sure, all_ten, in_focus=0.2),
    }
    for name, terms in worse.items():
        assert np.flatnonzero(terms - plain).tolist() == [TERMS.index(name)]
        assert expected_recall(terms)[0] <= share
    np.testing.assert_allclose(worse["unsure"][1], 0.8)


def test_a_field_without_a_spore_has_a_recall_too() -> None:
    terms = recall_terms(make_objects([], []), np.zeros(0), np.zeros(0, bool), in_focus=0.0)
    np.testing.assert_array_equal(terms, [1, 0.2, 0, 0, 1])
    assert 0.5 < expected_recall(terms)[0] < 1

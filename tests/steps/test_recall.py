"""The recall that a field leads to expect: fitted as drawn, lower where more speaks of overlooked spores."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from sporecount.chain import count_field
from sporecount.records import Photo, Scale
from sporecount.session.planning import USUAL_RECALL, USUAL_RECALL_U
from sporecount.settings import CountSettings
from sporecount.simulate import panes
from sporecount.stats.count_interval import field_count_interval
from sporecount.steps.classify.training.recall import fit_recall, found_of, spread_elsewhere
from sporecount.steps.recall import TERMS, expected_recall, recall_terms
from tests.steps.made_fields import make_objects


def test_a_drawn_law_of_recall_is_found_again() -> None:
    rng = np.random.default_rng(3)
    photos = 4000
    terms = np.column_stack((np.ones(photos), rng.random((photos, 3))))
    weights, spread = np.array([3.0, -1.0, -0.5, -1.5]), 0.06
    share, size = expit(terms @ weights), 1 / spread - 1
    there = rng.integers(1, 90, photos)
    found = rng.binomial(there, rng.beta(share * size, (1 - share) * size))
    fitted, fitted_spread = fit_recall(terms, found, there)
    # Three standard errors, which over twelve seeds were up to 0.057 and 0.0016.
    np.testing.assert_allclose(fitted, weights, atol=0.17)
    assert fitted_spread == pytest.approx(spread, abs=0.005)


def test_spread_of_a_style_yet_unseen_holds_that_between_styles() -> None:
    rng = np.random.default_rng(6)
    spread, photos = 0.06, 1500
    size = 1 / spread - 1

    def drawn(logit: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        there = rng.integers(20, 90, photos)
        share = expit(logit)
        return (
            np.ones((photos, 1)),
            rng.binomial(there, rng.beta(share * size, (1 - share) * size, photos)),
            there,
        )

    alike = [drawn(2.0) for _ in range(4)]
    # Of 6000 draws a variance is known to 2 %, and three standard errors of it are 0.004.
    assert spread_elsewhere(alike) == pytest.approx(spread, abs=0.004)
    unlike = [drawn(logit) for logit in (1.2, 1.6, 2.4, 2.8)]
    _, within = fit_recall(*(np.concatenate(column) for column in zip(*unlike, strict=True)))
    # About the mean of the others a style strays by 4/3 of what it does about the mean of all.
    assert within > 1.15 * spread
    assert spread_elsewhere(unlike) > 1.15 * within


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


def test_what_speaks_of_overlooked_spores_lowers_the_recall() -> None:
    objects = make_objects(np.arange(10) * 40.0, np.zeros(10))
    sure, all_ten = np.ones(10), np.ones(10, bool)

    def terms_of(objects=objects, probability=sure, in_focus=1.0) -> np.ndarray:
        law, terms = recall_terms(objects, probability, all_ten, in_focus, um_per_px=0.5)
        assert law == "counted"
        return terms

    names, plain = TERMS["counted"], terms_of()
    assert dict(zip(names, plain, strict=True)) == {"always": 1} | dict.fromkeys(names[1:], 0)
    share, share_u = expected_recall("counted", plain)
    assert 0.9 < share < 1
    assert 0 < share_u < 0.2
    crowd, pale, bright = np.full(10, 9), np.full(10, 0.05), np.full(10, -0.3)
    worse = {
        "unsure": terms_of(probability=np.full(10, 0.6)),
        "crowded": terms_of(replace(objects, clump=crowd)),
        "faint": terms_of(replace(objects, optical_density=pale)),
        "blurred": terms_of(in_focus=0.2),
    }
    for name, terms in worse.items():
        assert np.flatnonzero(terms - plain).tolist() == [names.index(name)]
        lower = expected_recall("counted", terms)[0]
        # Crowding and focus may tell nothing beside the others in the photos of a fit.
        assert lower < share if name in ("unsure", "faint") else lower <= share
    np.testing.assert_allclose(worse["unsure"][1], 0.8)
    # Spores that are brighter than their surroundings are not faint.
    np.testing.assert_array_equal(terms_of(replace(objects, optical_density=bright)), plain)


def test_an_empty_field_can_hide_more_than_its_neighbours_and_at_low_power_much_more() -> None:
    nothing = make_objects([], []), np.zeros(0), np.zeros(0, bool), 1.0
    law, terms = recall_terms(*nothing, 0.5)
    assert law == "empty"
    np.testing.assert_array_equal(terms, [1, 0])
    coarse = recall_terms(*nothing, 9.0)[1]
    np.testing.assert_array_equal(coarse, [1, 1])
    at_best = expected_recall("counted", np.array([1.0, 0, 0, 0, 0]))[0]
    fine, low_power = expected_recall("empty", terms), expected_recall("empty", coarse)
    assert at_best > fine[0] > low_power[0] >= 0.25
    hidden = [field_count_interval(np.zeros(0), *one).high for one in (fine, low_power)]
    assert 1 <= hidden[0] < hidden[1]
    # What `plan` promises beforehand is what a count of such fields will say.
    np.testing.assert_allclose(fine, (USUAL_RECALL, USUAL_RECALL_U), atol=0.01)

"""Doubtful objects beside the print's spores: what is shown of them, and how far the answer is believed."""

from dataclasses import replace

import numpy as np
import pytest

import sporecount.steps.classify.kinds as kinds_step
import sporecount.steps.classify.side_by_side as step
from sporecount.settings import CountSettings
from sporecount.steps.candidates import find_candidates
from sporecount.steps.classify.network import SIDE_PX
from sporecount.steps.classify.side_by_side import Beside, weigh_side_by_side
from sporecount.steps.flatten import flatten
from sporecount.steps.rescale import to_working_grid
from sporecount.steps.round_view import find_round_view
from sporecount.steps.settle import settle
from tests.benchmarks.scorecard import detect
from tests.recipes import roamer, rover
from tests.recipes.scoring import score_photo
from tests.steps.drawn import as_photo, given_scale, lemon_cover, spore_field
from tests.steps.test_settle_measure import PLACES, SHAPE, ovals


def settled_lemons(spores):
    """Lemons at known places, one object each, in the order in which they are named."""
    photo = as_photo(spore_field(SHAPE, spores, 0.6, cover=lemon_cover))
    settings = CountSettings()
    work = to_working_grid(photo, find_round_view(photo), given_scale(0.6), settings)
    flat = flatten(work)
    settled = settle(work, flat, find_candidates(work, flat, settings))
    at = np.column_stack((settled.col, settled.row)) * work.um_per_px
    nearest = [int(np.hypot(*(at - spore[:2]).T).argmin()) for spore in spores]
    assert len({*nearest}) == len(spores)
    return work, flat, settled.take(np.array(nearest))


def same_odds(*odds):
    """The same odds after every stage, shape (3, n)."""
    return np.tile(np.array(odds, float), (3, 1))


def second_moments(picture):
    """Spread of a picture's darkness along columns and along rows."""
    rows, cols = np.indices(picture.shape) - (SIDE_PX - 1) / 2
    weight = np.maximum(picture - 0.05, 0)
    return (weight * cols**2).sum() / weight.sum(), (weight * rows**2).sum() / weight.sum()


def test_an_object_and_the_mean_of_the_others_lie_along_the_rows_at_their_size():
    work, flat, settled = settled_lemons(ovals(length_um=12.0))
    side = Beside(work, flat, settled, same_odds(*[6.0] * len(PLACES)))
    crops, wide, figures = side.views(np.arange(len(PLACES)))
    assert crops.dtype == wide.dtype == figures.dtype == np.float32
    # what is usual here, by what the networks see: they read drawn lemons some percent too long
    usual_um = 8.0 * np.exp(figures[0, 7])
    assert usual_um == pytest.approx(12.0, rel=0.1)
    length_px = 18 * 12.0 / usual_um
    for picture in (*crops[:, 2], *crops[:, 5]):  # blue, in which amber shows
        along, across = second_moments(picture)
        # a lemon of parabolas: variance length^2 / 20 along, width^2 * 2 / 35 across; the palest rim is cut off
        assert along == pytest.approx(length_px**2 / 20, rel=0.08)
        assert across == pytest.approx((length_px / 1.5) ** 2 * 2 / 35, rel=0.12)
    # all lemons are alike, so that each is as long as is usual, and looks like the mean of the others
    np.testing.assert_allclose(figures[:, 4:6], 0, atol=0.12)
    apart = np.abs(crops[:, :3] - crops[:, 3:]).mean(axis=(1, 2, 3))
    assert (apart < 0.03).all()
    chance = 1 / (1 + np.exp(-6.0))
    np.testing.assert_allclose(side.others(np.arange(len(PLACES))), (len(PLACES) - 1) * chance**2)


def test_no_object_is_in_the_mean_beside_it():
    work, flat, settled = settled_lemons(ovals())
    odds = np.array([8.0, 8.0, 8.0, *[-20.0] * (len(PLACES) - 3)])
    side = Beside(work, flat, settled, np.tile(odds, (3, 1)))
    crops, _, _ = side.views(np.arange(4))
    own, mean = crops[:, :3], crops[:, 3:]
    symmetric = (own + own[:, :, ::-1, ::-1]) / 2
    # ten thousandths of each unlikely one of the sixteen likeliest, whose own densities are 1.5 at most
    close = 1.5 * 16 * 1e-4
    for number, others in enumerate(([1, 2], [0, 2], [0, 1], [0, 1, 2])):
        np.testing.assert_allclose(mean[number], symmetric[others].mean(axis=0), atol=close)


@pytest.mark.parametrize("sure", [0, 3, 11])
@pytest.mark.parametrize("doubtful", [0.5, -1.5, -2.5])
def test_what_is_added_needs_company_and_what_is_taken_away_needs_less(sure, doubtful, monkeypatch):
    work, flat, settled = settled_lemons(ovals())
    odds = np.full(len(PLACES), -9.0)
    odds[:sure], odds[-1] = 9.0, doubtful

    def change(by):
        monkeypatch.setattr(
            step, "look_side_by_side", lambda crops, *_: np.full(len(crops), doubtful + by, np.float32)
        )
        weighed = weigh_side_by_side(work, flat, settled, np.tile(odds, (3, 1)))
        np.testing.assert_array_equal(weighed[:-1], odds[:-1])
        return weighed[-1] - doubtful

    believed = 0.7 * 2.0  # this and the 0.3 of it below as `training/FINDINGS.md` tells
    # each unlikely one adds a ten thousandth to the company, the doubtful one nothing to its own
    company = min(1.0, sure / 5)
    assert change(-2.0) == pytest.approx(-believed * (0.3 + 0.7 * company), abs=2e-3)
    # without company up to log odds of -0.9, where it shows and does not count
    shown = min(believed, max(-0.9 - doubtful, 0.0))
    assert change(2.0) == pytest.approx(max(believed * company, shown), abs=2e-3)


def test_no_doubt_or_no_object_changes_nothing():
    work, flat, settled = settled_lemons(ovals())
    odds = np.linspace(-20, 20, 3 * len(PLACES)).reshape(3, -1)
    odds[-1] = np.where(np.arange(len(PLACES)) % 2, 3.0, -3.0)
    before = odds.copy()
    np.testing.assert_array_equal(weigh_side_by_side(work, flat, settled, odds), odds[-1])
    np.testing.assert_array_equal(odds, before)
    nothing = settled.take(np.array([], int))
    assert weigh_side_by_side(work, flat, nothing, np.empty((3, 0))).shape == (0,)
    alone = settled.take(np.array([0]))
    assert np.isfinite(weigh_side_by_side(work, flat, alone, same_odds(1.0))).all()


def test_turned_half_round_an_object_is_the_same():
    """An object's angle tells no up from down: neither what is shown nor the answer may hang on it."""
    work, flat, settled = settled_lemons(ovals())
    odds = same_odds(*[0.0] * len(PLACES))
    looks = settled.looks
    turned = replace(settled, looks=replace(looks, angle_deg=(looks.angle_deg + 180) % 360))
    one, other = (
        Beside(work, flat, objects, odds).views(np.arange(len(PLACES))) for objects in (settled, turned)
    )
    np.testing.assert_allclose(one[0][:, :3], other[0][:, :3, ::-1, ::-1], atol=1e-4)
    np.testing.assert_allclose(one[0][:, 3:], other[0][:, 3:], atol=1e-4)
    np.testing.assert_array_equal(one[2], other[2])
    before, after = (weigh_side_by_side(work, flat, objects, odds) for objects in (settled, turned))
    assert np.abs(before).max() > 0.3
    # places of samples are rounded otherwise, and sums in 8 bits can jump by a step
    np.testing.assert_allclose(before, after, atol=0.03)


def test_in_portions_as_at_once(monkeypatch):
    work, flat, settled = settled_lemons(ovals())
    odds = same_odds(*np.linspace(-2.5, 2.5, len(PLACES)))
    at_once = weigh_side_by_side(work, flat, settled, odds)
    monkeypatch.setattr(step, "_OBJECTS_A_TIME", 5)
    np.testing.assert_allclose(weigh_side_by_side(work, flat, settled, odds), at_once, atol=1e-5)


def test_on_recipes_from_which_nothing_learnt_fewer_errors_are_made(monkeypatch):
    photos = [
        recipe.draw_photo(np.random.default_rng(seed), width_px=1000, height_px=750, preset=preset)
        for recipe in (roamer, rover)
        for seed in range(4)
        for preset in ("ordinary", "hard")
    ]

    def errors():
        scores = [score_photo(photo, detect(photo.rgb, photo.um_per_px, photo.objective)) for photo in photos]
        return sum(one.misses + one.false for one in scores)

    with_step = errors()
    monkeypatch.setattr(kinds_step, "weigh_side_by_side", lambda _work, _flat, _settled, odds: odds[-1])
    without = errors()
    assert with_step < without

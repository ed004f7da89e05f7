"""Laws of the renderer of plain flat drawings."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import rambler
from tests.recipes.rambler.canvas import Canvas
from tests.recipes.rambler.lens import blur_by_map
from tests.recipes.rambler.plan import draw_plan
from tests.recipes.rambler.spores import ASPECT, LENGTH_UM, Spores, paint_spore

SHAPE = (300, 360)


def draw(
    seed: int, preset: str, um_per_px: float | None = None, objective: float | None = None
) -> SimulatedPhoto:
    return rambler.draw_photo(
        np.random.default_rng(seed),
        width_px=SHAPE[1],
        height_px=SHAPE[0],
        um_per_px=um_per_px,
        objective=objective,
        preset=preset,
    )


@cache
def photos(preset: str) -> tuple[SimulatedPhoto, ...]:
    return tuple(draw(seed, preset) for seed in range(4))


@pytest.mark.parametrize("preset", rambler.PRESETS)
def test_truth_keeps_its_contract(preset: str) -> None:
    for photo in photos(preset):
        laws.assert_truth_keeps_its_contract(photo, SHAPE, LENGTH_UM, (ASPECT[0] - 1e-9, ASPECT[1] + 1e-9))


def test_presets_hold_what_they_promise() -> None:
    laws.assert_presets_hold_what_they_promise(draw, {preset: photos(preset) for preset in rambler.PRESETS})
    assert laws.kinds_shown([photo for preset in rambler.PRESETS for photo in photos(preset)]) >= 9


def test_the_same_state_gives_the_same_photo() -> None:
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_stands_alone() -> None:
    laws.assert_stands_alone(rambler)


@pytest.mark.parametrize("disc", [False, True])
def test_blur_has_the_variance_of_its_map(disc: bool) -> None:
    laws.assert_blur_has_the_variance_of_its_map(lambda s, v: blur_by_map(s, v, disc=disc), rel=0.05)


def test_the_picture_shows_what_truth_says() -> None:
    """Place, turn and contrast of single spores on bare ground."""
    moved, turned, ratio = [], [], []
    for seed in range(18):
        photo = draw(seed, "good_focus", um_per_px=0.5)
        for spore, box in laws.lone_spores(photo, lambda s: s.countable and s.contrast > 0.12):
            grey = (photo.rgb[box] / 255.0).mean(axis=2) ** 2.2
            mine = photo.kind_map[box] == laws.SPORE
            lost = (grey < np.median(grey[~mine]) * 10 ** (-spore.contrast / 2)).astype(float)
            one, two = laws.moved_and_turned(photo, spore, box, lost)
            moved.append(one)
            turned.append(two)
            ratio.append(laws.light_lost(photo, box).mean() / spore.contrast)
    assert len(moved) > 20
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.8 < np.median(ratio) < 1.25


def _two_spores(blend: str, apart_px: float) -> Canvas:
    rng = np.random.default_rng(2)
    plan = draw_plan(rng, 120, 90, 0.5, 10.0, "good_focus")
    look = dataclasses.replace(
        plan.spore, ink="brown", gradient=0.0, edge=0.0, spot=0.0, jitter=0.0, opacity=1.0, pointed=0.5
    )
    plan = dataclasses.replace(plan, spore=look, blend=blend)
    sheet = np.full((90, 120, 3), 0.8, np.float32)
    canvas = Canvas(sheet, np.full(3, 0.8, np.float32), blend)
    x = np.array([60 - apart_px / 2, 60 + apart_px / 2])
    two = Spores(x, np.full(2, 45.0), np.full(2, 13.0), np.full(2, 8.5), np.zeros(2), np.array([0.3, 0.3]))
    for which in range(2):
        paint_spore(rng, canvas, plan, two, which, focus_um=0.0, lit=0.0)
    return canvas


@pytest.mark.parametrize(("blend", "layers"), [("multiply", 2.0), ("alpha", 1.0)])
def test_filters_add_their_densities_and_covers_do_not(blend: str, layers: float) -> None:
    density = -np.log10(_two_spores(blend, 10).scene / 0.8).mean(axis=2)
    alone, both = density[45, 48], density[45, 60]
    assert alone == pytest.approx(0.3, rel=0.1)
    assert both / alone == pytest.approx(layers, rel=0.15)


def test_a_flat_spore_hides_the_area_of_its_outline() -> None:
    """Half-way between an ellipse (pi/4 of its box) and two discs' common part (about 2/3 of its box)."""
    owner = _two_spores("multiply", 60).owner
    for which in range(2):
        box_um2 = 13.0 * 8.5
        share = (owner == which).sum() * 0.25 / box_um2
        assert 0.66 < share < np.pi / 4

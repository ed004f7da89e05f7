"""The renderer of cut-outs: its truth, its presets, and its own physics."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import voyager
from tests.recipes.voyager.bodies import Placed, make_body
from tests.recipes.voyager.camera import blur_by_map
from tests.recipes.voyager.conditions import PRESETS
from tests.recipes.voyager.layout import View, glue_ridge, settle_spores
from tests.recipes.voyager.spores import draw_look, spore_variant
from tests.recipes.voyager.stage import empty_stage, lay

_SHAPE = (260, 320)


def _draw(
    seed: int,
    preset: str,
    um_per_px: float | None = None,
    objective: float | None = None,
    shape: tuple[int, int] = _SHAPE,
) -> SimulatedPhoto:
    rows, cols = shape
    size = {"width_px": cols, "height_px": rows, "um_per_px": um_per_px, "objective": objective}
    return voyager.draw_photo(np.random.default_rng(seed), preset=preset, **size)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [_draw(seed, preset) for seed in range(3)] for preset in PRESETS}


def test_the_truth_keeps_its_contract(photos: dict[str, list[SimulatedPhoto]]) -> None:
    for some in photos.values():
        for photo in some:
            laws.assert_truth_keeps_its_contract(photo, _SHAPE, (8.6, 17.4))


def test_the_presets_hold_what_they_promise(photos: dict[str, list[SimulatedPhoto]]) -> None:
    laws.assert_presets_hold_what_they_promise(_draw, photos)
    assert laws.kinds_shown([photo for some in photos.values() for photo in some]) >= 9
    for preset, least in (("good_focus", 0.5), ("heavy", 0.4), ("scan_4x", 0.4)):
        spores = [s for photo in photos[preset] for s in photo.spores]
        assert np.mean([s.countable for s in spores]) > least


def test_the_same_state_gives_the_same_photo() -> None:
    laws.assert_the_same_state_gives_the_same_photo(_draw, "hard")


def test_it_stands_alone() -> None:
    laws.assert_stands_alone(voyager)


def test_the_blur_has_the_variance_of_its_map() -> None:
    laws.assert_blur_has_the_variance_of_its_map(blur_by_map, 0.03)


def test_the_picture_shows_what_the_truth_says() -> None:
    moved, turned, ratio = [], [], []
    for seed in range(8):
        photo = _draw(seed, "good_focus", um_per_px=0.5, shape=(450, 540))
        for spore, box in laws.lone_spores(photo, lambda s: s.countable and s.contrast > 0.12, 0.9):
            light = (photo.rgb[box] / 255.0).mean(axis=2) ** 2.2
            mine = photo.kind_map[box] == laws.SPORE
            shown = np.clip(np.median(light[~mine]) - light, 0, None) * mine
            by_um, by_deg = laws.moved_and_turned(photo, spore, box, shown)
            moved.append(by_um)
            turned.append(by_deg)
            ratio.append(laws.light_lost(photo, box).mean() / spore.contrast)
    assert len(moved) >= 6
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(ratio) < 1.7


def test_light_passes_one_body_after_the_other() -> None:
    """Densities of overlapping bodies add (Beer and Lambert), at any magnification of the cut-out."""
    ink = np.full((40, 60, 3), 0.3, np.float32)
    body = make_body("dust", 0.5, ink, np.ones((40, 60), np.float32), gloss=0.0, height_um=0.0)
    bare = np.zeros((200, 260, 3), np.float32)
    for um_per_px in (0.25, 1.0, 2.0):
        stage = empty_stage((200, 260), um_per_px, bare.copy(), bare + 1)
        x, y = 130 * um_per_px, 100 * um_per_px
        lay(stage, Placed(body, x, y, 20.0))
        lay(stage, Placed(body, x, y, 70.0, stretch=0.7))
        assert stage.density[100, 130] == pytest.approx(0.6, abs=0.01)
        # what a body takes in all is its density times its area, whatever the size of a pixel: 30 × 20 µm
        total_um2 = float(stage.density[..., 0].sum()) * um_per_px**2
        assert total_um2 == pytest.approx(0.3 * 600 * 1.7, rel=0.03)


def test_a_cut_out_covers_its_own_length_and_width() -> None:
    rng = np.random.default_rng(2)
    for _ in range(6):
        body = spore_variant(rng, draw_look(rng), 0.15)
        rows, cols = np.nonzero(body.levels[0][..., 3] > 0.5)
        assert np.ptp(cols) * 0.15 == pytest.approx(12.0, rel=0.08)
        assert np.ptp(rows) * 0.15 == pytest.approx(8.0, rel=0.1)


def test_spores_lie_far_from_evenly() -> None:
    """Counts per square vary far more than a Poisson process's, whose variance is its mean."""
    rng, view = np.random.default_rng(3), View(800, 600)
    ridges = [glue_ridge(rng, view) for _ in range(2)]
    plans = settle_spores(rng, view, ridges, 300, heavy=True)
    x, y = np.array([(p.x_um, p.y_um) for p in plans]).T
    counts = np.histogram2d(x, y, bins=(8, 6), range=((0, 800), (0, 600)))[0]
    assert counts.var() > 3 * counts.mean()

"""The style of the light box: truth agrees with pictures, and light and outlines with what is known on paper."""

from __future__ import annotations

from math import gamma

import numpy as np
import pytest

from sporecount.simulate import lightbox
from sporecount.simulate.lightbox import draw_photo
from sporecount.simulate.lightbox.optics import Canvas, Lens, spread
from sporecount.simulate.lightbox.spores import SporeLook, Spores, lay_spore, outline, touching
from sporecount.simulate.lightbox.style import PRESETS
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    ALMOST,
    SPORE,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    lone_spores,
    moved_and_turned,
)

RAISED_UM, RAISED_ASPECT = 5.0, 1.0
"""A spore on end shows as little as this of its length."""


def draw(seed: int, preset: str, width: int = 380, height: int = 280, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def few(*spores: tuple[float, float, float, float], angle: float = 0.0) -> Spores:
    """Lay out spores from x, y, length and width."""
    x, y, length, width = (np.array(column) for column in zip(*spores, strict=True))
    return Spores(x, y, length, width, np.full(len(x), angle), np.zeros(len(x)))


def test_small_photos_of_all_presets_keep_the_contract():
    # Small photos, so that many things are cut by the edge of the view.
    for seed in range(24):
        photo = draw(seed, PRESETS[seed % len(PRESETS)], 151 + seed, 120)
        assert_truth_keeps_its_contract(
            photo, (120, 151 + seed), (RAISED_UM, 17), (RAISED_ASPECT, 1.8 + ALMOST)
        )
        for s in photo.spores:
            assert not s.countable or photo.kind_map[round(s.y_px), round(s.x_px)] != 0


def test_presets_hold_what_they_promise_and_the_same_state_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    photos = {preset: [draw(seed, preset) for seed in range(50, 52)] for preset in PRESETS}
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown([photo for one in photos.values() for photo in one]) == 10
    for photo in photos["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
        # Well in focus: blur below an eighth of the length, nearly.
        assert np.median([s.blur_um for s in photo.spores]) < 0.13 * photo.notes["spore_length_um"]
    # 300 per megapixel of 380 x 280 pixels.
    assert min(len(photo.spores) for photo in photos["heavy"]) >= 32


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, darker = list[float](), list[float](), list[bool]()
    for seed in range(15):
        photo = draw(70 + seed, "good_focus", 560, 400, um_per_px=0.5)
        if photo.notes["round_view"]:
            continue  # its black surround counts as bare ground too
        wanted = lone_spores(
            photo, lambda s: s.countable and s.contrast > 0.08 and s.length_um > 1.3 * s.width_um
        )
        for s, box in wanted:
            mine = photo.kind_map[box] == SPORE
            grey = photo.rgb[box].astype(float)[..., 1]
            dark = np.clip(np.median(grey[~mine]) - grey, 0, None)
            darker.append(bool(dark[mine].mean() > 2 * dark[~mine].mean()))
            dark[dark < 0.3 * dark.max()] = 0
            moved, turn = moved_and_turned(photo, s, box, dark)
            off_um.append(moved)
            turned.append(turn)
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.25
    assert np.quantile(off_um, 0.9) < 0.7
    assert np.median(turned) < 6
    assert np.mean(darker) > 0.9


def test_spread_of_a_point_has_the_variance_of_disc_and_objective():
    for radius, sigma in ((40, 8), (75, 12), (0, 15)):
        for ring in (0, 7):
            kernel, variance = spread(radius, ring, sigma)
            assert kernel.sum() == pytest.approx(1, abs=1e-5)
            if ring == 0:
                # An even disc has r²/4 along an axis (second moment of a circle).
                assert variance == pytest.approx((radius / 20) ** 2 + (sigma / 10) ** 2, rel=0.06)
            elif radius:
                assert variance > 1.2 * spread(radius, 0, sigma)[1]


def test_outline_has_the_area_that_its_numbers_say():
    step = 0.04
    u, v = np.meshgrid(np.arange(-8, 8, step), np.arange(-6, 6, step))
    for point in (0.5, 0.7, 0.9):
        inside = outline(u, v, 12.0, 8.0, point) < 0
        # Integral of (1 - t²)^p from -1 to 1 is √π Γ(p + 1) / Γ(p + 3/2); π/4 of the box for an ellipse.
        share = np.sqrt(np.pi) / 2 * gamma(point + 1) / gamma(point + 1.5)
        assert inside.sum() * step**2 == pytest.approx(12 * 8 * share, rel=0.01)


def test_groups_are_those_that_touch():
    spores = few((10, 10, 12, 8), (21.9, 10, 12, 8), (10, 17.9, 12, 8), (60, 60, 12, 8), (72.9, 60, 12, 8))
    assert touching(spores, 0.7, 1.0).tolist() == [3, 3, 3, 1, 1]
    assert touching(spores, 0.7, 2.0).tolist() == [1, 1, 1, 1, 1]
    assert touching(few((5, 5, 12, 8)), 0.7, 1.0).tolist() == [1]


@pytest.mark.parametrize("from_above", [False, True])
def test_middle_turns_from_dark_to_bright_through_focus_and_hidden_is_hidden(from_above: bool):
    look = SporeLook(np.random.default_rng(3))
    look.lens, look.core, look.grains = 0.4, 0.0, 0.0
    spores, middles = few((40, 30, 14, 9), angle=0.3), []
    for defocus in (-1.2, 1.2):
        lens = Lens(0.5, 0.3, 0.0, defocus, np.zeros(2), 0.0, np.zeros((4, 4)))
        canvas = Canvas(np.ones((60, 80, 3), np.float32), 0.5, lens, from_above)
        laid = lay_spore(np.random.default_rng(1), canvas, look, spores, 0, np.zeros((320, 320), np.float32))
        assert laid is not None
        assert laid.density > 0.02
        assert (canvas.owner == 0).sum() == pytest.approx(laid.pixels, rel=0.05)
        middles.append(canvas.light[29:32, 39:42].mean())
        # A black cover laid over it takes it out of sight.
        at = canvas.window(40, 30, 15, 0.0, 0.5)
        canvas.lay(at, np.full((*at.x_um.shape, 3), 0.02), np.ones(at.x_um.shape), 2)
        assert (canvas.owner == 0).sum() == 0
        assert not (canvas.kinds == SPORE).any()
    if not from_above:
        assert middles[1] > 1.05 * middles[0]


def test_recipe_stands_alone():
    assert_stands_alone(lightbox)

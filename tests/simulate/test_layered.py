"""The layered style of simulated photos: its truth must be what the picture shows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from sporecount.simulate.layered import colours, draw_photo, noise, shapes, skin, weaves
from sporecount.simulate.layered.canvas import Canvas
from sporecount.simulate.layered.debris import GrainPainter
from sporecount.simulate.layered.oddments import OddmentPainter
from sporecount.simulate.layered.recipe import _USUAL_PER_MM2, PRESETS, random_recipe
from sporecount.simulate.layered.small import SmallPainter
from sporecount.simulate.layered.spores import Placed, clump_sizes
from sporecount.simulate.layered.threads import ThreadPainter
from sporecount.simulate.truth import KIND_NAMES

SPORE = KIND_NAMES.index("spore")


def photo(seed, preset="ordinary", **more):
    size = {"width_px": 420, "height_px": 340} | more
    return draw_photo(np.random.default_rng(seed), preset=preset, **size)


def test_same_seed_gives_the_same_photo_and_another_seed_another():
    first, again, other = photo(5), photo(5), photo(6)
    np.testing.assert_array_equal(first.rgb, again.rgb)
    np.testing.assert_array_equal(first.kind_map, again.kind_map)
    assert first.spores == again.spores
    assert first.notes == again.notes
    assert not np.array_equal(first.rgb, other.rgb)


@pytest.mark.parametrize("preset", PRESETS)
def test_record_holds_to_its_contract(preset):
    for seed in range(3):
        p = photo([seed, 11], preset)
        assert p.rgb.shape == (340, 420, 3)
        assert p.rgb.dtype == np.uint8
        assert p.kind_map.shape == (340, 420)
        assert p.kind_map.max() < len(KIND_NAMES)
        assert p.notes["style"] == "layered"
        assert p.notes["preset"] == preset
        for s in p.spores:
            assert 0.0 <= s.visible <= 1.0
            assert 0.0 <= s.angle_deg < 180.0
            assert 1.1 <= s.length_um / s.width_um <= 2.0
            assert s.clump >= 1
            assert -0.5 <= s.x_px < 419.5
            assert -0.5 <= s.y_px < 339.5
            if s.countable:
                assert s.visible >= 0.5
                assert s.blur_um <= 0.45 * s.length_um
                assert s.contrast > 0.02


def test_centre_of_a_fully_visible_spore_is_a_spore_pixel():
    checked = 0
    for seed in range(20):
        p = photo([seed, 21], "good_focus", um_per_px=0.7)
        for s in p.spores:
            if s.visible > 0.999:
                checked += 1
                assert p.kind_map[round(s.y_px), round(s.x_px)] == SPORE
    assert checked > 60


def test_no_spores_has_none_but_has_look_alikes():
    kinds = set()
    for seed in range(6):
        p = photo([seed, 31], "no_spores", um_per_px=0.8)
        assert p.spores == ()
        assert not (p.kind_map == SPORE).any()
        kinds |= {KIND_NAMES[k] for k in np.unique(p.kind_map)}
    assert {"scale piece", "hair", "bubble", "dust", "pollen", "other"} <= kinds


def test_presets_differ_as_their_names_say():
    def drawn(preset):
        photos = [photo([seed, 41], preset) for seed in range(8)]
        area_mm2 = sum(420 * 340 * p.um_per_px**2 / 1e6 for p in photos)
        load = sum(len(p.spores) for p in photos) / area_mm2
        return load, np.mean([np.mean(p.notes["blur_um"]) for p in photos]), [p.um_per_px for p in photos]

    (good_load, good_blur, _), (_, hard_blur, _) = drawn("good_focus"), drawn("hard")
    heavy_load, _, _ = drawn("heavy")
    _, _, scan_scales = drawn("scan_4x")
    assert heavy_load > 3 * good_load
    assert hard_blur > 1.5 * good_blur
    assert min(scan_scales) > 0.8


def test_most_spores_in_good_focus_are_countable():
    spores = [s for seed in range(8) for s in photo([seed, 51], "good_focus").spores if s.visible > 0.9]
    assert np.mean([s.countable for s in spores]) > 0.8


def test_dark_area_of_a_lone_spore_agrees_with_its_truth():
    """Threshold half-way between inside and surroundings; 12 percent covers noise, sharpening and tone."""
    ratios, offsets = [], []
    for seed in range(40):
        p = photo([seed, 61], "good_focus", um_per_px=0.5, objective=10, width_px=560, height_px=500)
        grey = p.rgb.astype(float).mean(axis=2)
        for s in p.spores:
            lone = s.clump == 1 and s.visible > 0.999 and not s.on_scale and s.contrast > 0.15
            half = round(0.9 * s.length_um / p.um_per_px)
            row, column = round(s.y_px), round(s.x_px)
            box = np.s_[row - half : row + half + 1, column - half : column + half + 1]
            if not lone or min(row, column) < half or row + half >= 500 or column + half >= 560:
                continue
            kinds = p.kind_map[box]
            if not np.isin(kinds, (0, SPORE)).all():
                continue
            patch = grey[box]
            inside, around = np.median(patch[kinds == SPORE]), np.median(patch[kinds == 0])
            labels, _ = ndimage.label(patch < (inside + around) / 2)
            body = ndimage.binary_fill_holes(labels == labels[half, half]) if labels[half, half] else None
            if body is None:
                continue
            middle = ndimage.center_of_mass(body)
            offsets.append((middle[0] + row - half - s.y_px, middle[1] + column - half - s.x_px))
            ratios.append(body.sum() * p.um_per_px**2 / (np.pi / 4 * s.length_um * s.width_um))
    assert len(ratios) > 30
    assert np.median(ratios) == pytest.approx(0.95, abs=0.12)  # a lemon fills 0.87 to 1 of its ellipse
    assert np.abs(np.median(offsets, axis=0)).max() < 0.3  # px: no shift between picture and truth


@pytest.mark.parametrize(("length", "width", "point"), [(12.0, 8.0, 0.0), (12.0, 8.0, 0.6), (16.0, 9.0, 1.0)])
def test_lemon_has_its_length_width_and_area(length, width, point):
    step = 0.02
    x, y = np.meshgrid(np.arange(-9, 9, step), np.arange(-6, 6, step))
    inside = shapes.lemon(x, y, length, width, point) < 0
    assert np.ptp(x[inside]) == pytest.approx(length, abs=0.1)
    assert np.ptp(y[inside]) == pytest.approx(width, abs=0.1)
    assert inside.sum() * step**2 == pytest.approx(shapes.lemon_area(length, width, point), rel=0.03)


def test_clump_sizes_of_a_hand_made_scene():
    def at(x, y):
        return Placed(x, y, 12.0, 8.0, 0.0, 0.0)

    chain_and_loner = [at(0, 0), at(12.0, 0), at(24.0, 0), at(0, 40.0)]
    assert list(clump_sizes(chain_and_loner)) == [3, 3, 3, 1]
    assert list(clump_sizes([])) == []


def test_brown_absorbs_blue_at_least_as_much_as_red():
    for seed in range(50):
        red, _, blue = colours.brown_absorption(np.random.default_rng(seed))
        assert blue > 0.9 * red


def test_spores_take_red_least_and_blue_most_however_dark():
    for seed in range(200):
        red, green, blue = colours.spore_absorption(np.random.default_rng(seed))
        assert red <= 0.851 * green
        assert blue >= 1.149 * green


def blank(px_um=0.25, side_um=120.0):
    n = round(side_um / px_um)
    return Canvas(np.ones((n, n, 3), np.float32), px_um, np.ones((n, n), bool))


def painted(painter, name, seed, spore_length=12.0, side_um=120.0):
    canvas = blank(side_um=side_um)
    light = np.ones(3, np.float32)
    draw = getattr(painter(np.random.default_rng(seed), canvas, light, spore_length), name)
    draw(side_um / 2, side_um / 2)
    return canvas


@pytest.mark.parametrize("name", _USUAL_PER_MM2)
def test_each_look_alike_marks_the_picture_under_an_honest_kind(name):
    painter = next(p for p in (GrainPainter, OddmentPainter, ThreadPainter, SmallPainter) if hasattr(p, name))
    changed = []
    for seed in range(4):
        canvas = painted(painter, name, [seed, 71])
        kinds = set(np.unique(canvas.kind)) - {0}
        assert SPORE not in kinds
        assert KIND_NAMES.index("scale") not in kinds
        assert np.isfinite(canvas.rgb).all()
        assert canvas.rgb.min() >= 0.0
        assert (canvas.owner == -1).all()
        changed.append(np.abs(canvas.rgb - 1).max() > 0.05)
    assert any(changed)


@pytest.mark.parametrize("spore_length", [8.0, 16.0])
def test_brown_look_alikes_are_too_small_too_large_or_too_long_for_a_spore(spore_length):
    """By the size band of 8-16 µm and length/width below 2 (from memory); 0.8 µm for the pixel edges."""
    for seed in range(12):
        for name in ("speck", "blob", "bar"):
            mask = painted(OddmentPainter, name, [seed, 81], spore_length).kind > 0
            labels, count = ndimage.label(mask)
            if name == "speck" and count:
                alone = count == 1
                length_um = 0.25 * max(np.ptp(np.argwhere(labels == 1), axis=0)) if alone else 0.0
                assert length_um <= 6.5 + 0.8
            elif name == "blob":
                assert mask.sum() * 0.25**2 > np.pi / 4 * 16.0 * 8.0
            elif name == "bar":
                points = np.argwhere(mask) * 0.25
                long, short = np.sqrt(np.linalg.eigvalsh(np.cov(points.T)))[::-1]
                assert long / short > 2.0


def test_texture_is_mirrored_beyond_its_tile_and_flat_when_plain():
    rng = np.random.default_rng(3)
    assert not skin.random_tile(rng, 0.5, plain_share=1.0).any()
    tile = skin.random_tile(rng, 0.5, plain_share=0.0)
    n = tile.shape[0]
    across, along = np.mgrid[0:3, 0 : 4 * n].astype(np.float32)
    laid = skin.sample(rng, tile, along, across)
    np.testing.assert_allclose(laid[:, : 2 * n], laid[:, 2 * n :], atol=2e-2)  # twice mirrored: period 2 n
    assert laid.std() > 0.005


def test_textures_of_many_sorts_stay_bounded():
    for seed in range(60):
        tile = skin.random_tile(np.random.default_rng([seed, 91]), 0.6)
        assert tile.dtype == np.float32
        assert np.isfinite(tile).all()
        assert -1.2 <= tile.min() <= tile.max() <= 2.5


@pytest.mark.parametrize("weave", [weaves.woven, weaves.foil, weaves.flocks])
def test_relief_of_backdrops_has_the_shape_asked_for(weave):
    relief = weave(np.random.default_rng(4), (90, 130), 0.8)
    assert relief.shape == (90, 130)
    assert 0.005 < relief.std() < 0.6


def test_octaves_have_unit_spread_on_both_grids():
    """The field promises about 1; cubic interpolation between few lattice values leaves a quarter of room."""
    spreads = [noise.octaves(np.random.default_rng(s), (160, 200), 32, 2, 0.7).std() for s in range(12)]
    assert np.mean(spreads) == pytest.approx(1.0, abs=0.25)


def test_recipe_gives_a_density_to_every_look_alike():
    for seed in range(40):
        recipe = random_recipe(np.random.default_rng(seed), "no_spores", 0.6, None)
        assert set(recipe.debris) == set(_USUAL_PER_MM2)
        assert all(v >= 0 for v in recipe.debris.values())


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"preset": "easy"}, "preset must be one of"),
        ({"um_per_px": 0.0}, "um_per_px must lie between"),
        ({"width_px": 10}, "must be at least 64"),
    ],
)
def test_refuses_bad_calls(given, message):
    with pytest.raises(ValueError, match=message):
        photo(1, **given)

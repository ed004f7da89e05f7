"""The relief style of simulated photos: its truth must be what the lit landscape shows."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate.relief import (
    camera,
    draw_photo,
    forms,
    ground,
    lens,
    lighting,
    oddments,
    spores,
    truths,
)
from sporecount.simulate.relief.recipe import PRESETS
from sporecount.simulate.relief.terrain import Matter, Terrain
from sporecount.simulate.truth import KIND_NAMES

SPORE = KIND_NAMES.index("spore")


def photo(seed, preset="ordinary", **more):
    size = {"width_px": 380, "height_px": 300} | more
    return draw_photo(np.random.default_rng(seed), preset=preset, **size)


def test_same_state_gives_the_same_photo_and_another_another():
    first, again, other = photo(5), photo(5), photo(6)
    np.testing.assert_array_equal(first.rgb, again.rgb)
    np.testing.assert_array_equal(first.kind_map, again.kind_map)
    assert first.spores == again.spores
    assert first.notes == again.notes
    assert not np.array_equal(first.rgb, other.rgb)


@pytest.mark.parametrize("preset", PRESETS)
def test_record_holds_to_its_contract(preset):
    for seed in range(2):
        p = photo([seed, 12], preset)
        assert p.rgb.shape == (300, 380, 3)
        assert p.rgb.dtype == np.uint8
        assert p.kind_map.shape == (300, 380)
        assert p.kind_map.dtype == np.uint8
        assert p.notes["style"] == "relief"
        assert p.notes["preset"] == preset
        if preset == "no_spores":
            assert p.spores == ()
            assert not (p.kind_map == SPORE).any()
        for s in p.spores:
            assert 0.0 <= s.visible <= 1.0
            assert 0.0 <= s.angle_deg < 180.0
            assert 7.5 <= s.length_um <= 17.0
            assert 1.24 <= s.length_um / s.width_um <= 2.01
            assert s.clump >= 1
            assert -0.5 <= s.x_px < 379.5
            assert -0.5 <= s.y_px < 299.5
            if s.countable:
                assert s.visible > 0.5
                assert s.blur_um < 0.35 * s.length_um


def test_outline_of_a_fully_visible_spore_is_where_the_map_says():
    """Map against truth: of the truth's ellipse a lemon fills 0.75 to 1, and nothing beyond 1.15 is spore."""
    inside, beyond = [], []
    y, x = np.mgrid[:300, :380]
    for seed in range(8):
        p = photo([seed, 22], "good_focus", um_per_px=0.6)
        for s in p.spores:
            reach = s.length_um / p.um_per_px
            middle = reach < s.x_px < 379 - reach and reach < s.y_px < 299 - reach
            if s.visible < 1 or s.clump > 1 or not middle:
                continue
            turn = np.radians(s.angle_deg)
            along = ((x - s.x_px) * np.cos(turn) + (y - s.y_px) * np.sin(turn)) * 2 / s.length_um
            across = ((y - s.y_px) * np.cos(turn) - (x - s.x_px) * np.sin(turn)) * 2 / s.width_um
            far = np.hypot(along, across) * p.um_per_px
            inside.append((p.kind_map == SPORE)[far < 1].mean())
            beyond.append((p.kind_map == SPORE)[(far > 1.2) & (far < 1.5)].mean())
    assert len(inside) > 20
    assert min(inside) > 0.7
    assert np.median(beyond) == 0.0


def test_countable_spores_differ_from_what_lies_around():
    """Mean of the outline against its surroundings, in display values, all lights together."""
    differ = []
    for seed in range(9):
        p = photo([seed, 32], "hard", um_per_px=0.6)
        grey = p.rgb.astype(float).mean(axis=2)
        for s in p.spores:
            half = round(1.1 * s.length_um / p.um_per_px)
            row, col = round(s.y_px), round(s.x_px)
            if not s.countable or min(row, col) < half or row + half > 299 or col + half > 379:
                continue
            box = np.s_[row - half : row + half + 1, col - half : col + half + 1]
            spore = p.kind_map[box] == SPORE
            differ.append(abs(grey[box][spore].mean() - np.median(grey[box][~spore])))
    assert len(differ) > 25
    assert np.median(differ) > 12


def test_what_noise_hides_is_not_countable():
    """Equal ovals in white noise of 8 levels: 3 levels nobody sees, 60 everybody."""
    rng = np.random.default_rng(4)
    grey, owner, laid = np.full((120, 330), 170.0), np.full((120, 330), -1), []
    y, x = np.mgrid[:120, :330].astype(np.float32)
    depths = np.repeat([3.0, 60.0], 6)
    for number, depth in enumerate(depths):
        one = truths.Laid(
            forms.Oval(10, 6.5, 0.5 * number), 30.0 + 50 * (number % 6), 30.0 + 55 * (number // 6), False
        )
        inside = one.oval.places(x - one.x_um, y - one.y_um)[0] > 0
        owner[inside], grey[inside] = number, 170 - depth
        laid.append(one)
    noisy = np.clip(grey + rng.normal(0, 8, grey.shape), 0, 255).astype(np.uint8)
    blur = np.full(grey.shape, 1.0)
    told = truths.tell(np.repeat(noisy[..., None], 3, axis=2), laid, owner, blur, None, 1.0)
    assert [s.countable for s in told] == list(depths > 50)
    assert all(s.visible == 1.0 and s.clump == 1 for s in told)


def test_every_kind_light_and_ground_occurs():
    photos = [photo([seed, 42], um_per_px=0.9) for seed in range(24)]
    assert {KIND_NAMES[k] for p in photos for k in np.unique(p.kind_map)} == set(KIND_NAMES)
    assert {p.notes["light"] for p in photos} >= {"above", "below"}
    assert len({p.notes["ground"] for p in photos}) >= len(ground.GROUNDS) - 3


@pytest.mark.parametrize("light", ["below", "above", "dark"])
def test_each_light_shows_a_lone_brown_body(light):
    """On empty ground a brown dome is darker, or on a dark ground brighter, than what lies around."""
    terrain = Terrain((60, 80), 1.0, light == "above")
    at, dx, dy = terrain.window(40, 30, 10)
    level = 1 - np.hypot(dx, dy) / np.float32(10)
    brown = np.array([0.3, 0.6, 1.0], np.float32)
    terrain.lay(
        at, forms.soft(level), 8 * forms.dome(level), 1.0, Matter(brown, 0.3 * (1.1 - brown), 0.9, 0, 0.1), 9
    )
    scene, facts = lighting.lit(np.random.default_rng(1), terrain, light)
    body, ground_light = scene[26:35, 36:45].mean(), np.median(scene[:10])
    assert facts["light"] == light
    assert (body > 1.5 * ground_light) if light == "dark" else (body < 0.8 * ground_light)


@pytest.mark.parametrize("spread", lens.SPREADS)
def test_point_spread_has_the_spread_it_says(spread):
    """Sum 1 and the asked standard deviation, mean of two directions, within the coarseness of pixels."""
    kernel = lens.point_spread(lens.Lens(spread, 0.4, 0.3), 2.5)
    reach = kernel.shape[0] // 2
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    variance = (kernel * (x**2 + y**2)).sum() - (kernel * x).sum() ** 2 - (kernel * y).sum() ** 2
    assert kernel.sum() == pytest.approx(1, abs=1e-5)
    assert np.sqrt(variance / 2) == pytest.approx(2.5, rel=0.05)


@pytest.mark.parametrize("mosaic", range(4))
def test_mosaic_gives_each_colour_back_as_itself(mosaic):
    light = np.ones((20, 30, 3), np.float32) * np.array([0.8, 0.5, 0.2], np.float32)
    seen = camera._through_mosaic(np.random.default_rng(0), light, mosaic, np.float32(1e9))
    np.testing.assert_allclose(seen[4:-4, 4:-4], light[4:-4, 4:-4], atol=1e-3)


@pytest.mark.parametrize(("fullness", "area"), [(0.5, np.pi / 4), (1.0, 2 / 3)])
def test_oval_runs_from_an_ellipse_to_two_parabolas(fullness, area):
    """Areas in the box of the axes: pi/4 for an ellipse, 2/3 for two parabolic arcs (Archimedes)."""
    assert forms.Oval(6.0, 4.0, 0.3, 2.0, fullness).area_um2() == pytest.approx(area * 12 * 8, rel=0.01)


def test_drawn_oval_has_its_area_and_ends_at_its_tips():
    y, x = np.mgrid[-9:9:0.05, -10:10:0.05].astype(np.float32)
    one = forms.Oval(6.0, 4.0, 0.4, 2.0, 0.8)
    level, along, _ = one.places(x, y)
    assert (forms.soft(level).sum() * 0.05**2) == pytest.approx(one.area_um2(), rel=0.01)
    assert (level[np.abs(along) > 1] < 0).all()
    assert forms.soft(level)[level < -1].max() < 0.05


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


@pytest.mark.parametrize("from_above", [False, True])
def test_spores_take_red_least_and_blue_most(from_above):
    for seed in range(60):
        red, green, blue = spores.random_breed(np.random.default_rng(seed), from_above, False).matter.dye
        assert red <= 0.851 * green
        assert blue >= 1.149 * green


@pytest.mark.parametrize(
    "name", ["oval_bubble", "ring", "conidia", "yellow_drop", "oval_pollen", "torn_flake"]
)
def test_small_look_alikes_mark_the_maps_under_an_honest_kind(name):
    kinds = set()
    for seed in range(6):
        terrain = Terrain((120, 150), 0.5, from_above=False)
        lay, _ = oddments.painters(oddments.Sizes(12.0, 0.5))[name]
        lay(np.random.default_rng([seed, 62]), terrain, 37.0, 30.0)
        kinds |= {KIND_NAMES[k] for k in np.unique(terrain.kind)}
        assert np.isfinite(terrain.dye).all()
        assert (terrain.owner == -1).all()
    honest = {"oval_pollen": "pollen", "torn_flake": "scale piece", "oval_bubble": "bubble", "ring": "bubble"}
    assert kinds == {"background", honest.get(name, "other")}

"""The style of films: the light keeps to the physics of waves, and truth agrees with pictures."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import films
from sporecount.simulate.films import draw_photo
from sporecount.simulate.films.bodies import Spores, draw_spore_kind, lay_spore, touching
from sporecount.simulate.films.stack import Light, Stack, blur_by_map
from sporecount.simulate.films.style import PRESETS, draw_style
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_blur_has_the_variance_of_its_map,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    lone_spores,
    moved_and_turned,
)


def draw(seed: int, preset: str, width: int = 330, height: int = 250, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def test_photos_of_all_presets_keep_the_contract_and_their_promises():
    photos: dict[str, list[SimulatedPhoto]] = {preset: [] for preset in PRESETS}
    for seed in range(24):
        preset = PRESETS[seed % len(PRESETS)]
        photo = draw(seed, preset, 301 + seed, 250)
        assert_truth_keeps_its_contract(
            photo, (250, 301 + seed), (8.5 - 1e-5, 17 + 1e-5), (1.3 - 1e-5, 1.8 + 1e-5)
        )
        photos[preset].append(photo)
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 7
    assert all(5 <= len(photo.spores) <= 80 for photo in photos["good_focus"])

    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_clear_print_stays_clear_and_focus_moves_light_but_loses_little():
    light = Light(0.5, 0.25, 0.5, (0.1, 0.0), 0.3)
    even = np.full((350, 410), 0.1, np.float32)
    for z in (0, 9):  # an even plate bends no light, away from its end
        seen = light.through(even, np.zeros((2, 350, 410), np.float32), np.zeros_like(even) + z)
        seen = seen[:, 60:-60, 60:-60]
        assert seen == pytest.approx(1, abs=0.05)  # the seams of tiles leave 3 %
        assert seen.mean() == pytest.approx(1, abs=1e-3)
    yy, xx = np.mgrid[:350, :410]
    weak_lens = (0.12 * np.exp(-((yy - 170) ** 2 + (xx - 200) ** 2) / (2 * 8.0**2))).astype(np.float32)
    blank = np.zeros((2, 350, 410), np.float32)
    at_focus, over, under = (light.through(weak_lens, blank, blank[0] + z)[0, 170, 200] for z in (0, 25, -25))
    # A weak lens shows no middle in focus, and a bright one on one side of it, a dark one on the other.
    assert at_focus == pytest.approx(1, abs=0.03)
    assert abs(over - under) > 0.2
    assert (over - 1) * (under - 1) < 0
    total = light.through(weak_lens, blank, blank[0] + 25)[0, 100:240, 130:270].mean()
    assert total == pytest.approx(1, abs=0.01)


def test_absorbing_patch_keeps_its_density_in_focus():
    light = Light(0.5, 0.25, 0.6, (0.0, 0.0), 0.0)
    density = np.zeros((2, 340, 330), np.float32)
    density[0, 120:220, 110:210] = 0.3
    seen = light.through(np.zeros((340, 330), np.float32), density, np.zeros((340, 330), np.float32))
    assert -np.log10(seen[0, 150:190, 140:180].mean()) == pytest.approx(0.3, abs=0.01)
    assert seen[1, 150:190, 140:180] == pytest.approx(1, abs=1e-3)


def test_spore_has_the_outline_that_its_numbers_say():
    for seed in range(4):
        rng = np.random.default_rng(seed)
        kind = draw_spore_kind(rng, draw_style(rng, (300, 400), None, None, "heavy"))
        stack = Stack((500, 520), 0.05)
        one = Spores(*(np.array([v], np.float32) for v in (260, 250, 12, 8, 0.7)))
        lay_spore(rng, stack, kind, one, 0, 1)
        rows, cols = np.nonzero(stack.owner == 0)
        assert len(rows) * 0.05**2 == pytest.approx(kind.area_um2(12, 8), rel=0.01)
        along = (cols - 260) * np.cos(0.7) + (rows - 250) * np.sin(0.7)
        assert np.ptp(along) * 0.05 == pytest.approx(12, abs=0.4)
        # Between a rhombus (1/2 of length times width) and an ellipse (pi/4).
        assert 0.5 < kind.area_um2(12, 8) / 96 < np.pi / 4


def test_touching_spores_are_one_group():
    columns = ([0, 20, 100], [0, 0, 0], [10, 10, 10], [7, 7, 7], [0, 0, 0])
    spores = Spores(*(np.array(c, np.float32) for c in columns))
    assert touching(spores, 0.5).tolist() == [2, 2, 1]
    assert touching(spores, 0.6).tolist() == [1, 1, 1]


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, agrees = [], []
    for seed in range(9):
        photo = draw(seed + 40, "good_focus", 520, 400, um_per_px=0.5)
        for s, box in lone_spores(photo, lambda s: s.countable and s.contrast > 0.08):
            light = (photo.rgb[box].astype(float) / 255) ** 2.2 @ [0.3, 0.59, 0.11]
            change = np.abs(light - np.median(light))
            change[change < 0.3 * change.max()] = 0
            off_um.append(moved_and_turned(photo, s, box, change)[0])
            mine = photo.kind_map[box] == SPORE
            agrees.append((np.log10(np.median(light)) - np.log10(light[mine] + 1e-3).mean()) / s.contrast)
    assert len(off_um) >= 20
    assert np.median(off_um) < 0.5
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.05)


def test_recipe_stands_alone():
    assert_stands_alone(films)

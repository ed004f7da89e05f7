"""The style of phases: pictures agree with their truth, and the light path with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import phases
from sporecount.simulate.phases import draw_photo
from sporecount.simulate.phases.light_path import blur_by_map, through_microscope, variance_um2
from sporecount.simulate.phases.sheet import Sheet, empty_sheet
from sporecount.simulate.phases.spores import Spores, draw_look, lay_spore, touching
from sporecount.simulate.phases.style import PRESETS, Style, draw_style
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_blur_has_the_variance_of_its_map,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    light_lost,
    lone_spores,
    moved_and_turned,
)


def draw(seed: int, preset: str, width: int = 420, height: int = 310, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def one_spore(height_um: float, **changed: float) -> tuple[np.ndarray, Sheet]:
    """A lone clear spore in the middle of 121 x 101 px of 0.25 um, seen at a height over the sharp plane."""
    rng = np.random.default_rng(3)
    style = draw_style(rng, (101, 121), 0.25, 10.0, "good_focus")
    values = {**style.__dict__, "fringe_um": 0.0, "relief": 1.0, "from_above": False, **changed}
    style = Style(**values)
    look = draw_look(rng, style)
    one = np.ones(1)
    sheet = empty_sheet((101, 121), 0.25)
    lay_spore(sheet, look, Spores(60 * one, 50 * one, 12 * one, 8 * one, 0 * one, one), 0)
    ground = np.ones((101, 121, 3), np.float32)
    return through_microscope(sheet, ground, np.full((101, 121), height_um, np.float32), style), sheet


def test_small_photos_of_all_presets_keep_the_contract():
    # Small and of many sizes, so that many things are cut by the edge of the view.
    for seed in range(36):
        photo = draw(seed, PRESETS[seed % len(PRESETS)], 151 + seed, 120)
        assert_truth_keeps_its_contract(photo, (120, 151 + seed), (8.5, 17))
        for s in photo.spores:
            assert abs(s.contrast) >= 0.04 or not s.countable


def test_presets_hold_what_they_promise():
    photos = {preset: [draw(seed, preset) for seed in range(4)] for preset in PRESETS}
    assert_presets_hold_what_they_promise(draw, photos)
    assert_the_same_state_gives_the_same_photo(draw, "hard")
    assert kinds_shown([photo for one in photos.values() for photo in one]) >= 9
    assert all(5 <= len(photo.spores) <= 80 for photo in photos["good_focus"])
    assert all(len(photo.spores) <= 8 or len(photo.spores) > 150 for photo in photos["scan_4x"])
    assert all(1.0 <= photo.um_per_px <= 2.2 for photo in photos["scan_4x"])
    # Everyday prints in three photos of four.
    odd = [
        draw_style(np.random.default_rng(k), (80, 100), None, None, "ordinary").unusual for k in range(400)
    ]
    assert np.mean([name != "" for name in odd]) == pytest.approx(0.25, abs=0.07)


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees, redder = [], [], [], []
    for seed in range(14):
        photo = draw(70 + seed, "good_focus", 560, 420, um_per_px=0.5)
        if photo.notes["unusual"]:
            continue
        for s, box in lone_spores(photo, lambda s: s.countable):
            mine = photo.kind_map[box] == SPORE
            lost = light_lost(photo, box)
            agrees.append(lost @ [0.25, 0.6, 0.15] / s.contrast)
            redder.append(lost[2] > lost[0])
            green = photo.rgb[box][..., 1].astype(float)
            dark = np.clip(np.median(green[~mine]) - green, 0, None)
            dark[dark < 0.35 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.3
    assert np.quantile(off_um, 0.9) < 0.6
    assert np.median(turned) < 6
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.95


def test_blur_has_the_variance_of_its_map_and_of_the_lens():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)
    style = draw_style(np.random.default_rng(1), (100, 120), 0.5, 10.0, "good_focus")
    # A cone of half angle 0.25 cuts a disc of radius 5 um at 20 um, whose variance along an axis is 25 / 4.
    sharp, off = variance_um2(np.array([0, 20], np.float32), style)
    assert off - sharp == pytest.approx(25 / 4, rel=1e-4)
    # The sharp spot is narrower than the Rayleigh limit of 1.3 um for an aperture of 0.25.
    assert 0.3 < np.sqrt(sharp) < 1.3 / 2


def test_middle_of_a_spore_turns_from_bright_to_dark_through_focus():
    above, sharp, below = (one_spore(z)[0][50, 60, 1] for z in (4.0, 0.0, -4.0))
    assert below < sharp < above
    # A closed condenser loses more light at the steep edge; away from the spore both show the bare ground.
    shut, opened = (one_spore(0.0, condenser=c)[0] for c in (0.35, 1.0))
    assert shut[50 - 15, 60, 1] < opened[50 - 15, 60, 1]
    assert shut[2, 2] == pytest.approx(np.ones(3), abs=1e-3)


def test_laid_spore_has_the_size_of_its_numbers_and_touching_is_seen():
    _, sheet = one_spore(0.0)
    mine = sheet.owner == 0
    assert mine.any(axis=0).sum() * 0.25 == pytest.approx(12, abs=0.6)
    assert mine.any(axis=1).sum() * 0.25 == pytest.approx(8, abs=0.3)
    # Between a lens of two parabolas (2/3 of length times width) and an ellipse (pi / 4).
    assert 2 / 3 * 96 < mine.sum() * 0.25**2 < np.pi / 4 * 96
    assert (sheet.kinds[mine] == SPORE).all()
    # End to end at 11 um two touch; side by side at 9 um they do not.
    x, y = np.array([0.0, 11, 0]), np.array([0.0, 0, 9])
    three = Spores(x, y, np.full(3, 12.0), np.full(3, 8.0), np.zeros(3), np.ones(3))
    assert touching(three, 1.0).tolist() == [2, 2, 1]


def test_recipe_stands_alone():
    assert_stands_alone(phases)

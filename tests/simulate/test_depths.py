"""The depths style: truth agrees with pictures, and blur and outlines with what is known on paper."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sporecount.simulate import depths
from sporecount.simulate.depths.plan import PRESETS, draw_plan
from sporecount.simulate.depths.sheets import blur_by_map
from sporecount.simulate.depths.spores import Spores, draw_look, touching
from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws


def draw(seed: int, preset: str, width: int = 420, height: int = 310, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return depths.draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


@cache
def samples() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(4)] for preset in PRESETS}


def test_small_photos_of_all_presets_keep_the_contract() -> None:
    for photos in samples().values():
        for photo in photos:
            laws.assert_truth_keeps_its_contract(photo, (310, 420), (8.5, 17))
            for s in photo.spores:
                assert s.contrast >= 0.055 or not s.countable


def test_presets_hold_what_they_promise() -> None:
    laws.assert_presets_hold_what_they_promise(draw, samples())
    assert laws.kinds_shown(samples()["no_spores"]) >= 8
    for photo in samples()["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
        assert all(s.blur_um < 0.2 * s.width_um for s in photo.spores)
    assert all(len(photo.spores) >= 39 for photo in samples()["heavy"])  # 300 per megapixel
    assert all(1.0 <= photo.um_per_px <= 2.2 for photo in samples()["scan_4x"])
    with pytest.raises(ValueError, match="um_per_px must be a positive number"):
        draw(1, "ordinary", um_per_px=0.0)


def test_the_same_state_gives_the_same_photo() -> None:
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_recipe_stands_alone() -> None:
    laws.assert_stands_alone(depths)


def test_most_spores_of_good_photos_are_counted_without_hesitation() -> None:
    shown = [s for seed in range(12) for s in draw(seed + 40, "good_focus").spores]
    lone = [s for s in shown if s.clump == 1 and s.visible > 0.95]
    assert np.mean([s.countable for s in lone]) > 0.8
    contrast = np.array([s.contrast for s in lone])
    assert np.mean((contrast > 0.12) & (contrast < 0.5)) > 0.7


def test_picture_shows_each_lone_spore_where_truth_says() -> None:
    off_um, turned, areas, agrees = [], [], [], []
    for seed in range(14):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.5)
        if photo.notes["round_view"]:
            continue  # its black rim is no spore, but darker
        for s, box in laws.lone_spores(photo, lambda s: s.countable and s.clump == 1):
            mine = photo.kind_map[box] == laws.SPORE
            light = (photo.rgb[box] / 255.0) ** 2.2 @ [0.25, 0.65, 0.1]
            lost = np.log10(np.median(light[~mine])) - np.log10(light + 1e-3)
            agrees.append(lost[mine].mean() / s.contrast)
            dark = np.where(lost > 0.35 * lost.max(), lost, 0)
            moved_um, turned_deg = laws.moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            areas.append(mine.sum() * photo.um_per_px**2 / (s.length_um * s.width_um))
    assert len(off_um) >= 25
    # Light from one side shades a spore, which moves what is dark, not its outline.
    assert np.median(off_um) < 0.35
    assert np.quantile(off_um, 0.95) < 0.9
    assert np.median(turned) < 6
    # Between a rhombus (1/2 of length times width) and an ellipse (pi / 4).
    assert 0.6 < np.median(areas) < np.pi / 4
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6


@pytest.mark.parametrize("defocus_px", [0.8, 2.0, 4.5])
def test_blur_has_the_variance_that_it_is_asked_for(defocus_px: float) -> None:
    point = np.zeros((81, 101, 3), np.float32)
    point[40, 50] = 1
    wanted = np.full((81, 101), defocus_px, np.float32)
    wanted[0], wanted[-1] = 0.5, 6.0  # the range that the mixed levels span; far from the point
    got = blur_by_map(point, 1.0, wanted)[..., 1].astype(float)
    x = np.arange(101.0) - 50
    assert got.sum() == pytest.approx(1, abs=5e-3)
    # Bell-shaped and disc blur add up in variance; the kernels' ends are cut at 4 % of it at most.
    assert (got * x**2).sum() == pytest.approx(1 + defocus_px**2, rel=0.05)


def test_touching_groups_and_followed_outlines_of_worked_examples() -> None:
    # Three in a row, the middle one above the left and touching the right; one far away.
    x = np.array([0.0, 6.0, 18.0, 80.0])
    one, length = np.ones(4), np.full(4, 12.0)
    spores = Spores(x, 0 * x, length, length / 1.5, 0 * x, one, 0 * x, one, 0 * x)
    groups, followed = touching(spores, 1.0)
    assert groups.tolist() == [3, 3, 3, 1]
    assert followed[3] == 1
    # Ends half a length apart: by symmetry the lower loses twice what the upper's outline is weakened.
    assert followed[0] < followed[1] < 1
    assert 1 - followed[0] == pytest.approx(2 * (1 - followed[1]))
    assert followed[2] == 1


def test_strength_is_the_mean_density_inside_the_outline() -> None:
    u, v = np.mgrid[-10:10:401j, -7:7:281j].astype(np.float32)
    for seed in range(6):
        rng = np.random.default_rng(seed)
        look = draw_look(rng, draw_plan(rng, (300, 400), None, None, "heavy"))
        pattern, inside = look.pattern(u, v, look.length_um, look.length_um / look.aspect)
        assert pattern[inside].mean() == pytest.approx(1, rel=0.05)

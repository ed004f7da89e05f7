"""Does the renderer of index step and pigment tell the truth about what it draws?"""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import nomad
from tests.recipes.nomad.optics import Optics, blur_by_map
from tests.recipes.nomad.presets import PRESETS
from tests.recipes.nomad.spores import LENGTH_UM

SHAPE = (360, 480)


@cache
def photo(
    seed: int, preset: str, um_per_px: float | None = None, objective: float | None = None
) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    rows, cols = SHAPE
    return nomad.draw_photo(
        rng, width_px=cols, height_px=rows, um_per_px=um_per_px, objective=objective, preset=preset
    )


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(preset: str) -> None:
    for seed in range(4):
        laws.assert_truth_keeps_its_contract(photo(seed, preset), SHAPE, LENGTH_UM)


def test_presets_hold_what_they_promise() -> None:
    drawn = {preset: [photo(seed, preset) for seed in range(4)] for preset in PRESETS}
    laws.assert_presets_hold_what_they_promise(photo, drawn)
    assert laws.kinds_shown([one for some in drawn.values() for one in some]) == 10


def test_the_same_state_gives_the_same_photo() -> None:
    photo.cache_clear()
    one = photo(4, "hard")
    photo.cache_clear()
    assert np.array_equal(one.rgb, photo(4, "hard").rgb)
    laws.assert_the_same_state_gives_the_same_photo(photo, "hard")


def test_stands_alone() -> None:
    laws.assert_stands_alone(nomad)


def test_the_picture_shows_what_the_truth_says() -> None:
    moved, turned, ratio = [], [], []
    for seed, um_per_px in product(range(10), (0.4, 0.6)):
        one = photo(100 + seed, "good_focus", um_per_px, 10.0)
        for s, box in laws.lone_spores(one, lambda s: s.countable and s.contrast > 0.1):
            lost = laws.light_lost(one, box)
            light = (one.rgb[box][..., 1] / 255.0) ** 2.2 + 1e-3
            near = (
                np.hypot(*(np.mgrid[box] - np.array([s.y_px, s.x_px])[:, None, None]))
                < s.length_um / um_per_px
            )
            shown = np.clip(np.log10(np.median(light) / light) - 0.03, 0, None) * near
            off_um, off_deg = laws.moved_and_turned(one, s, box, shown)
            moved.append(off_um)
            turned.append(off_deg)
            ratio.append(lost[1] / s.contrast)
    assert len(moved) >= 20
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(ratio) < 1.7


def test_blur_has_the_variance_of_its_map() -> None:
    laws.assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.12)


def _lens(step: float, defocus_um: float, coherence: float = 1.0) -> tuple[float, float]:
    """Brightness in the middle of a clear ball of 8 µm, and mean over the picture."""
    y, x = np.mgrid[-60:61, -60:61] * 0.2
    path = (step * 2 * np.sqrt(np.clip(16 - x**2 - y**2, 0, None))).astype(np.float32)
    optics = Optics(40.0, 0.2, coherence, (0.0, 0.0), 0.0)
    got = optics.refract(path, np.full(path.shape, defocus_um, np.float32), (1,))[..., 0]
    return float(got[56:65, 56:65].mean()), float(got.mean())


def test_the_becke_line_swaps_with_defocus_and_with_the_index_step() -> None:
    """A denser body gathers light above itself and an air bubble spreads it; below, the reverse."""
    for z in (1.0, 3.0, 8.0):
        assert _lens(0.04, z)[0] > 1.01 > 0.99 > _lens(0.04, -z)[0]
        assert _lens(-0.04, z)[0] < 0.99 < 1.01 < _lens(-0.04, -z)[0]
    assert _lens(0.04, 0.0)[0] == pytest.approx(1, abs=0.02)  # a clear body in focus has no core
    assert abs(_lens(0.04, 3.0, 0.3)[0] - 1) < 0.5 * abs(_lens(0.04, 3.0)[0] - 1)  # card scatters it away


def test_a_clear_body_redistributes_light_and_makes_none() -> None:
    """Flux is kept: what the middle gains the rim loses, but for rays bent beyond the aperture."""
    for z in (-2.0, 0.0, 2.0):
        assert 0.93 < _lens(0.01, z)[1] < 1.01
    assert _lens(0.3, 0.0)[1] < _lens(0.01, 0.0)[1]

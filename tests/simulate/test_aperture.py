"""The aperture style tells the truth about what it draws."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from sporecount.simulate import aperture
from sporecount.simulate.aperture import draw_photo, truths
from sporecount.simulate.aperture.bodies import Seat, draw_brood, lay_spore
from sporecount.simulate.aperture.optics import blur_sigma_um, image
from sporecount.simulate.aperture.presets import PRESETS
from sporecount.simulate.aperture.scene import SPORE, Scene
from sporecount.simulate.aperture.seats import clump_sizes
from sporecount.simulate.truth import SimulatedPhoto

WIDTH, HEIGHT = 360, 270


def draw(preset: str, seed: int = 3, **more: float) -> SimulatedPhoto:
    return draw_photo(np.random.default_rng(seed), width_px=WIDTH, height_px=HEIGHT, preset=preset, **more)


@pytest.fixture(scope="module", params=sorted(PRESETS))
def drawn(request: pytest.FixtureRequest) -> SimulatedPhoto:
    return draw(request.param)


def test_shapes_and_ranges(drawn: SimulatedPhoto) -> None:
    assert drawn.rgb.shape == (HEIGHT, WIDTH, 3)
    assert drawn.rgb.dtype == drawn.kind_map.dtype == np.uint8
    assert drawn.kind_map.shape == (HEIGHT, WIDTH)
    assert drawn.kind_map.max() <= 9
    assert drawn.rgb.std() > 1
    for spore in drawn.spores:
        assert 1.2 < spore.length_um / spore.width_um < 2
        assert 6 < spore.length_um < 20
        assert 0 <= spore.visible <= 1
        assert 0 <= spore.angle_deg < 180
        assert spore.clump >= 1


def test_what_is_countable_shows(drawn: SimulatedPhoto) -> None:
    for spore in drawn.spores:
        if spore.countable:
            assert -0.5 <= spore.x_px < WIDTH - 0.5
            assert -0.5 <= spore.y_px < HEIGHT - 0.5
            assert spore.visible >= truths.VISIBLE_FROM
            assert spore.blur_um <= truths.BLUR_TO_LENGTH * spore.length_um
            assert spore.contrast >= truths.CONTRAST_FROM


def test_only_the_sets_with_spores_have_spores() -> None:
    assert not draw("no_spores").spores
    assert not (draw("no_spores").kind_map == SPORE).any()
    assert len(draw("heavy").spores) > 60


def test_the_same_generator_gives_the_same_photo() -> None:
    one, two, other = draw("ordinary", 5), draw("ordinary", 5), draw("ordinary", 6)
    assert np.array_equal(one.rgb, two.rgb)
    assert one.spores == two.spores
    assert not np.array_equal(one.rgb, other.rgb)


def test_objective_and_scale_can_be_given() -> None:
    photo = draw("ordinary", um_per_px=0.21, objective=40)
    assert (photo.um_per_px, photo.objective) == (0.21, 40.0)


def test_spores_are_darker_than_their_surroundings_where_the_truth_says_so() -> None:
    photo = draw("good_focus", 8, um_per_px=0.5)
    green = photo.rgb[..., 1].astype(float)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    seen = [s for s in photo.spores if s.countable and s.clump == 1 and not s.on_scale and s.contrast > 0.1]
    inner = [s for s in seen if 25 < s.x_px < WIDTH - 25 and 25 < s.y_px < HEIGHT - 25]
    assert inner
    for spore in inner:
        r = np.hypot(x - spore.x_px, y - spore.y_px) * photo.um_per_px
        assert green[r < 2].mean() < np.median(green[(r > spore.length_um * 0.7) & (r < spore.length_um)])


def _one_spore(angle: float) -> tuple[Scene, Seat, int]:
    scene = Scene(np.ones((120, 160, 3), np.float32), 0.4, False)
    seat = Seat(81.3, 57.8, 13.0, 8.0, angle, 1.0, False)
    pixels, added = lay_spore(scene, draw_brood(np.random.default_rng(1)), seat, 1, 0.0)
    assert added > 0
    return scene, seat, pixels


@pytest.mark.parametrize("angle", [0.0, 35.0, 90.0, 140.0])
def test_a_spore_lies_where_and_how_its_truth_says(angle: float) -> None:
    scene, seat, pixels = _one_spore(angle)
    own = scene.owner == 1
    assert own.sum() == pixels
    rows, cols = np.nonzero(own)
    # A whole outline's centre of mass is good to a tenth of a pixel.
    assert cols.mean() == pytest.approx(seat.x_px, abs=0.15)
    assert rows.mean() == pytest.approx(seat.y_px, abs=0.15)
    _, axes = np.linalg.eigh(np.cov(cols, rows))
    found = np.rad2deg(np.arctan2(axes[1, 1], axes[0, 1])) % 180
    # The pixel edge turns the axis of a body of 32 pixels by 2 degrees at most.
    assert min(abs(found - angle), 180 - abs(found - angle)) < 2.5
    turn = np.deg2rad(angle)
    along = (cols - seat.x_px) * np.cos(turn) + (rows - seat.y_px) * np.sin(turn)
    # The pointed ends cover less than half of their last pixels.
    assert np.ptp(along) * 0.4 == pytest.approx(seat.length_um, abs=1.2)


def test_clumps_are_the_connected_groups() -> None:
    row = [Seat(100 + 20 * k, 50, 12, 8, 90, 1, False) for k in range(3)]
    far = [Seat(300, 200, 12, 8, 0, 1, False)]
    # Side by side at 20 px = 8 um, the width, they touch.
    assert clump_sizes(row + far, 0.4).tolist() == [3, 3, 3, 1]
    assert clump_sizes([], 0.4).tolist() == []


@pytest.mark.parametrize(("defocus", "aperture"), [(0.0, 0.25), (12.0, 0.25), (3.0, 0.65)])
def test_blur_keeps_light_and_spreads_a_point_as_stated(defocus: float, aperture: float) -> None:
    um_per_px = 0.25
    light = np.full((160, 200, 3), 0.5, np.float32)
    light[80, 100] += 100
    flat = np.full(light.shape[:2], np.float32(defocus))
    out = image(light, np.zeros_like(flat), flat, um_per_px, aperture, 0.0, 0.0)[..., 1] - 0.5
    assert out.sum() == pytest.approx(100, rel=0.02)
    near = out[50:111, 70:131]
    x = (np.arange(61) - 30) * um_per_px
    half = near.sum(axis=0)
    inner = half[np.abs(x) < 3 * blur_sigma_um(defocus, aperture)]
    spread = np.sqrt((inner * x[np.abs(x) < 3 * blur_sigma_um(defocus, aperture)] ** 2).sum() / inner.sum())
    # An Airy pattern has no finite variance: within three sigma its core agrees with the Gaussian to a fifth.
    assert spread == pytest.approx(float(blur_sigma_um(defocus, aperture)), rel=0.25)


def test_the_style_shares_nothing_with_the_others_but_the_truth() -> None:
    for file in Path(aperture.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [one.name for one in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                known = name == "sporecount.simulate.truth" or name.startswith("sporecount.simulate.aperture")
                assert known or not name.startswith("sporecount"), (file.name, name)

"""What must hold for the simulated photos of every renderer, whatever its way of drawing."""

from __future__ import annotations

import ast
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto, SporeTruth

SPORE = KIND_NAMES.index("spore")
ALMOST = 1e-9
"""What rounding may take a drawn ratio beyond its range."""

Draw = Callable[..., SimulatedPhoto]
"""From a seed and a preset, and `um_per_px` and `objective` where they are given."""
Window = tuple[slice, slice]


def assert_the_same_state_gives_the_same_photo(draw: Draw, preset: str) -> None:
    """One seed gives one photo with one truth, another seed another."""
    one, again, other = draw(4, preset), draw(4, preset), draw(5, preset)
    assert np.array_equal(one.rgb, again.rgb)
    assert np.array_equal(one.kind_map, again.kind_map)
    assert (one.spores, one.scales, one.notes) == (again.spores, again.scales, again.notes)
    assert not np.array_equal(one.rgb, other.rgb)


def assert_truth_keeps_its_contract(
    photo: SimulatedPhoto,
    shape: tuple[int, int],
    length_um: tuple[float, float],
    aspect: tuple[float, float] = (1.3 - ALMOST, 1.8 + ALMOST),
) -> None:
    """The record of `sporecount.simulate.truth`, with spores in the stated ranges.

    None is countable that is outside the view, more than half hidden, or blurred by more than 0.22 of its length.
    """
    assert photo.rgb.shape == (*shape, 3)
    assert photo.rgb.dtype == photo.kind_map.dtype == np.uint8
    assert photo.kind_map.shape == shape
    assert photo.kind_map.max() < len(KIND_NAMES)
    assert photo.rgb.std() > 2
    assert json.loads(json.dumps(photo.notes)) == photo.notes
    for s in photo.spores:
        assert length_um[0] <= s.length_um <= length_um[1]
        assert aspect[0] <= s.length_um / s.width_um <= aspect[1]
        assert 0 <= s.visible <= 1
        assert 0 <= s.angle_deg < 180
        assert s.clump >= 1
        inside = -0.5 <= s.x_px <= shape[1] - 0.5 and -0.5 <= s.y_px <= shape[0] - 0.5
        assert (inside and s.visible >= 0.5 and s.blur_um <= 0.22 * s.length_um) or not s.countable


def assert_presets_hold_what_they_promise(draw: Draw, photos: Mapping[str, Sequence[SimulatedPhoto]]) -> None:
    """No spore where none is promised, clumps in heavy photos, the promised objectives, given scales kept."""
    for photo in photos["no_spores"]:
        assert photo.spores == ()
        assert not (photo.kind_map == SPORE).any()
    for photo in photos["heavy"]:
        assert max(s.clump for s in photo.spores) >= 4
    assert {photo.objective for one in ("good_focus", "heavy") for photo in photos[one]} == {10.0}
    assert {photo.objective for photo in photos["scan_4x"]} == {4.0}
    given = draw(8, "ordinary", um_per_px=0.4, objective=20.0)
    assert (given.um_per_px, given.objective) == (0.4, 20.0)
    with pytest.raises(ValueError, match="preset must be one of"):
        draw(1, "easy")


def kinds_shown(photos: Sequence[SimulatedPhoto]) -> int:
    """Count the kinds of things that the photos show between them, background included."""
    return len({int(kind) for photo in photos for kind in np.unique(photo.kind_map)})


def lone_spores(
    photo: SimulatedPhoto, wanted: Callable[[SporeTruth], bool], bare: float = 1 - ALMOST
) -> list[tuple[SporeTruth, Window]]:
    """List wanted spores with bare ground and no other spore around, each with its window.

    Parameters
    ----------
    photo : SimulatedPhoto
    wanted : callable
    bare : float
        More than this share of the window, a length to each side of the centre, is the spore or bare ground.
    """
    rows, cols = photo.kind_map.shape
    lone = []
    for s in filter(wanted, photo.spores):
        reach = int(s.length_um / photo.um_per_px)
        x, y = round(s.x_px), round(s.y_px)
        if not (reach < x < cols - reach - 1 and reach < y < rows - reach - 1):
            continue
        if any(np.hypot(o.x_px - s.x_px, o.y_px - s.y_px) < 2 * reach for o in photo.spores if o is not s):
            continue
        box = (slice(y - reach, y + reach + 1), slice(x - reach, x + reach + 1))
        shown = photo.kind_map[box]
        if (shown == SPORE).any() and np.isin(shown, (0, SPORE)).mean() > bare:
            lone.append((s, box))
    return lone


def light_lost(photo: SimulatedPhoto, box: Window) -> NDArray[np.float64]:
    """Optical density of red, green and blue that a window shows on its spore over what is beside it.

    By a phone's usual tone curve, 2.2 (common practice).
    """
    mine = photo.kind_map[box] == SPORE
    light = (photo.rgb[box] / 255.0) ** 2.2
    return np.log10(np.median(light[~mine], axis=0)) - np.log10(light[mine] + 1e-3).mean(axis=0)


def moved_and_turned(
    photo: SimulatedPhoto, spore: SporeTruth, box: Window, shown: NDArray[Any]
) -> tuple[float, float]:
    """Tell how far what a window shows lies from where the truth says, by its first and second moments.

    Parameters
    ----------
    photo : SimulatedPhoto
    spore : SporeTruth
    box : tuple of slices
    shown : ndarray of the window's shape
        Weight of each pixel, 0 or more.

    Returns
    -------
    moved_um : float
        Of the centre.
    turned_deg : float
        Of the long axis, 0 to 90.
    """
    y, x = np.mgrid[box]
    weight = shown / shown.sum()
    cx, cy = (weight * x).sum(), (weight * y).sum()
    xx, yy, xy = ((weight * a * b).sum() for a, b in ((x - cx, x - cx), (y - cy, y - cy), (x - cx, y - cy)))
    turn = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) - spore.angle_deg
    moved_um = np.hypot(cx - spore.x_px, cy - spore.y_px) * photo.um_per_px
    return float(moved_um), float(abs((turn + 90) % 180 - 90))


def assert_blur_has_the_variance_of_its_map(
    blur: Callable[[np.ndarray, np.ndarray], np.ndarray], rel: float
) -> None:
    """A point, blurred by a map that is even around it, keeps its light and gets the map's variance, in px2."""
    scene = np.zeros((81, 101, 3), np.float32)
    scene[40, 50] = 1
    x = np.arange(101.0) - 50
    for wanted in (1.5, 3.0, 6.0):
        variance = np.full((81, 101), wanted, np.float32)
        variance[0], variance[-1] = 1.0, 9.0  # the range that the copies span; far from the point
        got = blur(scene, variance)[..., 1].astype(float)
        assert got.sum() == pytest.approx(1, abs=2e-3)
        assert (got * x**2).sum() == pytest.approx(wanted, rel=rel)


def assert_stands_alone(package: ModuleType) -> None:
    """Nothing of the program but the record of truth: what the renderers share could hide from all of them."""
    for file in Path(str(package.__file__)).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            assert not isinstance(node, ast.ImportFrom) or node.level == 0, f"{file.name}: relative import"
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                ours = name.startswith(("sporecount", "tests"))
                own = name == package.__name__ or name.startswith(f"{package.__name__}.")
                assert not ours or own or name == "sporecount.simulate.truth", (file.name, name)

"""What the print lies on: paper, cork, plastic, glue, print, rulings."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.relief.forms import roughness, wandering
from sporecount.simulate.relief.recipe import log_uniform
from sporecount.simulate.relief.terrain import Terrain
from sporecount.simulate.truth import KIND_NAMES

_OTHER = KIND_NAMES.index("other")

GROUNDS = ("clear", "card", "laid", "woven", "cork", "plastic", "peel", "halftone", "rulings", "grid")


def lay_ground(rng: np.random.Generator, terrain: Terrain, name: str, strength: float) -> None:
    """Write the ground onto empty maps.

    Parameters
    ----------
    rng : numpy.random.Generator
    terrain : Terrain
    name : str
        One of `GROUNDS`.
    strength : float
        How rough and strong it is; 1 is usual.
    """
    px = terrain.px_um
    bright = rng.uniform(0.55, 0.95)
    terrain.skin[:] = np.clip(bright * rng.uniform(0.9, 1.1, 3), 0, 1)
    if rng.random() < 0.15:
        terrain.skin[:] = rng.uniform(0.1, 0.9, 3)
    terrain.gloss[:] = rng.uniform(0, 0.5)
    cloud = roughness(rng, terrain.shape, log_uniform(rng, 60, 400) / px, 3)
    _add(terrain, 0.02 * strength * rng.uniform(0.2, 1.5) * cloud, 1.0)
    if name == "card":
        _felt(rng, terrain, strength)
    elif name == "laid":
        turn, gap = rng.uniform(0, np.pi), rng.uniform(25, 90)
        bars = np.cos(_along(terrain, turn) * (2 * np.pi / gap) + 0.4 * cloud)
        chain = np.exp(-((np.mod(_along(terrain, turn + np.pi / 2), 9 * gap) / 12) ** 2))
        _add(terrain, 0.04 * strength * (bars + chain + _fine(rng, terrain, 9)), 8.0)
    elif name == "woven":
        turn, gap = rng.uniform(0, np.pi), rng.uniform(18, 80)
        one, two = (np.sin(_along(terrain, turn + k) * (np.pi / gap) + 0.3 * cloud) for k in (0, np.pi / 2))
        over = np.where(one * two > 0, np.abs(one), np.abs(two)) - 0.6
        _add(terrain, 0.12 * strength * (over + 0.3 * _fine(rng, terrain, 7)), 12.0)
    elif name == "cork":
        cells = np.abs(roughness(rng, terrain.shape, rng.uniform(15, 45) / px, 2, 0.4))
        walls = np.exp(-((cells / 0.16) ** 2)).astype(np.float32)
        _add(terrain, 0.12 * strength * (walls - 0.2 + 0.25 * _fine(rng, terrain, 6)), 5.0)
        terrain.skin *= np.array([1, 0.85, 0.65], np.float32)
    elif name == "plastic":
        _scratches(rng, terrain, strength)
    elif name == "peel":
        grain = roughness(rng, terrain.shape, log_uniform(rng, 8, 40) / px, 2, 0.35)
        terrain.glass_um += np.float32(0.35 * strength) * grain
        terrain.height_um += np.float32(1.2 * strength) * grain
        terrain.gloss[:] = rng.uniform(0.2, 0.9)
    elif name == "halftone":
        _halftone(rng, terrain, strength)
    elif name in ("rulings", "grid"):
        _lines(rng, terrain, crossed=name == "grid" or rng.random() < 0.5)
        if name == "grid":
            _felt(rng, terrain, 0.5 * strength)


def _add(terrain: Terrain, density: np.ndarray, rise_um: float) -> None:
    """Add a texture that absorbs, and that also stands up and shades."""
    field = density.astype(np.float32)
    terrain.dye += field[..., None]
    terrain.height_um += np.float32(rise_um) * field
    terrain.skin *= np.clip(1 - 0.6 * field, 0.2, 1.5)[..., None]


def _fine(rng: np.random.Generator, terrain: Terrain, grain_um: float) -> np.ndarray:
    return roughness(rng, terrain.shape, max(grain_um / terrain.px_um, 1.5), 3)


def _along(terrain: Terrain, turn: float) -> np.ndarray:
    x = np.arange(terrain.shape[1], dtype=np.float32) * np.float32(terrain.px_um * np.cos(turn))
    y = np.arange(terrain.shape[0], dtype=np.float32) * np.float32(terrain.px_um * np.sin(turn))
    return x[None, :] + y[:, None]


def _felt(rng: np.random.Generator, terrain: Terrain, strength: float) -> None:
    """Paper: many faint fibres drawn over one another."""
    px, (wide_um, high_um) = terrain.px_um, terrain.size_um()
    felt = np.zeros(terrain.shape, np.float32)
    count = int(np.clip(wide_um * high_um / 2500, 12, 160))
    thick = rng.uniform(6, 20)
    for _ in range(count):
        start = rng.uniform(-0.1, 1.1, 2) * (wide_um, high_um)
        path = wandering(rng, start, rng.uniform(100, 700), rng.uniform(0, 6.3), rng.uniform(0.1, 0.8))
        at = np.round(path / px * 8).astype(np.int32)
        layer = float(rng.uniform(0.3, 1.0))
        width = max(round(thick * rng.uniform(0.5, 1.5) / px), 1)
        mask = np.zeros(terrain.shape, np.uint8) if count < 40 else felt
        cv2.polylines(mask, [at], False, layer if mask is felt else 255, min(width, 200), cv2.LINE_8, 3)
        if mask is not felt:
            felt += layer * (mask > 0)
    soft = cv2.GaussianBlur(felt, (0, 0), max(0.25 * thick / px, 0.5))
    field = soft / (soft.std() + 1e-3) + 0.5 * _fine(rng, terrain, 12)
    _add(terrain, 0.06 * strength * rng.uniform(0.4, 1.4) * (field - field.mean()), 14.0)


def _scratches(rng: np.random.Generator, terrain: Terrain, strength: float) -> None:
    """Fine bright or dark scratches, most of them one way."""
    px, (wide_um, high_um) = terrain.px_um, terrain.size_um()
    way = rng.uniform(0, np.pi)
    for _ in range(int(rng.integers(4, 28) * strength) + 1):
        turn = way + rng.normal(0, rng.choice([0.1, 1.5]))
        path = wandering(
            rng, rng.uniform(-0.2, 1, 2) * (wide_um, high_um), log_uniform(rng, 30, 900), turn, 0.08
        )
        mask = np.zeros(terrain.shape, np.uint8)
        at = np.round(path / px * 8).astype(np.int32)
        cv2.polylines(mask, [at], False, 255, max(round(rng.uniform(0.5, 2.5) / px), 1), cv2.LINE_AA, 3)
        groove = mask.astype(np.float32) / 255
        terrain.height_um -= groove * np.float32(rng.uniform(0.5, 2))
        terrain.glass_um -= groove * np.float32(rng.uniform(0.1, 0.7))


def _halftone(rng: np.random.Generator, terrain: Terrain, strength: float) -> None:
    """Print dots in a slanting raster, large against any spore."""
    gap = rng.uniform(70, 190)
    turn = rng.uniform(0, np.pi / 2)
    one, two = (np.cos(_along(terrain, turn + k) * (2 * np.pi / gap)) for k in (0, np.pi / 2))
    ragged = 0.25 * _fine(rng, terrain, 14)
    dots = np.clip((one + two + ragged - rng.uniform(0.2, 1.2)) * gap / terrain.px_um / 6 + 0.5, 0, 1)
    dye = (rng.uniform(0.05, 0.4) * strength * rng.uniform(0.1, 1.0, 3)).astype(np.float32)
    terrain.dye += dots[..., None] * dye
    terrain.skin *= 10 ** (-1.5 * dots[..., None] * dye)
    terrain.kind[dots > 0.5] = _OTHER


def _lines(rng: np.random.Generator, terrain: Terrain, *, crossed: bool) -> None:
    """Ruled lines, printed or cut in glass."""
    gap, wide = log_uniform(rng, 40, 400), rng.uniform(1.5, 14)
    turn, shift = rng.uniform(0, np.pi), rng.uniform(0, 1, 2) * gap
    dye = (rng.uniform(0.1, 0.9) * (np.ones(3) if rng.random() < 0.6 else rng.uniform(0, 1, 3))).astype(
        np.float32
    )
    cut = rng.random() < 0.4
    for number in range(2 if crossed else 1):
        place = np.mod(_along(terrain, turn + number * np.pi / 2) + shift[number], gap) - gap / 2
        line = np.clip((wide / 2 - np.abs(place)) / terrain.px_um + 0.5, 0, 1).astype(np.float32)
        if cut:
            terrain.height_um -= 2 * line
            terrain.glass_um -= 0.5 * line
        terrain.dye += line[..., None] * dye * (0.3 if cut else 1.0)
        terrain.skin *= 1 - 0.7 * line[..., None] * (1 - 10 ** (-dye))
        terrain.kind[line > 0.5] = _OTHER

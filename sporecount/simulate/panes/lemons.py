"""Spores: prolate lemons with a wall, alone or in clumps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.panes.canvas import Scene


@dataclass(frozen=True)
class Stock:
    """What the spores of one animal have in common.

    Parameters
    ----------
    length_um, slender : float
        Mean length, and mean length over width.
    point : float
        Exponent of the outline: 0.5 is an ellipse, 1 two parabolas that meet in points.
    wall_um : float
    density : float
        Mean optical density over the outline, green.
    amber : ndarray of shape (3,)
        Density of red, green, blue over green.
    index : float
        Refractive index over that of the surroundings.
    """

    length_um: float
    slender: float
    point: float
    wall_um: float
    density: float
    amber: NDArray
    index: float

    @property
    def width_um(self) -> float:
        """Short axis."""
        return self.length_um / self.slender


def draw_stock(rng: np.random.Generator, density: tuple[float, float]) -> Stock:
    """Draw the kind of spore of one animal."""
    return Stock(
        length_um=rng.uniform(9, 15),
        slender=rng.uniform(1.36, 1.74),
        point=rng.uniform(0.6, 0.82),
        wall_um=rng.uniform(0.45, 0.9),
        density=rng.uniform(*density),
        amber=np.array([rng.uniform(0.42, 0.66), 1.0, rng.uniform(1.45, 2.1)]),
        index=rng.uniform(0.025, 0.065),
    )


@dataclass
class Grain:
    """One spore to be drawn, and what was drawn of it."""

    x: float
    y: float
    length_um: float
    width_um: float
    angle_deg: float
    own_blur_um: float
    rows: NDArray
    cols: NDArray
    outline_px: float
    before: NDArray


def _reach(long: Any, wide: Any, angle_deg: Any, towards: Any) -> Any:
    """Distance from the centre of an ellipse to its edge in a direction (radians)."""
    t = towards - np.radians(angle_deg)
    return long * wide / 2 / np.hypot(wide * np.cos(t), long * np.sin(t))


def place(
    rng: np.random.Generator,
    scene: Scene,
    stock: Stock,
    number: int,
    clumps: tuple[float, float],
    press: float,
) -> NDArray:
    """Find places for spores.

    Parameters
    ----------
    number : int
        Spores wanted; fewer come where there is no room.
    clumps : (float, float)
        Share of the spores that lie in clumps, and the mean size of a clump.
    press : float
        Least distance of two neighbours over the distance at which they touch; below 1 they overlap a bit.

    Returns
    -------
    ndarray of shape (n, 5)
        x, y in px; length, width in µm; angle in degrees.
    """
    rows, cols = scene.shape
    px = scene.um_per_px
    out = np.zeros((number, 5))
    n, tries = 0, 0
    lumpy = np.zeros(0, int)
    left = 0
    while n < number and tries < 6 * number + 50:
        tries += 1
        length = np.clip(stock.length_um * (1 + 0.065 * rng.standard_normal()), 7.5, 17)
        slender = np.clip(stock.slender + 0.06 * rng.standard_normal(), 1.3, 1.8)
        width, angle = length / slender, rng.uniform(0, 180)
        grow = left > 0 and len(lumpy) > 0
        if grow:
            base = out[lumpy[int(len(lumpy) * rng.random() ** 0.6)]]
            way = rng.uniform(0, 2 * np.pi)
            gap = _reach(base[2], base[3], base[4], way) + _reach(length, width, angle, way)
            gap *= rng.uniform(press, press + 0.3) / px
            x, y = base[0] + gap * np.cos(way), base[1] + gap * np.sin(way)
        else:
            x, y = rng.uniform(-4, cols + 3), rng.uniform(-4, rows + 3)
        near = out[:n][(np.abs(x - out[:n, 0]) < 18 / px) & (np.abs(y - out[:n, 1]) < 18 / px)]
        dx, dy = (x - near[:, 0]) * px, (y - near[:, 1]) * px
        way = np.arctan2(dy, dx)
        touch = _reach(near[:, 2], near[:, 3], near[:, 4], way) + _reach(length, width, angle, way)
        if np.any(np.hypot(dx, dy) < (press if grow else 1.08) * touch):
            continue
        if not (-6 < x < cols + 5 and -6 < y < rows + 5):
            left -= 1
            continue
        out[n] = x, y, length, width, angle
        if grow:
            lumpy, left = np.append(lumpy, n), left - 1
        elif rng.random() < clumps[0] / (clumps[0] + (1 - clumps[0]) * clumps[1] + 1e-9):
            lumpy, left = np.array([n]), int(rng.geometric(1 / max(clumps[1], 1.01)))
        else:
            left = 0
        n += 1
    return out[:n]


def paint(rng: np.random.Generator, scene: Scene, stock: Stock, row: NDArray, own_blur_um: float) -> Grain:
    """Draw one spore: chord through a lemon of round cross-section, wall darker than body."""
    x, y, length, width, angle = row
    px = scene.px_um(x, y)
    fine = int(np.clip(np.ceil(px / 0.4), 1, 4))
    patch = scene.patch(x, y, length / 2 + 3 * own_blur_um + px, angle, fine)

    def chord(long: float, wide: float) -> NDArray:
        half = np.maximum(1 - (2 * patch.u / long) ** 2, 0) ** stock.point * (wide / 2)
        return 2 * np.sqrt(np.maximum(half**2 - patch.v**2, 0))

    outer = chord(length, width)
    wall = outer - chord(length - 2.4 * stock.wall_um, width - 2 * stock.wall_um)
    cover = patch.shrink(outer > 0)
    # Wall material absorbs about three times as much as the body over the same way.
    dark = patch.shrink(outer + 2.2 * wall)
    full = float(cover.sum())
    level = stock.density * np.exp(0.13 * rng.standard_normal()) * full / max(float(dark.sum()), 1e-6)
    path: NDArray = patch.shrink(outer) * stock.index
    if own_blur_um > 0.15 * px:
        sigma = own_blur_um / px
        dark, path = (np.asarray(cv2.GaussianBlur(a, (0, 0), sigma)) for a in (dark, path))
    both = scene.window(patch.corner, cover.shape)
    if both is None:
        nothing = np.zeros(0, np.int64)
        return Grain(x, y, length, width, angle, own_blur_um, nothing, nothing, full, np.zeros(0))
    there, mine = both
    rows, cols = np.nonzero(cover[mine] >= 0.5)
    rows, cols = rows + there[0].start, cols + there[1].start
    before = scene.above[rows, cols].copy()
    scene.lay(patch.corner, "spore", cover, stock.amber, dark * np.float32(level), path, haze=0.25)
    solid = float((cover >= 0.5).sum())
    return Grain(x, y, length, width, angle, own_blur_um, rows, cols, solid, before)

"""Chance, and thickness fields of simple bodies (um, over coordinates in um)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
Rows = NDArray[np.float64]
One = TypeVar("One")


class Dice:
    """Plain Python numbers from a generator: they leave arrays of single precision as they are."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def even(self, low: float, high: float) -> float:
        """Draw a number, all in the range alike."""
        return float(self.rng.uniform(low, high))

    def log(self, low: float, high: float) -> float:
        """Draw a number whose logarithm is even over the range."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def bell(self, middle: float, spread: float) -> float:
        """Draw a number from a normal distribution."""
        return float(self.rng.normal(middle, spread))

    def chance(self, share: float) -> bool:
        """Tell whether something happens that happens in a share of all cases."""
        return bool(self.rng.random() < share)

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number, both ends included."""
        return int(self.rng.integers(low, high + 1))

    def pick(self, options: Sequence[One], weights: Sequence[float] | None = None) -> One:
        """Draw one of the options, all alike or by weights that add up to 1."""
        return options[int(self.rng.choice(len(options), p=weights))]

    def way(self) -> float:
        """Draw a direction in radians."""
        return self.even(0, 2 * np.pi)


def lemon_half_width(u: Array, half_length: float, half_width: float, point: float) -> Array:
    """Half width of a lemon along its axis; `point` 0.5 gives an ellipse, 1 pointed ends."""
    return half_width * np.clip(1 - (u / half_length) ** 2, 0, None) ** point


def lemon(u: Array, v: Array, half_length: float, half_width: float, point: float) -> Array:
    """Thickness of a lemon, which is round about its long axis."""
    wide = lemon_half_width(u, half_length, half_width, point)
    return 2 * np.sqrt(np.clip(wide**2 - v**2, 0, None))


def ragged(dice: Dice, u: Array, v: Array, radius: float, rough: float, sides: int = 0) -> Array:
    """Distance-like field (um, negative inside) of an irregular outline, angular if it has sides."""
    turn = np.arctan2(v, u)
    edge = np.ones_like(turn)
    for order in range(2, 9):
        edge += dice.bell(0, rough / order) * np.cos(order * turn + dice.way())
    field: Any = np.hypot(u, v) - radius * np.clip(edge, 0.25, None)
    for _ in range(sides):
        way, near = dice.way(), radius * dice.even(0.45, 0.95)
        field = np.maximum(field, u * float(np.cos(way)) + v * float(np.sin(way)) - near)
    return field


def smooth_noise(dice: Dice, shape: tuple[int, ...], grain_row_px: float, grain_col_px: float = 0) -> Array:
    """Noise of mean 0 and spread near 1, with grains of a size along rows and columns."""
    # On a grid finer than the grains, rounded off and doubled step by step, so that no grid shows.
    fine = max(grain_row_px / 3, 1.0), max((grain_col_px or grain_row_px) / 3, 1.0)
    grid = int(shape[0] / fine[0]) + 7, int(shape[1] / fine[1]) + 7
    noise: Any = cv2.GaussianBlur(dice.rng.standard_normal(grid, np.float32), (0, 0), 1.5) * 5.3
    for _ in range(int(np.log2(min(fine)))):
        noise = cv2.pyrUp(noise)
    noise = cv2.resize(noise, (round(grid[1] * fine[1]), round(grid[0] * fine[0])))
    top, left = round(3 * fine[0]), round(3 * fine[1])
    return noise[top : top + shape[0], left : left + shape[1]]


def winding(dice: Dice, start: Rows, way: float, length: float, step: float, wander: float) -> Rows:
    """Points of a curve whose direction drifts; coordinates in the unit of `step`."""
    count = max(int(length / step), 2)
    drift = np.convolve(dice.rng.normal(0, wander, count + 4), [0.1, 0.25, 0.3, 0.25, 0.1], "valid")
    turns = way + np.cumsum(0.5 * drift + dice.bell(0, wander) / count)
    return start + np.cumsum(step * np.stack([np.cos(turns), np.sin(turns)], axis=1), axis=0)


def along_curve(points: Rows, shape: tuple[int, ...], reach: float) -> tuple[Array, Array]:
    """Signed distance (px) to a curve, far off 1000, and share of the way along it."""
    nearest, signed = np.full(shape, 1e3, np.float32), np.full(shape, 1e3, np.float32)
    station = np.zeros(shape, np.float32)
    for index in range(len(points) - 1):
        a, b = points[index], points[index + 1]
        low = np.maximum(np.minimum(a, b) - reach - 1, 0).astype(int)
        high = np.minimum(np.maximum(a, b) + reach + 3, [shape[1], shape[0]]).astype(int)
        if (low >= high).any():
            continue
        x = (np.arange(low[0], high[0]) - a[0]).astype(np.float32)[None, :]
        y = (np.arange(low[1], high[1]) - a[1]).astype(np.float32)[:, None]
        dx, dy = float(b[0] - a[0]), float(b[1] - a[1])
        share = np.clip((x * dx + y * dy) / max(dx * dx + dy * dy, 1e-6), 0, 1)
        away = np.hypot(x - share * dx, y - share * dy)
        box = slice(low[1], high[1]), slice(low[0], high[0])
        nearer = away < nearest[box]
        nearest[box][nearer] = away[nearer]
        signed[box][nearer] = np.where(dx * y - dy * x < 0, -away, away)[nearer]
        station[box][nearer] = ((index + share) / (len(points) - 1))[nearer]
    return signed, station

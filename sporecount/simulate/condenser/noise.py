"""Random fields and curves that several drawers need."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
Rng = np.random.Generator


def clouds(rng: Rng, shape: tuple[int, int], sizes_px: tuple[float, ...], fall: float = 0.7) -> Field:
    """Smooth noise of mean 0 and standard deviation 1, from lumps of several sizes.

    Parameters
    ----------
    sizes_px : tuple of float
        Lump sizes, largest first; each next one is `fall` times as strong.
    """
    total = np.zeros(shape, np.float32)
    for k, size in enumerate(sizes_px):
        # Half-size cells, smoothed: the grid of the cells must not be seen.
        size = max(float(size) / 2, 1.0)
        coarse = (int(shape[0] / size) + 4, int(shape[1] / size) + 4)
        lumps = cv2.GaussianBlur(rng.standard_normal(coarse, dtype=np.float32), (0, 0), 1.3) * 4.6
        move = np.array([[1 / size, 0, rng.uniform(1, 2)], [0, 1 / size, rng.uniform(1, 2)]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        total += fall**k * cv2.warpAffine(
            lumps, move, shape[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT
        )
    return (total - total.mean()) / max(float(total.std()), 1e-6)


def wander(rng: Rng, number: int, roughness: float) -> NDArray[np.float64]:
    """Draw a random line of `number` values around 0 whose spread is about 1; rough 0 to 1."""
    steps = rng.normal(size=(3, number))
    at = np.linspace(0, 1, number)
    wave = sum(
        rng.normal() / k * np.sin(2 * np.pi * (k * at * rng.uniform(0.6, 1.4) + rng.uniform()))
        for k in (1, 2, 3)
    )
    return (1 - roughness) * np.asarray(wave) + roughness * np.convolve(steps[0], np.ones(3) / 3, "same")


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Draw from `low` to `high` with an even logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))

"""Procedural noise: smooth random fields, sums of octaves, and nets of fibres."""

from __future__ import annotations

import cv2
import numpy as np


def maybe(rng: np.random.Generator, share: float, low: float, high: float) -> float:
    """Zero, or with probability `share` a uniform draw between `low` and `high`."""
    return float(rng.uniform(low, high)) if rng.random() < share else 0.0


def smooth_field(
    rng: np.random.Generator, shape: tuple[int, int], cell_px: float, stretch: float = 1.0
) -> np.ndarray:
    """Random field of mean about 0 and standard deviation about 1, shape (H, W) float32.

    Parameters
    ----------
    cell_px : float
        Distance between independent values, at least 1.
    stretch : float
        How much longer the features are along x than along y.
    """
    height, width = shape
    rows = max(2, round(height / max(1.0, cell_px)) + 1)
    columns = max(2, round(width / max(1.0, cell_px * stretch)) + 1)
    grid = rng.standard_normal((rows, columns), dtype=np.float32)
    field = cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC)
    return field * np.float32(1.0 if cell_px <= 1.0 else 1.35)


def octaves(
    rng: np.random.Generator, shape: tuple[int, int], coarse_px: float, fine_px: float, slope: float
) -> np.ndarray:
    """Sum of smooth fields from coarse to fine cells; `slope` is how much each halving keeps, 0.3 to 1."""
    cell, weight, power = coarse_px, 1.0, 0.0
    shrink = 4  # coarse octaves are summed on a coarse grid
    total = np.zeros((shape[0] // shrink + 1, shape[1] // shrink + 1), np.float32)
    while cell >= max(4.0 * shrink, fine_px):
        total += np.float32(weight) * smooth_field(rng, total.shape, cell / shrink)
        power += weight**2
        cell, weight = cell / 2.0, weight * slope
    total = np.asarray(cv2.resize(total, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    while cell >= max(1.0, fine_px):
        total += np.float32(weight) * smooth_field(rng, shape, cell)
        power += weight**2
        cell, weight = cell / 2.0, weight * slope
    return total / np.float32(np.sqrt(max(power, 1e-6)))


def curve(
    rng: np.random.Generator, x: float, y: float, angle: float, length: float, bend: float, points: int
) -> np.ndarray:
    """Points (points, 2) along a wandering curve centred near (x, y); `bend` is its total turn in radians."""
    t = np.linspace(-0.5, 0.5, points)
    wave = rng.normal(0.0, 0.35) * np.sin(2 * np.pi * t + rng.uniform(0, 6.3))
    wave += rng.normal(0.0, 0.2) * np.sin(5 * np.pi * t + rng.uniform(0, 6.3))
    turns = angle + bend * (rng.normal(0.0, 0.6) * t + wave)
    steps = np.stack([np.cos(turns), np.sin(turns)], axis=1) * (length / (points - 1))
    path = np.cumsum(steps, axis=0)
    return path - path[points // 2] + (x, y)


def fibre_net(
    rng: np.random.Generator,
    shape: tuple[int, int],
    count: int,
    width_px: tuple[float, float],
    length_px: tuple[float, float],
    straightness: float,
) -> np.ndarray:
    """Height of a felt of fibres, (H, W) float32: 0 where bare, up to 1 on one, more on crossings."""
    height, width = shape
    layers = 3
    total = np.zeros(shape, np.float32)
    lean = rng.uniform(0, np.pi)
    for _ in range(layers):
        sheet = np.zeros(shape, np.uint8)
        for _ in range(max(1, count // layers)):
            path = curve(
                rng,
                rng.uniform(0, width),
                rng.uniform(0, height),
                lean + rng.normal(0.0, 1.0) * rng.uniform(0.4, 2.0),
                rng.uniform(*length_px),
                rng.uniform(0.1, 2.5) * (1.0 - straightness),
                8,
            )
            thickness = max(1, round(rng.uniform(*width_px)))
            cv2.polylines(
                sheet,
                [np.round(path * 8).astype(np.int32)],
                False,
                int(rng.integers(90, 256)),
                thickness,
                cv2.LINE_AA,
                3,
            )
        total += cv2.GaussianBlur(sheet, (0, 0), max(0.5, 0.11 * sum(width_px))).astype(np.float32) / 255.0
    return total


def emboss(height_map: np.ndarray, angle: float) -> np.ndarray:
    """Slope of a height map towards `angle` (radians): what slanting light makes of a relief."""
    dx = cv2.Sobel(height_map, cv2.CV_32F, 1, 0, ksize=3, scale=0.25)
    dy = cv2.Sobel(height_map, cv2.CV_32F, 0, 1, ksize=3, scale=0.25)
    return np.float32(np.cos(angle)) * dx + np.float32(np.sin(angle)) * dy

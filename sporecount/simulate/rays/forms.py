"""Outlines in µm, thickness of bodies, and textures of filtered noise."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[Any]  # float32, of a window or of the whole scene
Points = NDArray[np.float64]


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def cloud(rng: np.random.Generator, shape: tuple[int, int], cell_px: float) -> Field:
    """Smooth noise of mean 0 and deviation near 1, with lumps about `cell_px` wide."""
    rows, cols = shape
    if cell_px < 2.5:
        fine: Field = rng.standard_normal(shape, dtype=np.float32)
        if cell_px > 0.7:
            fine = cv2.GaussianBlur(fine, (0, 0), cell_px / 2.5)
            fine = fine * np.float32(2 * np.sqrt(np.pi) * cell_px / 2.5)
        return fine
    # A turned and blurred grid, finer than the lumps: a straight one would show as a lattice.
    grid = cell_px / 2
    reach = int(np.hypot(rows, cols) / grid) + 8
    coarse = cv2.GaussianBlur(
        rng.standard_normal((reach, reach), dtype=np.float32), (0, 0), 0.9
    ) * np.float32(3.4)
    angle = rng.uniform(0.2, 1.3)
    c, s = np.cos(angle) / grid, np.sin(angle) / grid
    dx, dy = reach / 2 - (c * cols - s * rows) / 2, reach / 2 - (s * cols + c * rows) / 2
    place = np.array([[c, -s, dx], [s, c, dy]], np.float32)
    # Cubic, because the curvature of straight pieces is a lattice of lines.
    how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(coarse, place, (cols, rows), flags=how, borderMode=cv2.BORDER_REFLECT)


def brushed(
    rng: np.random.Generator, shape: tuple[int, int], long_px: float, wide_px: float, angle: float
) -> Field:
    """Like `cloud`, drawn out to `long_px` along an angle (radians)."""
    rows, cols = shape
    reach = float(np.hypot(rows, cols))
    # As in `cloud`: finer than the lumps and blurred, and a little askew, so that no grid shows.
    fine_long, fine_wide = long_px / 2, max(wide_px, 1.2) / 2
    size = int(reach / fine_wide) + 8, int(reach / fine_long) + 8
    coarse = cv2.GaussianBlur(rng.standard_normal(size, dtype=np.float32), (0, 0), 0.9) * np.float32(3.4)
    c, s = np.cos(angle), np.sin(angle)
    lean = rng.uniform(0.3, 0.7)
    to_long = np.array([c, s]) / fine_long + lean * np.array([-s, c]) / fine_long
    to_wide = np.array([-s, c]) / fine_wide
    middle = np.array([cols, rows]) / 2
    place = np.array(
        [[*to_long, size[1] / 2 - to_long @ middle], [*to_wide, size[0] / 2 - to_wide @ middle]], np.float32
    )
    how = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(coarse, place, (cols, rows), flags=how, borderMode=cv2.BORDER_REFLECT)


def blob(rng: np.random.Generator, size_um: float, rough: float, aspect: float = 1.0) -> Points:
    """Draw a closed outline about `size_um` long: round when `rough` is 0, jagged near 1."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    radius = np.ones(48)
    for k in range(2, 9):
        radius += rough * rng.normal(0, 0.28) / k**0.75 * np.cos(k * turn + rng.uniform(0, 7))
    radius = np.clip(radius, 0.35, 1.8)
    x, y = radius * np.cos(turn), radius * np.sin(turn) / aspect
    half = max(np.abs(x).max(), 1e-6)
    return rotated(np.stack([x, y], 1) * size_um / 2 / half, rng.uniform(0, np.pi))


def shard(rng: np.random.Generator, size_um: float) -> Points:
    """Draw an outline with few straight sides, such as grit or a torn flake."""
    corners = int(rng.integers(4, 8))
    turn = np.sort(rng.uniform(0, 2 * np.pi, corners) * 0.4 + np.arange(corners) * 2 * np.pi / corners * 0.9)
    radius = size_um / 2 * rng.uniform(0.55, 1.0, corners)
    aspect = rng.uniform(1, 2)
    return rotated(
        np.stack([radius * np.cos(turn), radius * np.sin(turn) / aspect], 1), rng.uniform(0, np.pi)
    )


def rotated(points: Points, angle: float) -> Points:
    """Turn points about the origin, from +x towards +y."""
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def wander(rng: np.random.Generator, length_um: float, bend: float) -> Points:
    """Draw a smooth path through the origin; `bend` is about its whole turn in radians."""
    steps = 60
    turn = np.cumsum(rng.normal(0, 1, 7)) * bend / 2.5
    heading = np.interp(np.linspace(0, 6, steps), np.arange(7), turn)
    heading = np.convolve(np.pad(heading, 6, mode="edge"), np.ones(13) / 13, "valid") + rng.uniform(
        0, 2 * np.pi
    )
    path = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], 1), 0) * length_um / steps
    return path - path[steps // 2]


def ribbon(path: Points, half_um: NDArray[np.float64]) -> Points:
    """Outline of a path with a half width at each of its points."""
    along = np.gradient(path, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-along[:, 1], along[:, 0]], 1) * half_um[:, None]
    return np.concatenate([path + normal, (path - normal)[::-1]])


def dome(depth_um: Field, half_um: float, flat: float = 1.0) -> Field:
    """Thickness of a rounded body from the distance to its edge: a cylinder or ball for `flat` 1."""
    x = np.clip(1 - depth_um / np.float32(max(half_um, 1e-3)), 0, 1)
    return np.sqrt(np.maximum(1 - x * x, 0)) * np.float32(2 * half_um * flat)


def plate(depth_um: Field, thick_um: float, edge_um: float) -> Field:
    """Thickness of a flat body whose edge rises over `edge_um`."""
    return np.clip(depth_um / np.float32(edge_um), 0, 1) * np.float32(thick_um)

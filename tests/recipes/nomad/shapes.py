"""Smooth curves and their soft rasters."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.nomad.field import Box, Field, Floats

Curve = NDArray[np.float64]
"""Points (x, y) in µm."""
_SUBPIXEL_BITS = 4


def blob(rng: np.random.Generator, radius_um: float, rough: float, aspect: float = 1.0) -> Curve:
    """Close a smooth curve about the origin; higher harmonics are weaker, as in things shaped by tension."""
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    harmonic = np.arange(2, 9)
    size = rng.normal(0, rough, 7) / (harmonic - 1)
    wave = (size[:, None] * np.cos(harmonic[:, None] * turn + rng.uniform(0, 6.3, (7, 1)))).sum(axis=0)
    r = radius_um * np.clip(1 + wave, 0.25, 2)
    return turned(np.stack([r * np.sqrt(aspect) * np.cos(turn), r / np.sqrt(aspect) * np.sin(turn)], 1), rng)


def shard(rng: np.random.Generator, radius_um: float, corners: int, aspect: float) -> Curve:
    """Close a polygon with straight broken edges."""
    turn = np.sort(
        rng.uniform(0, 2 * np.pi, corners) * 0.35 + np.arange(corners) * 2 * np.pi / corners * 0.95
    )
    r = radius_um * rng.uniform(0.65, 1.15, corners)
    return turned(np.stack([r * np.sqrt(aspect) * np.cos(turn), r / np.sqrt(aspect) * np.sin(turn)], 1), rng)


def turned(curve: Curve, rng: np.random.Generator) -> Curve:
    """Turn a curve by a random angle about the origin."""
    a = rng.uniform(0, 2 * np.pi)
    return curve @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def bent_line(rng: np.random.Generator, length_um: float, bend_rad: float, points: int = 60) -> Curve:
    """Draw an open curve about the origin whose direction drifts smoothly."""
    t = np.linspace(0, 1, points)
    heading = rng.uniform(0, 2 * np.pi) + bend_rad * (
        rng.normal() * t + 0.5 * np.sin(2 * np.pi * (rng.uniform(0.5, 1.6) * t + rng.uniform()))
    )
    step = length_um / points
    line = np.stack([np.cumsum(np.cos(heading)), np.cumsum(np.sin(heading))], 1) * step
    return line - line.mean(axis=0)


def ribbon(line: Curve, width_um: Curve) -> Curve:
    """Close the curve round an open line whose width varies along it."""
    d = np.gradient(line, axis=0)
    normal = np.stack([-d[:, 1], d[:, 0]], 1) / (np.hypot(d[:, 0], d[:, 1])[:, None] + 1e-9)
    half = normal * width_um[:, None] / 2
    return np.concatenate([line + half, (line - half)[::-1]])


def fill(field: Field, curve: Curve, x_um: float, y_um: float) -> tuple[Box, Floats] | None:
    """Raster a closed curve placed in the view as a soft cover, or None outside the view."""
    low, high = curve.min(axis=0), curve.max(axis=0)
    middle = (low + high) / 2
    box = field.window(
        x_um + middle[0], y_um + middle[1], float((high - low).max()) / 2 + 2 * field.um_per_px
    )
    if box is None:
        return None
    # a fine raster, averaged down, keeps the edge soft and true to a fraction of a pixel
    fine = 3 if (box[0].stop - box[0].start) < 160 else 1
    points_px = (curve + np.array([x_um, y_um])) / field.um_per_px - [box[1].start, box[0].start]
    points = np.round(((points_px + 0.5) * fine - 0.5) * 2**_SUBPIXEL_BITS).astype(np.int32)
    rows, cols = box[0].stop - box[0].start, box[1].stop - box[1].start
    raster = np.zeros((rows * fine, cols * fine), np.uint8)
    cv2.fillPoly(raster, [points], 255, cv2.LINE_AA if fine == 1 else cv2.LINE_8, _SUBPIXEL_BITS)
    small = cv2.resize(raster.astype(np.float32) / 255, (cols, rows), interpolation=cv2.INTER_AREA)
    cover = np.asarray(small, np.float32)
    return (box, cover) if cover.any() else None


def depth_um(cover: Floats, um_per_px: float) -> Floats:
    """Distance from the edge of a cover, inward."""
    framed = np.pad((cover > 0.5).astype(np.uint8), 1, mode="edge")
    far = cv2.distanceTransform(framed, cv2.DIST_L2, 5)[1:-1, 1:-1] * um_per_px
    return np.asarray(cv2.GaussianBlur(far, (0, 0), 0.7), np.float32)


def dome_um(depth: Floats, half_width_um: float) -> Floats:
    """Thickness of a rounded body of a half width, from the distance to its edge; flat farther in."""
    rest = np.clip(1 - depth / half_width_um, 0, 1)
    return np.asarray(2 * half_width_um * np.sqrt(1 - rest**2), np.float32)


def soft_noise(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Floats:
    """Smooth noise of mean 0 and variance 1 with a stated grain; coarse grains are made small and enlarged."""
    shrink = max(1.0, grain_px / 3)
    small = (max(4, int(shape[0] / shrink) + 3), max(4, int(shape[1] / shrink) + 3))
    noise = cv2.GaussianBlur(rng.standard_normal(small, np.float32), (0, 0), max(0.3, grain_px / shrink))
    big = cv2.resize(noise, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return np.asarray((big - big.mean()) / (big.std() + 1e-6), np.float32)

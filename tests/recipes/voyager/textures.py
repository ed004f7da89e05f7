"""Surface detail: turbulence, streaks, ridges, and skimage's bundled pictures of rough ground."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import skimage.data
from numpy.typing import NDArray

Floats = NDArray[Any]  # float32 nearly always; OpenCV's own types say no more than a number


def standardised(field: Floats) -> Floats:
    """Shift and stretch a field to mean 0 and standard deviation 1."""
    return ((field - field.mean()) / (field.std() + 1e-6)).astype(np.float32)


def turbulence(
    rng: np.random.Generator,
    shape: tuple[int, int],
    coarsest_px: float,
    octaves: int = 4,
    stretch: float = 1.0,
) -> Floats:
    """Sum noise of halving grain; `stretch` above 1 draws it out along x into streaks."""
    # a field without fine grain is made small and drawn out
    shrink = max(1, int(coarsest_px / 2 ** (octaves - 1) / 2.5))
    if shrink > 1:
        small_shape = (shape[0] // shrink + 2, shape[1] // shrink + 2)
        coarse = turbulence(rng, small_shape, coarsest_px / shrink, octaves, stretch)
        return cv2.resize(coarse, shape[::-1], interpolation=cv2.INTER_LINEAR)
    rows, cols = shape
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        grain_px = max(coarsest_px / 2**octave, 1.0)
        # two cells more than fit: a field coarser than the picture still has a slope
        small = (int(rows / grain_px) + 3, int(cols / (grain_px * stretch)) + 3)
        noise = rng.standard_normal(small, np.float32)
        width, height = int(small[1] * grain_px * stretch) + 1, int(small[0] * grain_px) + 1
        big = cv2.resize(noise, (max(width, cols), max(height, rows)), interpolation=cv2.INTER_CUBIC)
        y = int(rng.integers(0, big.shape[0] - rows + 1))
        x = int(rng.integers(0, big.shape[1] - cols + 1))
        total += big[y : y + rows, x : x + cols] * np.float32(0.62**octave)
    return standardised(total)


@lru_cache(maxsize=4)
def _bundled(name: str) -> Floats:
    """Read one of the pictures that skimage brings with it."""
    file = Path(skimage.data.__file__).parent / f"{name}.png"
    picture = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
    if picture is None:  # another texture in its place would be another photo of the same seed
        raise FileNotFoundError(file)
    return picture.astype(np.float32)


def rough_ground(rng: np.random.Generator, shape: tuple[int, int], name: str, span_px: int) -> Floats:
    """Cut `span_px` of a bundled picture of brick, grass or gravel, drawn to a shape; mean 0, deviation 1."""
    picture = _bundled(name)
    span = min(span_px, *picture.shape)
    y, x = (int(rng.integers(0, side - span + 1)) for side in picture.shape)
    cut = np.rot90(picture[y : y + span, x : x + span], int(rng.integers(4)))
    way = cv2.INTER_AREA if span > max(shape) else cv2.INTER_CUBIC
    return standardised(cv2.resize(np.ascontiguousarray(cut), shape[::-1], interpolation=way))


def ridges(
    rng: np.random.Generator, shape: tuple[int, int], pitch_px: float, wander_px: float, across: bool = False
) -> Floats:
    """Parallel ridges along x (or across it) that wander a little, 0 in the valleys to 1 on the crests."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    place = (x if across else y) + wander_px * turbulence(rng, shape, max(shape) / 3, 2)
    # a ridge finer than the texture's own grain would only alias: let it fade out
    shown = np.clip((pitch_px - 1.8) / 1.5, 0, 1)
    wave = 0.5 + 0.5 * np.cos(2 * np.pi * place / pitch_px + rng.uniform(0, 6.3))
    return (0.4 + shown * (wave**1.7 - 0.4)).astype(np.float32)


def signed_distance_px(inside: NDArray[np.bool_]) -> Floats:
    """Distance to the outline, positive inside."""
    within = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5)
    beyond = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5)
    return np.where(inside, within - 0.5, 0.5 - beyond).astype(np.float32)


def rough_disc(
    rng: np.random.Generator,
    size_px: int,
    rough: float,
    spikes: int = 0,
    spike: float = 0.0,
    aspect: float = 1.0,
) -> Floats:
    """Signed distance (px) to a closed outline of uneven radius that fills about 0.8 of a square tile."""
    y, x = (np.mgrid[:size_px, :size_px].astype(np.float32) + 0.5) / size_px * 2 - 1
    y = y * aspect
    turn = np.arctan2(y, x)
    radius = np.full_like(turn, 0.8)
    for wave in range(2, 9):
        radius += rough * 0.8 / wave * rng.normal() * np.cos(wave * turn + rng.uniform(0, 6.3))
    if spikes:
        radius += spike * (np.abs(np.cos(spikes * turn / 2)) ** 5 - 0.6)
    return signed_distance_px(np.hypot(x, y) < np.clip(radius, 0.25, 0.98))

"""Eyepiece and phone: uneven light, round view, colour, fringe, distortion, noise and its removal, JPEG."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.painted.paint import F32
from sporecount.simulate.painted.sitting import Sitting

_CASTS = {"tungsten": (1.12, 0.98, 0.74), "daylight": (0.95, 1.0, 1.06), "LED": (0.98, 1.03, 0.96),
          "cold LED": (0.88, 1.0, 1.14), "yellow": (1.05, 1.02, 0.82), "neutral": (1.0, 1.0, 1.0)}  # fmt: skip


@dataclass(frozen=True)
class Shot:
    """A picture, and its blur by lens and phone, its distortion, its noise as log10 of luminance."""

    rgb: NDArray[np.uint8]
    in_view: NDArray[np.bool_]
    soft_px: float
    bend: float
    grain: float
    notes: dict[str, object]


def to_photo(points: NDArray, shape: tuple[int, int], bend: float) -> NDArray[np.float64]:
    """Where points of the scene (columns x, y) come to lie in the photo."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    corner2 = (shape[0] ** 2 + shape[1] ** 2) / 4
    target = points - middle
    got = target.copy()
    for _ in range(12):
        got = target / (1 + bend * (got**2).sum(axis=1, keepdims=True) / corner2)
    return np.asarray(got + middle)


def warp(image: NDArray, bend: float, fringe: float = 0.0) -> NDArray:
    """Distort a map of numbers (nearest) or a picture (red and blue apart by the share `fringe`)."""
    rows, cols = image.shape[:2]
    x = np.arange(cols, dtype=np.float32)[None] - np.float32((cols - 1) / 2)
    y = np.arange(rows, dtype=np.float32)[:, None] - np.float32((rows - 1) / 2)
    scale = 1 + np.float32(bend * 4 / (cols**2 + rows**2)) * (x * x + y * y)
    planes = []
    for k, grow in enumerate((fringe, 0.0, -fringe) if image.ndim == 3 else (0.0,)):
        wide = scale * np.float32(1 + grow)
        at = (x * wide + np.float32((cols - 1) / 2), y * wide + np.float32((rows - 1) / 2))
        if image.ndim == 2:
            return cv2.remap(image, *at, cv2.INTER_NEAREST, None, cv2.BORDER_REPLICATE)
        plane = np.ascontiguousarray(image[..., k])
        planes.append(cv2.remap(plane, *at, cv2.INTER_CUBIC, None, cv2.BORDER_REFLECT))
    return np.dstack(planes)


def _field(rng: np.random.Generator, sitting: Sitting) -> tuple[F32, NDArray[np.bool_], str]:
    """Light over the view, per colour, with its cast; the part inside a round view; the lamp."""
    rows, cols = sitting.shape
    lamp = str(rng.choice(list(_CASTS)))
    cast = np.array(_CASTS[lamp]) ** rng.uniform(0.2, 1.0) * np.exp(rng.normal(0, 0.02, 3))
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None] * cols / max(rows, cols)
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None] * rows / max(rows, cols)
    cx, cy = rng.normal(0, 0.2, 2)
    r2 = (x - cx) ** 2 + (y - cy) ** 2
    way, slope = rng.uniform(0, 6.3), rng.uniform(0, 0.5 if sitting.preset == "hard" else 0.25)
    light = (1 - rng.uniform(0, 0.4) * r2) * (1 + slope * (x * math.cos(way) + y * math.sin(way)))
    light = light * (rng.uniform(0.2, 0.5) if sitting.dim else rng.uniform(0.65, 1.12))
    # Towards the edge of the light many eyepieces turn warm or bluish.
    field = light[..., None] * cast * (1 + rng.normal(0, 0.08) * r2[..., None] * np.array([1, 0, -1]))
    in_view = np.ones((rows, cols), bool)
    if rng.random() < 0.22:
        distance = np.hypot(x - 0.4 * cx, y - 0.4 * cy) - rng.uniform(0.68, 1.0)
        in_view = distance < 0
        edge = 1 / (1 + np.exp(np.clip(distance / rng.uniform(0.003, 0.02), -30, 30)))
        field = field * edge[..., None] + rng.uniform(0, 0.004)
    return np.clip(field, 0.0005, 4).astype(np.float32), in_view, lamp


def shoot(rng: np.random.Generator, scene: F32, sitting: Sitting) -> Shot:
    """Take a picture of a linear scene."""
    hard, easy = sitting.preset == "hard", sitting.preset == "good_focus"
    field, in_view, lamp = _field(rng, sitting)
    bend = float(rng.normal(0, 0.006) * (rng.random() < 0.5))
    soft = math.hypot(sitting.sharp_um / sitting.um_per_px, rng.uniform(0.4, 0.8 if easy else 1.1))
    seen = warp(cv2.GaussianBlur(scene, (0, 0), soft), bend, rng.normal(0, 0.0012 if hard else 0.0007))
    seen = np.clip(seen * field, 0, None)
    grain = rng.uniform(0.004, 0.02) * (2.0 if sitting.dim else 1.0) * (0.7 if easy else 1.0)
    spots = rng.standard_normal(seen.shape, np.float32)
    if rng.random() < 0.7:
        lumps = cv2.GaussianBlur(spots, (0, 0), rng.uniform(0.5, 1.6))
        spots = 0.45 * spots + 0.55 * lumps / lumps.std()
    noisy = seen + np.float32(grain) * np.sqrt(seen + 0.02) * spots
    picture = np.clip(noisy, 0, 1).astype(np.float32) ** np.float32(1 / 2.2)
    calm = rng.uniform(0, 1) * (rng.random() < 0.6)
    if calm > 0.05:
        smooth = cv2.bilateralFilter(picture, 5, 0.02 + 0.06 * calm, 1.2 + 1.2 * calm)
        picture += (smooth - picture) * np.float32(0.9 * calm)
    picture += np.float32(rng.uniform(-0.1, 0.5)) * (picture * picture * (3 - 2 * picture) - picture)
    if rng.random() < 0.7:
        around = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.8, 2.2))
        picture += (picture - around) * np.float32(rng.uniform(0.2, 1.6))
    grey = picture.mean(axis=2, keepdims=True)
    picture = np.clip(grey + (picture - grey) * np.float32(rng.uniform(0.65, 1.25)), 0, 1)
    quality = int(rng.integers(60, 98))
    bgr = np.ascontiguousarray(np.round(picture[..., ::-1] * 255).astype(np.uint8))
    code = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    rgb = np.ascontiguousarray(np.asarray(cv2.imdecode(code, cv2.IMREAD_COLOR), np.uint8)[..., ::-1])
    middle = float(np.median(seen[..., 1][in_view])) + 1e-3
    noise = 0.434 * grain * math.sqrt(middle + 0.02) / middle * (1 - 0.5 * calm)
    notes = {"lamp": lamp, "round_view": bool(not in_view.all()), "quality": quality, "distortion": bend}
    return Shot(rgb, in_view, soft, bend, float(noise), notes)

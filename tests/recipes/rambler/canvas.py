"""The sheet that is drawn on, and the plain tools: cover of polygons and strokes, paste, smooth noise."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Floats = NDArray[np.float32]
FINE = 4
"""Sub-pixels a side while an outline is filled."""
BIG_PX = 400
"""Patches longer than this are filled with half the sub-pixels, to save time."""


class Patch(NamedTuple):
    """Cover, 0 to 1, of a thing and the place of its first pixel; it may reach beyond the sheet."""

    top: int
    left: int
    cover: Floats


class Canvas:
    """The scene in linear light, with what lies topmost at each pixel.

    Parameters
    ----------
    scene : ndarray of shape (H, W, 3)
        Bare ground.
    tint : ndarray of shape (3,)
        Mean colour of the ground, under which opaque paints are seen.
    blend : str
        "multiply" filters the light beneath, "alpha" covers it.
    """

    def __init__(self, scene: Floats, tint: Floats, blend: str) -> None:
        self.scene = scene
        self.tint = tint
        self.blend = blend
        self.kind: NDArray[np.uint8] = np.zeros(scene.shape[:2], np.uint8)
        self.owner: NDArray[np.int32] = np.full(scene.shape[:2], -1, np.int32)
        self.scale_here: NDArray[np.bool_] = np.zeros(scene.shape[:2], bool)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.kind.shape
        return rows, cols

    def paste(
        self,
        patch: Patch,
        colour: Floats | tuple[float, ...],
        kind: str,
        *,
        owner: int = -1,
        opacity: float = 1.0,
        hides: bool = True,
        filters: bool | None = None,
    ) -> None:
        """Blend one thing in; `colour` is one colour or one for each pixel of the patch.

        A thing that does not hide lets the spores beneath be seen; `filters` overrules the photo's own blend.
        """
        rows, cols = self.shape
        y0, x0 = max(patch.top, 0), max(patch.left, 0)
        y1 = min(patch.top + patch.cover.shape[0], rows)
        x1 = min(patch.left + patch.cover.shape[1], cols)
        if y0 >= y1 or x0 >= x1:
            return
        inner = (slice(y0 - patch.top, y1 - patch.top), slice(x0 - patch.left, x1 - patch.left))
        box = (slice(y0, y1), slice(x0, x1))
        cover = patch.cover[inner]
        ink = np.asarray(colour, np.float32)
        if ink.ndim == 3:
            ink = ink[inner]
        alpha = (cover * opacity)[..., None]
        ground = self.scene[box]
        if self.blend == "multiply" if filters is None else filters:
            ground *= 1 - alpha + alpha * ink
        else:
            ground += alpha * (ink * self.tint - ground)
        here = cover > 0.5
        self.kind[box][here] = KIND_NAMES.index(kind)
        if hides or owner >= 0:
            self.owner[box][here] = owner
        if kind in ("scale", "scale piece"):
            self.scale_here[box] |= here


def polygon_patch(points_px: NDArray[np.float64], shape: tuple[int, int]) -> Patch | None:
    """Cover of a polygon (x, y rows), cut to the sheet; None if it misses the sheet."""
    frame = _frame(points_px, 2.0, shape)
    if frame is None:
        return None
    left, top, width, height, fine = frame
    raster = np.zeros((height * fine, width * fine), np.uint8)
    fixed = np.round((((points_px - (left, top)) + 0.5) * fine - 0.5) * 16).astype(np.int32)
    cv2.fillPoly(raster, [fixed], 255, cv2.LINE_8, 4)
    return Patch(top, left, _shrunk(raster, width, height))


def stroke_patch(
    points_px: NDArray[np.float64], thickness_px: NDArray[np.float64] | float, shape: tuple[int, int]
) -> Patch | None:
    """Cover of a line of the given thickness, one for all or one for each point; None if off the sheet."""
    thick = np.broadcast_to(thickness_px, len(points_px))
    frame = _frame(points_px, float(thick.max()) / 2 + 2, shape)
    if frame is None:
        return None
    left, top, width, height, fine = frame
    raster = np.zeros((height * fine, width * fine), np.uint8)
    fixed = np.round((((points_px - (left, top)) + 0.5) * fine - 0.5) * 16).astype(np.int32)
    for start, end, size in zip(fixed[:-1], fixed[1:], thick[1:], strict=True):
        cv2.line(raster, start.tolist(), end.tolist(), 255, max(1, round(size * fine)), cv2.LINE_8, 4)
    return Patch(top, left, _shrunk(raster, width, height))


def smooth_noise(rng: Generator, shape: tuple[int, int], grain_px: float) -> Floats:
    """Noise of mean 0 and about unit spread whose lumps are `grain_px` wide."""
    rows, cols = (max(2, int(np.ceil(n / grain_px)) + 1) for n in shape)
    small = rng.standard_normal((rows, cols)).astype(np.float32)
    if grain_px <= 1:
        return small[: shape[0], : shape[1]]
    return cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC) * np.float32(1.3)


def own_axes(patch: Patch, x_px: float, y_px: float, angle: float) -> tuple[Floats, Floats]:
    """Pixel distances along and across a direction (radians) from a point, for each pixel of a patch."""
    rows, cols = patch.cover.shape
    x = np.arange(cols, dtype=np.float32)[None, :] + np.float32(patch.left - x_px)
    y = np.arange(rows, dtype=np.float32)[:, None] + np.float32(patch.top - y_px)
    cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return x * cos + y * sin, y * cos - x * sin


def turned(points: NDArray[np.float64], angle: float, x_px: float, y_px: float) -> NDArray[np.float64]:
    """Turn points about 0 and carry them to a place."""
    cos, sin = np.cos(angle), np.sin(angle)
    return points @ np.array([[cos, sin], [-sin, cos]]) + (x_px, y_px)


def _frame(
    points_px: NDArray[np.float64], margin_px: float, shape: tuple[int, int]
) -> tuple[int, int, int, int, int] | None:
    low = np.maximum(np.floor(points_px.min(axis=0) - margin_px), 0).astype(int)
    high = np.minimum(np.ceil(points_px.max(axis=0) + margin_px) + 1, shape[::-1]).astype(int)
    if (high <= low).any():
        return None
    width, height = high - low
    return (
        int(low[0]),
        int(low[1]),
        int(width),
        int(height),
        FINE // 2 if max(width, height) > BIG_PX else FINE,
    )


def _shrunk(raster: NDArray[np.uint8], width: int, height: int) -> Floats:
    small = cv2.resize(raster, (width, height), interpolation=cv2.INTER_AREA)
    return small.astype(np.float32) / np.float32(255)

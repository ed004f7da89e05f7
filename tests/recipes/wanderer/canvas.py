"""The fine canvas that all things are laid upon, in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
MIN_SIDE_PX = 3
"""Windows smaller than this, cut by the edge of the canvas, are left out."""


@dataclass(frozen=True)
class Frame:
    """A window of the canvas with coordinates in µm along (`u`) and across (`v`) a thing."""

    box: tuple[slice, slice]
    u: Array
    v: Array


@dataclass
class Canvas:
    """Light (H, W, 3) with maps of the topmost kind, the topmost spore (-1: none) and the scales."""

    light: Array
    px_um: float
    from_above: bool

    def __post_init__(self) -> None:
        shape = self.light.shape[:2]
        self.kinds: NDArray[np.uint8] = np.zeros(shape, np.uint8)
        self.owner: NDArray[np.int32] = np.full(shape, -1, np.int32)
        self.scaled: NDArray[np.bool_] = np.zeros(shape, bool)
        self.clear: Array = np.ones(shape, np.float32)

    def frame(self, x: float, y: float, angle: float, reach_um: float | tuple[float, float]) -> Frame | None:
        """Window of half sides `reach_um` around a canvas point; None where too little of it is inside."""
        rows, cols = self.kinds.shape
        wide, high = (r / self.px_um + 2 for r in np.broadcast_to(reach_um, 2))
        top, bottom = max(0, int(y - high)), min(rows, int(y + high) + 2)
        left, right = max(0, int(x - wide)), min(cols, int(x + wide) + 2)
        if bottom - top < MIN_SIDE_PX or right - left < MIN_SIDE_PX:
            return None
        dy = ((np.arange(top, bottom) - y) * self.px_um).astype(np.float32)[:, None]
        dx = ((np.arange(left, right) - x) * self.px_um).astype(np.float32)[None, :]
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return Frame((slice(top, bottom), slice(left, right)), c * dx + s * dy, c * dy - s * dx)

    def edge(self, distance_um: Array) -> Array:
        """Coverage 0..1 from a signed distance, one fine pixel soft."""
        return np.clip(0.5 - distance_um / np.float32(self.px_um), 0, 1)

    def soften(self, picture: Array, sigma_um: float) -> Array:
        sigma = sigma_um / self.px_um
        if sigma < 0.3:
            return picture
        rows, cols = picture.shape[:2]
        if sigma < 7 or min(rows, cols) < 8:
            return np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma), np.float32)
        # A wide blur loses nothing at a quarter of the size.
        small = cv2.resize(picture, (cols // 4, rows // 4), interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), sigma / 4)
        return np.asarray(cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)

    def lay(
        self,
        frame: Frame,
        density: Array,
        tint: Array,
        kind: str,
        cover: NDArray[np.bool_],
        *,
        soft_um: float = 0.0,
        hides: bool = True,
        owner: int = -1,
    ) -> None:
        """Darken the light by an optical density (for green) and note what lies on top.

        A thing that does not hide leaves the spores beneath it on the map.
        """
        soft = self.soften(density, soft_um)
        light, factor = self.light[frame.box], np.float32(-2.3026) * tint
        if soft.size > 100_000:
            # Threads fill little of their large windows.
            touched = np.abs(soft) > 1e-4
            light[touched] *= np.exp(soft[touched][:, None] * factor)
        else:
            light *= np.exp(soft[..., None] * factor)
        owners, kinds = self.owner[frame.box], self.kinds[frame.box]
        if not hides:
            cover = cover & (owners < 0)
        kinds[cover] = KIND_NAMES.index(kind)
        owners[cover] = owner
        if kind == "scale":
            self.scaled[frame.box] |= cover

    def hide(self, frame: Frame, cover: NDArray[np.bool_], kind: str) -> None:
        """Note a part of a clear thing that hides what lies beneath."""
        self.kinds[frame.box][cover] = KIND_NAMES.index(kind)
        self.owner[frame.box][cover] = -1

    def veil(self, frame: Frame, cover: Array, share: float) -> None:
        """Scatter in a scale: fine detail beneath it loses this share; `clear` notes what is left."""
        below = self.light[frame.box]
        mixed = cover[..., None] * np.float32(share)
        below += mixed * (self.soften(below, 5.0) - below)
        self.clear[frame.box] *= 1 - mixed[..., 0]

    def shadow(self, frame: Frame, cover: Array, depth_um: float) -> None:
        """Under a lamp from above, a soft shadow to the lower right."""
        if self.from_above:
            step = max(1, round(depth_um / self.px_um))
            moved = np.zeros_like(cover)
            if min(cover.shape) > step + 1:
                moved[step:, step:] = cover[:-step, :-step]
            self.light[frame.box] *= 1 - np.float32(0.28) * self.soften(moved, depth_um / 2)[..., None]


def noise(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Array:
    """Smooth noise of unit spread with grains of about `grain_px`."""
    small = (max(3, int(shape[0] / grain_px) + 2), max(3, int(shape[1] / grain_px) + 2))
    raw = rng.standard_normal(small, dtype=np.float32)
    if grain_px <= 1:
        return rng.standard_normal(shape, dtype=np.float32)
    return 1.3 * cv2.resize(raw, shape[::-1], interpolation=cv2.INTER_CUBIC)

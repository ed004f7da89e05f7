"""The layers that a print is made of, and the small tools to lay a thing onto them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
Box = tuple[slice, slice]

KIND = {name: number for number, name in enumerate(KIND_NAMES)}


@dataclass
class Sheet:
    """One sheet of things, on a grid of `px_um` micrometres."""

    absorb: Array  # (H, W, 3), optical density
    relief: Array  # (H, W), optical path over that of the glue, µm
    kinds: NDArray[np.uint8]
    clear: Array  # (H, W), share of its contrast that a thing beneath keeps
    px_um: float

    @classmethod
    def bare(cls, shape: tuple[int, int], px_um: float) -> Sheet:
        """Make an empty sheet."""
        return cls(
            np.zeros((*shape, 3), np.float32),
            np.zeros(shape, np.float32),
            np.zeros(shape, np.uint8),
            np.ones(shape, np.float32),
            px_um,
        )

    def box(self, x: float, y: float, reach_um: float) -> Box | None:
        """Return the window to each side of a place, cut to the sheet; None where nothing of it is left."""
        rows, cols = self.kinds.shape
        reach = reach_um / self.px_um + 2
        x0, x1 = max(0, int(x - reach)), min(cols, int(x + reach) + 2)
        y0, y1 = max(0, int(y - reach)), min(rows, int(y + reach) + 2)
        return (slice(y0, y1), slice(x0, x1)) if x1 - x0 > 1 and y1 - y0 > 1 else None

    def along(self, box: Box, x: float, y: float, angle: float) -> tuple[Array, Array]:
        """Distances in µm along and across a direction through a place, over a window."""
        dx = (np.arange(box[1].start, box[1].stop, dtype=np.float32) - np.float32(x)) * np.float32(self.px_um)
        dy = (np.arange(box[0].start, box[0].stop, dtype=np.float32) - np.float32(y)) * np.float32(self.px_um)
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return dx[None] * c + dy[:, None] * s, dy[:, None] * c - dx[None] * s

    def edge(self, distance_um: Array) -> Array:
        """Share of each pixel that a thing covers, from the signed distance to its outline (inside below 0)."""
        return np.clip(0.5 - distance_um / np.float32(self.px_um), 0, 1)

    def lay(
        self, box: Box, cover: Array, density: Array, tint: Array, relief: Array, kind: str, clear: float
    ) -> None:
        """Lay one thing over what is there."""
        self.absorb[box] += (cover * density)[..., None] * tint.astype(np.float32)
        self.relief[box] *= 1 - np.float32(0.6) * cover
        self.relief[box] += cover * relief
        self.kinds[box][cover > 0.5] = KIND[kind]
        self.clear[box] *= 1 - cover * np.float32(1 - clear)


def cloud(rng: np.random.Generator, shape: tuple[int, ...], size_px: float) -> Array:
    """Draw smooth noise of about unit spread with lumps of a given size."""
    rows, cols = (max(2, int(n / size_px) + 3) for n in shape)
    if size_px <= 1:
        return rng.standard_normal(shape, dtype=np.float32)
    grid = rng.standard_normal((rows, cols), dtype=np.float32)
    big = cv2.resize(grid, (int(cols * size_px) + 1, int(rows * size_px) + 1), interpolation=cv2.INTER_CUBIC)
    return np.asarray(big[: shape[0], : shape[1]], np.float32) * np.float32(1.35)


def tint(red: float, green: float, blue: float) -> Array:
    """Scale a colour's densities so that a grey eye sees 1."""
    colour = np.array([red, green, blue], np.float32)
    return np.asarray(colour / (colour @ np.array([0.3, 0.59, 0.11], np.float32)), np.float32)


def size_um(rng: np.random.Generator, middle: float, spread: float, low: float, high: float) -> float:
    """Draw a size around a middle, with a long upper tail, within limits."""
    return float(np.clip(middle * np.exp(rng.normal(0, spread)), low, high))

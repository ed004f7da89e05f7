"""The fine grid that things are put on: absorbances by wavelength and height, and what lies topmost."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES
from tests.recipes.drifter.style import WAVELENGTHS_NM, Array

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
LOW, HIGH = 0, 1
"""Layers: on the tape itself, and riding on what lies there."""
HIDES = 0.4
"""Absorbance from which a thing hides what lies beneath it."""


@dataclass(frozen=True)
class Patch:
    """A window of the canvas, with the place of each of its points from the centre of a thing, in µm."""

    box: tuple[slice, slice]
    dx_um: Array
    dy_um: Array

    def turned(self, angle_rad: float) -> tuple[Array, Array]:
        """Return places along and across a direction."""
        c, s = np.float32(np.cos(angle_rad)), np.float32(np.sin(angle_rad))
        return self.dx_um * c + self.dy_um * s, self.dy_um * c - self.dx_um * s


class Canvas:
    """The world of one photo on a grid finer than the photo's own."""

    def __init__(self, width_px: int, height_px: int, um_per_px: float, top_lit: bool) -> None:
        self.fine = 2 if um_per_px > 0.9 else 1
        self.grain_um = um_per_px / self.fine
        self.shape = (height_px * self.fine, width_px * self.fine)
        self.width_um, self.height_um = width_px * um_per_px, height_px * um_per_px
        self.absorbance = np.zeros((2, len(WAVELENGTHS_NM), *self.shape), np.float32)
        self.glow = np.zeros((len(WAVELENGTHS_NM) if top_lit else 0, *self.shape), np.float32)
        self.kind = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.on_scale = np.zeros(self.shape, bool)

    @property
    def area_mm2(self) -> float:
        """Area of the view."""
        return self.width_um * self.height_um / 1e6

    def place(self, x_um: float, y_um: float) -> tuple[int, int]:
        """Return row and column of the grid's nearest point inside the view."""
        row = min(max(int(y_um / self.grain_um), 0), self.shape[0] - 1)
        return row, min(max(int(x_um / self.grain_um), 0), self.shape[1] - 1)

    def patch(self, x_um: float, y_um: float, reach_um: float) -> Patch | None:
        """Cut the window around a place; None outside the view."""
        g = self.grain_um
        left, right = max(int((x_um - reach_um) / g), 0), min(int((x_um + reach_um) / g) + 2, self.shape[1])
        upper, lower = max(int((y_um - reach_um) / g), 0), min(int((y_um + reach_um) / g) + 2, self.shape[0])
        if left >= right or upper >= lower:
            return None
        xs = ((np.arange(left, right) + 0.5) * g - x_um).astype(np.float32)
        ys = ((np.arange(upper, lower) + 0.5) * g - y_um).astype(np.float32)
        dx, dy = np.meshgrid(xs, ys)
        return Patch((slice(upper, lower), slice(left, right)), dx, dy)

    def edge(self, inside_um: Array) -> Array:
        """Turn a distance inside an outline into the share of each point that is covered."""
        return np.clip(inside_um / self.grain_um + 0.5, 0, 1).astype(np.float32)

    def put(
        self,
        patch: Patch,
        cover: Array,
        density: Array | float,
        hue: tuple[float, ...],
        kind: str,
        *,
        layer: int = LOW,
        shine: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0),
        owner: int = -1,
        halo: Array | float = 0.0,
    ) -> None:
        """Lay a thing over all that lies there already.

        `density` holds within `cover`; `halo`, light turned aside at edges, is added everywhere and has no colour.
        """
        rows, cols = patch.box
        own = (cover * density).astype(np.float32)
        for number, share in enumerate(hue):
            self.absorbance[layer, number, rows, cols] += own * np.float32(share) + halo
        if len(self.glow):
            passed = 10 ** (-2 * np.clip(own, 0, 3)) * (1 - 0.15 * cover)
            for number, share in enumerate(shine):
                glow = self.glow[number, rows, cols]
                glow *= passed
                glow += cover * np.float32(share)
        inside = cover > 0.5
        self.kind[patch.box][inside] = KIND[kind]
        if kind == "scale":
            self.on_scale[patch.box] |= inside
        if owner >= 0:
            self.owner[patch.box][inside] = owner
        else:
            self.owner[patch.box][inside & (own > HIDES)] = -1


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> NDArray[np.float32]:
    """Draw noise of unit deviation that varies over about `grain_px`."""
    small = (max(int(shape[0] / grain_px) + 3, 4), max(int(shape[1] / grain_px) + 3, 4))
    noise = rng.standard_normal(small, dtype=np.float32)
    big = cv2.resize(noise, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return (big / (big.std() + 1e-6)).astype(np.float32)

"""Distance and noise fields in small windows, and the sheet that things are laid on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[Any]
"""Floats; those of the size of a photo are float32."""
LUMA = np.array([0.3, 0.59, 0.11], np.float32)
KIND = {name: number for number, name in enumerate(KIND_NAMES)}
SEEN_THROUGH = 0.35
"""Optical density above which a scale hides what lies beneath it."""


def noise_field(rng: np.random.Generator, shape: tuple[int, int], cell_px: float, octaves: int = 3) -> Array:
    """Smooth noise of mean 0 and standard deviation near 1, each octave half as coarse and half as strong."""
    rows, cols = shape
    total = np.zeros(shape, np.float32)
    power = 0.0
    for octave in range(octaves):
        cell = max(cell_px / 2**octave, 1.0)
        grid = rng.standard_normal((int(rows / cell) + 3, int(cols / cell) + 3), np.float32)
        # Cut after resizing a grid larger than the window, so that small windows get no whole period.
        size = (max(cols, round(grid.shape[1] * cell)), max(rows, round(grid.shape[0] * cell)))
        total += cv2.resize(grid, size, interpolation=cv2.INTER_CUBIC)[:rows, :cols] / 2**octave
        # Between its nodes a cubic surface keeps about half of the variance.
        power += 0.55 / 4**octave
    return total / np.float32(np.sqrt(power))


def transmission(density: Array, tint: Array) -> Array:
    """Share of the light that passes, per channel; where light is gathered (below 0) it has no tint."""
    lost = density[..., None]
    return np.asarray(np.exp(-np.log(10) * np.where(lost > 0, lost * tint, lost)), np.float32)


@dataclass(frozen=True)
class Patch:
    """A window of the sheet, with finer points inside it: `x_um` a row and `y_um` a column, from its anchor."""

    window: tuple[slice, slice]
    x_um: Array
    y_um: Array
    finer: int
    step_um: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the fine points."""
        return self.y_um.shape[0], self.x_um.shape[1]

    def turned(self, angle: float) -> tuple[Array, Array]:
        """Coordinates along and across the direction `angle` (radians, from +x towards +y)."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return self.x_um * c + self.y_um * s, self.y_um * c - self.x_um * s

    def noise(self, rng: np.random.Generator, cell_um: float, octaves: int = 2) -> Array:
        """Noise with cells of a size in um."""
        return noise_field(rng, self.shape, cell_um / self.step_um, octaves)

    def coarse(self, fine: Array) -> Array:
        """Average the fine points of each pixel."""
        size = (fine.shape[1] // self.finer, fine.shape[0] // self.finer)
        return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float32)


class Sheet:
    """Light that comes through, changed in place, and what lies on top at each pixel.

    `edge_um` softens every outline; `strength` multiplies densities, as light from above passes things twice.
    """

    def __init__(self, light: Array, px_um: float, edge_um: float, strength: float = 1.0) -> None:
        shape = light.shape[:2]
        self.light = light
        self.px_um = px_um
        self.edge_um = edge_um
        self.strength = strength
        self.kinds: NDArray[Any] = np.zeros(shape, np.uint8)
        self.owner: NDArray[Any] = np.full(shape, -1, np.int32)
        self.scaled: NDArray[Any] = np.zeros(shape, bool)
        self.clear: NDArray[Any] = np.ones(shape, np.float32)
        self.layers: NDArray[Any] = np.zeros(shape, np.uint8)

    def patch(self, x: float, y: float, reach_um: float, fine_um: float = 0.4) -> Patch:
        """Window within `reach_um` of a point in pixels of the sheet; off the sheet, a pixel of its edge."""
        rows, cols = self.kinds.shape
        reach = reach_um / self.px_um + 1
        r0, c0 = int(np.clip(y - reach, 0, rows - 1)), int(np.clip(x - reach, 0, cols - 1))
        r1, c1 = int(np.clip(y + reach + 2, r0 + 1, rows)), int(np.clip(x + reach + 2, c0 + 1, cols))
        finer = int(np.clip(round(self.px_um / fine_um), 1, 4))
        at_y = (np.arange((r1 - r0) * finer) + 0.5) / finer - 0.5 + r0 - y
        at_x = (np.arange((c1 - c0) * finer) + 0.5) / finer - 0.5 + c0 - x
        x_um, y_um = (at_x * self.px_um).astype(np.float32), (at_y * self.px_um).astype(np.float32)
        window = (slice(r0, r1), slice(c0, c1))
        return Patch(window, x_um[None], y_um[:, None], finer, self.px_um / finer)

    def fill(self, patch: Patch, distance: Array) -> Array:
        """Share covered, from the signed distance (negative inside) in um: half on the outline."""
        soft = max(self.edge_um, patch.step_um)
        return np.clip(0.5 - np.asarray(distance, np.float32) / np.float32(soft), 0, 1)

    def darken(self, patch: Patch, density: Array, tint: Array) -> None:
        """Multiply the light by the transmission of a density; `tint` says how each channel takes part."""
        self.light[patch.window] *= transmission(patch.coarse(density) * self.strength, tint)

    def lay(self, patch: Patch, cover: Array, density: Array, tint: Array, kind: str) -> None:
        """Darken by a thing, and let it be on top, also where it is clear: no spore under it is asked for."""
        self.darken(patch, density, tint)
        self.claim(patch, cover, kind)

    def claim(self, patch: Patch, cover: Array, kind: str, owner: int = -1) -> None:
        """Say that a thing is on top where it covers half of a pixel."""
        mine = patch.coarse(cover) > 0.5
        self.kinds[patch.window][mine] = KIND[kind]
        self.owner[patch.window][mine] = owner
        if owner >= 0:
            self.layers[patch.window][mine] += 1

    def scatter(self, patch: Patch, cover: Array, density: Array, haze: float) -> None:
        """Let a scale smear what lies beneath it, and claim the pixels where that is no longer to be seen."""
        window = self.light[patch.window]
        share = (patch.coarse(cover) * haze)[..., None]
        window += share * (cv2.GaussianBlur(window, (0, 0), max(4.0 / self.px_um, 0.5)) - window)
        on = patch.coarse(cover) > 0.5
        self.scaled[patch.window] |= on
        self.clear[patch.window] *= 1 - share[..., 0]
        hidden = (patch.coarse(density) > SEEN_THROUGH) | (self.clear[patch.window] < 0.5)
        mine = on & (hidden | (self.owner[patch.window] < 0))
        self.kinds[patch.window][mine] = KIND["scale"]
        self.owner[patch.window][mine] = -1

"""The sheet under the lens: what swallows light, what throws it back, and what lies on top."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from sporecount.simulate.truth import KIND_NAMES
from tests.recipes.rover.fields import Array, coverage

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
MARGIN_UM = 25.0
"""Patches reach this far beyond the view, so that a spore on the border has its whole outline."""
HIDES = 0.6
"""A thing at least so opaque hides what is beneath."""


class Patch(NamedTuple):
    """A part of the sheet in a thing's own coordinates."""

    top_px: int
    left_px: int
    u_um: Array
    v_um: Array


@dataclass
class Paint:
    """How a thing meets light.

    Parameters
    ----------
    hue : tuple of float
        Optical density of red, green, blue where the strength is 1.
    strength : float or ndarray
        For the whole patch or per pixel.
    throws_back : float
        Share of light from above that its own surface throws back.
    colour : tuple of float
        Of that light.
    opaque : float
        0 to 1; from `HIDES` on, what is beneath counts as hidden.
    """

    hue: tuple[float, ...]
    strength: float | Array
    throws_back: float = 0.1
    colour: tuple[float, float, float] = (0.5, 0.45, 0.4)
    opaque: float = 1.0


class Sheet:
    """Layers of the scene, in pixels of the photo."""

    def __init__(self, height_px: int, width_px: int, um_per_px: float) -> None:
        self.shape = (height_px, width_px)
        self.um_per_px = um_per_px
        self.density = np.zeros((height_px, width_px, 3), np.float32)
        self.albedo = np.ones((height_px, width_px, 3), np.float32)
        self.kind = np.zeros(self.shape, np.uint8)
        self.owner = np.zeros(self.shape, np.int32)
        self.on_scale = np.zeros(self.shape, bool)

    @property
    def size_um(self) -> tuple[float, float]:
        """Height and width."""
        return self.shape[0] * self.um_per_px, self.shape[1] * self.um_per_px

    def patch(self, x_um: float, y_um: float, reach_um: float, angle_rad: float) -> Patch | None:
        """Cut the patch around a point in coordinates turned by an angle; none if it is out of view."""
        margin = int(MARGIN_UM / self.um_per_px) + 2
        edges = []
        for centre, size in ((y_um, self.shape[0]), (x_um, self.shape[1])):
            low = int(np.floor((centre - reach_um) / self.um_per_px)) - 2
            high = int(np.ceil((centre + reach_um) / self.um_per_px)) + 3
            edges.append((max(low, -margin), min(high, size + margin)))
        (top, bottom), (left, right) = edges
        if bottom - top < 3 or right - left < 3:
            return None
        y = (np.arange(top, bottom, dtype=np.float32) * self.um_per_px - y_um)[:, None]
        x = (np.arange(left, right, dtype=np.float32) * self.um_per_px - x_um)[None]
        c, s = np.float32(np.cos(angle_rad)), np.float32(np.sin(angle_rad))
        return Patch(top, left, c * x + s * y, c * y - s * x)

    def put(self, patch: Patch, level_um: Array, paint: Paint, kind: str, owner: int = 0) -> float:
        """Lay a thing on the sheet; gives its area in pixels, in view or not."""
        share = coverage(level_um, self.um_per_px)
        area = float((share >= 0.5).sum())
        rows, cols = np.nonzero(share)
        y, x = rows + patch.top_px, cols + patch.left_px
        seen = (y >= 0) & (y < self.shape[0]) & (x >= 0) & (x < self.shape[1])
        rows, cols, y, x = rows[seen], cols[seen], y[seen], x[seen]
        part = share[rows, cols]
        strength = paint.strength[rows, cols] if isinstance(paint.strength, np.ndarray) else paint.strength
        density = (part * strength)[:, None].astype(np.float32) * np.array(paint.hue, np.float32)
        self.density[y, x] += density
        # light from above passes a thin thing twice, less what never comes back
        albedo = self.albedo[y, x] * 10 ** (-1.4 * density)
        self.albedo[y, x] = albedo + (part * paint.throws_back)[:, None] * np.array(paint.colour, np.float32)
        inside = part >= 0.5
        y, x = y[inside], x[inside]
        self.kind[y, x] = KIND[kind]
        if owner or paint.opaque >= HIDES:
            self.owner[y, x] = owner
        if kind in ("scale", "scale piece"):
            self.on_scale[y, x] = True
        return area

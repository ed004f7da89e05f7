"""The sheet on which things are laid: what passes light, what throws it back, and how high it stands."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES
from tests.recipes.pilgrim.palette import Floats, Pigment, Rng

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
NOBODY = -1
HIDING_DENSITY = 0.25
"""Transmitted light that passed this much density no longer shows well what lies beneath."""


class Patch(NamedTuple):
    """A thing drawn upright on its own little sheet."""

    cover: Floats
    density: Floats
    height_um: Floats
    pitch_um: float
    pigment: Pigment
    kind: str
    scatter: float = 0.0
    """Least share of the light from above that it throws back where it covers."""


def pitch_for(um_per_px: float) -> float:
    """Draw finer than the photo where the photo is coarse."""
    return um_per_px if um_per_px < 0.8 else um_per_px / 2


def own_grid(half_x_um: float, half_y_um: float, pitch_um: float) -> tuple[Floats, Floats]:
    """Lay out x and y in µm around a thing's own middle."""
    nx, ny = int(np.ceil(half_x_um / pitch_um)), int(np.ceil(half_y_um / pitch_um))
    y, x = np.mgrid[-ny : ny + 1, -nx : nx + 1].astype(np.float32) * np.float32(pitch_um)
    return x, y


def clouds(shape: tuple[int, int], coarse_px: float, rng: Rng, octaves: int = 3) -> Floats:
    """Draw smooth noise of unit spread whose largest lumps span `coarse_px`."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        step = max(coarse_px / 2**octave, 1.0)
        small = rng.standard_normal((int(shape[0] / step) + 3, int(shape[1] / step) + 3), dtype=np.float32)
        turn = np.array([[1 / step, 0, rng.random()], [0, 1 / step, rng.random()]], np.float32)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        total += 0.6**octave * cv2.warpAffine(
            small, turn, shape[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT
        )
    return np.asarray(total / max(float(total.std()), 1e-6), np.float32)


class Scene:
    """The growing sheet. `passes` and `returns` are its looks from below and from above, before any lamp."""

    def __init__(self, shape: tuple[int, int], um_per_px: float, from_above: float) -> None:
        self.shape = shape
        self.um_per_px = um_per_px
        self.from_above = from_above
        self.passes: Floats = np.ones((*shape, 3), np.float32)
        self.returns: Floats = np.ones((*shape, 3), np.float32)
        self.height_um: Floats = np.zeros(shape, np.float32)
        self.kind: NDArray[np.uint8] = np.zeros(shape, np.uint8)
        self.owner: NDArray[np.int32] = np.full(shape, NOBODY, np.int32)
        self.on_scale: NDArray[np.bool_] = np.zeros(shape, bool)
        self.scales = 0

    def somewhere(self, rng: Rng, margin_um: float = 0.0) -> tuple[float, float]:
        """Pick a place in the view, or up to a margin outside."""
        margin = margin_um / self.um_per_px
        x = rng.uniform(-margin, self.shape[1] - 1 + margin)
        return float(x), float(rng.uniform(-margin, self.shape[0] - 1 + margin))

    def lay(self, patch: Patch, x_px: float, y_px: float, angle_deg: float) -> None:
        """Turn a patch by an angle from +x towards +y and lay its middle on a place."""
        shrink = patch.pitch_um / self.um_per_px
        layers: Floats = np.dstack((patch.cover, patch.density, patch.height_um)).astype(np.float32)
        rows, cols = patch.cover.shape
        if shrink < 0.9:
            layers = cv2.GaussianBlur(layers, (0, 0), 0.35 / shrink)
        c, s = shrink * np.cos(np.radians(angle_deg)), shrink * np.sin(np.radians(angle_deg))
        half_x = (abs(c) * cols + abs(s) * rows) / 2 + 2
        half_y = (abs(s) * cols + abs(c) * rows) / 2 + 2
        x0, x1 = max(int(x_px - half_x), 0), min(int(x_px + half_x) + 1, self.shape[1])
        y0, y1 = max(int(y_px - half_y), 0), min(int(y_px + half_y) + 1, self.shape[0])
        if x0 >= x1 or y0 >= y1:
            return
        mx, my = (cols - 1) / 2, (rows - 1) / 2
        turn = np.array([[c, -s, x_px - x0 - c * mx + s * my], [s, c, y_px - y0 - s * mx - c * my]])
        laid: Floats = cv2.warpAffine(layers, turn, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR)
        box = (slice(y0, y1), slice(x0, x1))
        self.press(box, laid[..., 0], laid[..., 1], laid[..., 2], patch.pigment, patch.kind, patch.scatter)

    def press(
        self,
        box: tuple[slice, slice],
        cover: Floats,
        density: Floats,
        height_um: Floats,
        pigment: Pigment,
        kind: str,
        scatter: float = 0.0,
        owner: int = NOBODY,
    ) -> None:
        """Lay one more film over what is there: transmittances multiply, and opaque bodies hide."""
        self.passes[box] *= np.exp(np.float32(-2.3026) * density[..., None] * pigment.absorb)
        clear = np.exp(
            np.float32(-2.3026 * 2.2) * density
        )  # the light from above crosses it on a slant, twice
        opaque = np.maximum(cover * (1 - clear), scatter * cover)
        body = pigment.body * (0.65 + 0.6 * np.sqrt(clear))[..., None]
        self.returns[box] += (body - self.returns[box]) * opaque[..., None]
        self.height_um[box] += height_um
        inside = cover >= 0.5
        self.kind[box][inside] = KIND[kind]
        if kind == "scale":
            self.on_scale[box] |= inside
        if owner == NOBODY:
            hides = opaque > 0.5 if self.from_above > 0.5 else density > HIDING_DENSITY
            self.owner[box][inside & hides] = NOBODY
        else:
            self.owner[box][inside] = owner

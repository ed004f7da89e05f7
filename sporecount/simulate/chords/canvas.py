"""The canvas: optical density laid down by blur, kinds and owners from the bottom to the top."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.chords.solids import Array
from sporecount.simulate.truth import KIND_NAMES

STEP, HIDES = 1.22, 0.42
"""Ratio of neighbouring blurs; density from which a thing hides a spore beneath it."""
LUMA = np.array([0.3, 0.59, 0.11], np.float32)


@dataclass(frozen=True)
class Optics:
    """Objective and focus; `shape` is that of the view in px."""

    um_per_px: float
    na: float
    sharp_um: float
    focus_um: float
    tilt: Array
    bow_um: float
    axial: float
    shape: tuple[int, int]

    def depth_um(self, x_px: Array | float, y_px: Array | float, z_um: float) -> Array:
        """Height over the focal plane at a place of the view."""
        rows, cols = self.shape
        bow = self.bow_um * np.cos(3.0 * x_px / cols + 1) * np.cos(2.4 * y_px / rows)
        lean = self.tilt[0] * (x_px - cols / 2) + self.tilt[1] * (y_px - rows / 2)
        return np.asarray(z_um - self.focus_um + lean * self.um_per_px + bow)

    def step_of(self, depth_um: Array) -> Array:
        """Give the number of the blur, with fractions, that a depth has."""
        most = np.log(max(1.5, 30 * self.um_per_px / self.sharp_um))
        spread = 0.5 * np.log1p((depth_um * self.na / 2.4 / self.sharp_um) ** 2)
        return np.minimum(spread, most) / np.log(STEP)


def blur(image: Array, sigma_px: float, sharp_px: float) -> Array:
    """Blur by a bell of `sharp_px` and an even disc, of `sigma_px` in all."""
    shrink = max(1, int(np.sqrt(max(sigma_px**2 - sharp_px**2, 0)) / 1.3))
    # Softened first, so that a coarser grid moves nothing.
    soft_px = max(sharp_px, 0.55 * shrink if shrink > 1 else 0)
    radius = 2 * np.sqrt(max(sigma_px**2 - soft_px**2, 0))
    image = cv2.GaussianBlur(
        image, (0, 0), soft_px if radius > 2.5 else sigma_px, borderType=cv2.BORDER_REPLICATE
    )
    if radius <= 2.5:
        return image
    rows, cols = image.shape
    image = cv2.resize(image, (max(cols // shrink, 1), max(rows // shrink, 1)), interpolation=cv2.INTER_AREA)
    grid = np.arange(-int(radius / shrink) - 1, int(radius / shrink) + 2)
    disc = np.clip(radius / shrink + 0.5 - np.hypot(*np.meshgrid(grid, grid)), 0, 1)
    image = cv2.filter2D(image, -1, disc / disc.sum(), borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(image, (cols, rows), interpolation=cv2.INTER_CUBIC)


@dataclass(frozen=True)
class Frame:
    """A window with coordinates in µm about a thing's centre, along and across it; `fine` points a pixel."""

    box: tuple[slice, slice]
    u: Array
    v: Array
    fine: float

    def reduce(self, values: Array) -> Array:
        """Values of the pixels from those on the window's grid."""
        rows, cols = (s.stop - s.start for s in self.box)
        way = cv2.INTER_AREA if self.fine > 1 else cv2.INTER_LINEAR
        values = values.astype(np.float32)
        return (
            values
            if values.shape[:2] == (rows, cols)
            else cv2.resize(values, (cols, rows), interpolation=way)
        )


class Canvas:
    """Densities by blur, apart for spores and the rest, with a margin around the view."""

    def __init__(self, optics: Optics) -> None:
        self.optics, self.margin = optics, int(np.clip(19 / optics.um_per_px, 40, 220))
        (rows, cols), m = optics.shape, self.margin
        self.shape, self.view = (rows + 2 * m, cols + 2 * m), (slice(m, m + rows), slice(m, m + cols))
        self.layers: dict[tuple[bool, int], Array] = {}
        self.drawn_px: dict[int, int] = {}
        self.kinds, self.owner = np.zeros(self.shape, np.uint8), np.zeros(self.shape, np.int32)
        self.over, self.gleam = np.zeros(self.shape, np.float32), np.zeros((*self.shape, 3), np.float32)
        self.scale_here = np.zeros(self.shape, bool)

    def frame(self, x_px: float, y_px: float, angle_deg: float, reach_um: float) -> Frame:
        """Window about a place of the view, cut at the canvas (a pixel of its edge for a place outside)."""
        px, box, axes = self.optics.um_per_px, [], []
        # Small things need parts of a pixel; large ones under high power do not need every pixel.
        fine = 2.0 if px > 0.55 and reach_um < 60 else 0.5 if px < 0.3 and reach_um > 60 else 1.0
        for at, size in ((y_px + self.margin, self.shape[0]), (x_px + self.margin, self.shape[1])):
            low = int(np.clip(at - reach_um / px - 1, 0, size - 1))
            high = int(np.clip(at + reach_um / px + 3, low + 1, size))
            points = max(int((high - low) * fine), 1)
            box.append(slice(low, high))
            axes.append(
                ((np.arange(points) + 0.5) * (high - low) / points - 0.5 + low - at).astype(np.float32) * px
            )
        y, x = axes[0][:, None], axes[1][None]
        c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
        return Frame((box[0], box[1]), x * c + y * s, y * c - x * s, fine)

    def lay(self, frame: Frame, density: Array, z_um: float, kind: str, body: Array, spore: int = 0) -> float:
        """Lay a thing down by its density (h, w, 3) and its outline (h, w) bool; give back its blur in µm."""
        density, body = frame.reduce(density), frame.reduce(body) > 0.5
        y, x = (np.arange(s.start, s.stop) - self.margin for s in frame.box)
        if spore or max(density.shape) * self.optics.um_per_px < 80:
            steps = np.round(self.optics.step_of(self.optics.depth_um(x.mean(), y.mean(), z_um)))
        else:
            # A large thing goes over from blur to blur where the view is tilted.
            steps = self.optics.step_of(self.optics.depth_um(x[None], y[:, None], z_um))
        for step in range(int(steps.min()), int(np.ceil(steps.max())) + 1):
            if (key := (spore > 0, step)) not in self.layers:
                self.layers[key] = np.zeros((*self.shape, 3), np.float32)
            self.layers[key][frame.box] += density * np.maximum(1 - np.abs(steps - step), 0)[..., None]
        kinds, owner, over = self.kinds[frame.box], self.owner[frame.box], self.over[frame.box]
        if spore:
            self.drawn_px[spore] = max(int(body.sum()), 1)
            kinds[body], owner[body], over[body] = KIND_NAMES.index("spore"), spore, 0
        else:
            over += np.where(body, np.maximum(density @ LUMA, 0), 0)
            owner[body & (over > HIDES)] = 0
            kinds[body & (owner == 0)] = KIND_NAMES.index(kind)
        self.scale_here[frame.box] |= body & (kind == "scale")
        return float(self.optics.sharp_um * STEP ** steps.mean())

    def light(self, spore: bool) -> Array:
        """Share of light that passes the spores, or all else, in the view and after blur."""
        passed, sharp = np.ones((*self.shape, 3), np.float32), self.optics.sharp_um / self.optics.um_per_px
        for (mine, step), density in self.layers.items():
            for k in range(3 if mine == spore else 0):
                sigma = sharp * max(STEP**step * (1 + self.optics.axial * (k - 1)), 0.8)
                passed[..., k] *= blur(np.exp(-np.log(10) * density[..., k]), sigma, min(sharp, sigma))
        return np.maximum(passed[self.view], 0)

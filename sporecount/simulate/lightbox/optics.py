"""Light on its way through the print: the spread of a point out of focus, and the canvas to lay things on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Rng = np.random.Generator
LUMA = np.array([0.3, 0.59, 0.11], np.float32)
LN10 = float(np.log(10))


@lru_cache(maxsize=4096)
def spread(radius: int, ring: int, sigma: int) -> tuple[Array, float]:
    """Spread of a point, `ring` of it in the disc's edge, and its variance along an axis; arguments in tenths."""
    r, q, s = radius / 10, ring / 10, max(sigma / 10, 0.05)
    half = int(np.ceil(r * 1.1 + 3 * s + 1))
    x = np.arange(-half, half + 1, dtype=np.float32)
    d = np.hypot(x[None], x[:, None])
    disc = np.clip(r - d + 0.5, 0, 1)
    edge = np.exp(-0.5 * ((d - 0.88 * r) / (0.1 * r + 0.5)) ** 2)
    kernel = (1 - q) * disc / disc.sum() + q * edge / edge.sum() if r > 0.5 else (d == 0).astype(np.float32)
    # The Gaussian reaches past the kernel, hence the zeros around it.
    kernel = cv2.GaussianBlur(kernel.astype(np.float32), (0, 0), s, borderType=cv2.BORDER_CONSTANT)
    kernel /= kernel.sum()
    return kernel, float((kernel * x[None] ** 2).sum())


@dataclass(frozen=True)
class Lens:
    """What the optics does to every thing alike.

    `sigma_um` is the blur in focus, `ring` the share of light in the edge of a defocused disc, `colour_um` how far
    red and blue come to focus from green; then the defocus over the view, as the radius of the disc, with sign.
    """

    sigma_um: float
    ring: float
    colour_um: float
    middle_um: float
    tilt_um: Array
    bowl_um: float
    wave_um: Array

    def defocus_um(self, x: float, y: float, shape: tuple[int, int]) -> float:
        """Tell the defocus of the card at a place of the photo."""
        u, v = x / shape[1] - 0.5, y / shape[0] - 0.5
        i, j = np.mgrid[:4, :4]
        wave = (self.wave_um * np.cos(1.6 * (i * u + j * v) + 2.1 * (i - j))).sum()
        bowl = self.bowl_um * 2 * (u * u + v * v)
        return float(self.middle_um + self.tilt_um[0] * u + self.tilt_um[1] * v + bowl + wave)

    def kernels(self, defocus_um: float, px_um: float) -> tuple[list[Array], float]:
        """Kernels of red, green and blue, and the variance of green in um2."""
        shifts = (self.colour_um, 0.0, -self.colour_um) if self.colour_um > 0.12 else (0.0,)
        fixed = round(10 * self.ring), round(10 * self.sigma_um / px_um)
        drawn = [spread(round(10 * abs(defocus_um + d) / px_um), *fixed) for d in shifts]
        return [k for k, _ in drawn], drawn[len(drawn) // 2][1] * px_um**2


def blur(picture: Array, kernels: list[Array]) -> Array:
    """Blur all channels by one kernel, or each by its own."""
    if len(kernels) == 1:
        return np.asarray(cv2.filter2D(picture, -1, kernels[0], borderType=cv2.BORDER_REPLICATE))
    planes = [blur(np.ascontiguousarray(picture[..., c]), [k]) for c, k in enumerate(kernels)]
    return np.stack(planes, axis=-1)


@dataclass
class Window:
    """A part of the view, `fine` times finer, rim as wide as its blur; x_um, y_um from its thing's centre."""

    top: int
    left: int
    bottom: int
    right: int
    fine: int
    px_um: float
    x_um: Array
    y_um: Array
    kernels: list[Array]
    variance_um2: float
    defocus_um: float

    def turned(self, angle: float) -> tuple[Array, Array]:
        """Return coordinates along and across a direction."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return self.x_um * c + self.y_um * s, self.y_um * c - self.x_um * s

    def cover(self, distance_um: Array) -> Array:
        """Share of each fine sample inside an outline, from the distance to it (negative inside)."""
        return np.clip(0.5 - distance_um / self.px_um, 0, 1)

    def coarse(self, picture: Array) -> Array:
        """Average down to photo pixels."""
        if self.fine == 1:
            return picture
        size = (self.right - self.left, self.bottom - self.top)
        return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA))


class Canvas:
    """The view while things are laid on it; lit from above, they hide what is below and shine themselves."""

    def __init__(self, light: Array, um_per_px: float, lens: Lens, from_above: bool) -> None:
        self.light, self.um_per_px, self.lens, self.from_above = light, um_per_px, lens, from_above
        self.shape: tuple[int, int] = (light.shape[0], light.shape[1])
        self.kinds = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.stack = np.zeros(self.shape, np.uint8)
        self.scaled = np.zeros(self.shape, bool)
        self.clear = np.ones(self.shape, np.float32)

    def window(self, x: float, y: float, reach_um: float, depth_um: float, sample_um: float) -> Window:
        """Open a window around a thing, cut to what can show in the view, with samples of about a size."""
        fine = int(np.clip(np.ceil(self.um_per_px / sample_um), 1, 5))
        px = self.um_per_px / fine
        defocus = self.lens.defocus_um(x, y, self.shape) + depth_um
        kernels, variance = self.lens.kernels(defocus, px)
        rim = max(len(k) for k in kernels) // 2 // fine + 2
        reach = reach_um / self.um_per_px + rim
        # Out of the view a window keeps one pixel, and `lay` drops it.
        top = int(np.clip(y - reach, -rim, self.shape[0] + rim - 1))
        left = int(np.clip(x - reach, -rim, self.shape[1] + rim - 1))
        bottom = int(np.clip(y + reach + 2, top + 1, self.shape[0] + rim))
        right = int(np.clip(x + reach + 2, left + 1, self.shape[1] + rim))
        xs = (left + (np.arange((right - left) * fine) + 0.5) / fine - 0.5 - x) * self.um_per_px
        ys = (top + (np.arange((bottom - top) * fine) + 0.5) / fine - 0.5 - y) * self.um_per_px
        x_um, y_um = np.meshgrid(xs.astype(np.float32), ys.astype(np.float32))
        return Window(top, left, bottom, right, fine, px, x_um, y_um, kernels, variance, defocus)

    def lay(self, at: Window, through: Array, cover: Array, kind: int, shine: Array | None = None) -> Array:
        """Lay what a thing lets pass and adds (fine); the density that it adds, and its cover: (h, w, 2)."""
        rows = slice(max(at.top, 0), min(at.bottom, self.shape[0]))
        cols = slice(max(at.left, 0), min(at.right, self.shape[1]))
        if rows.start >= rows.stop or cols.start >= cols.stop:
            return np.zeros((0, 0, 2), np.float32)
        (r0, r1), (c0, c1) = ((b.start - e, b.stop - e) for b, e in ((rows, at.top), (cols, at.left)))
        cut = (slice(r0, r1), slice(c0, c1))
        passed, box = at.coarse(blur(through.astype(np.float32), at.kernels))[cut], (rows, cols)
        below = self.light[box]
        after = below * passed
        if shine is not None:
            after += at.coarse(blur(shine.astype(np.float32), at.kernels))[cut]
        density = -np.log10((after @ LUMA + 1e-4) / (below @ LUMA + 1e-4))
        self.light[box] = after
        covered = at.coarse(cover.astype(np.float32))[cut]
        on = covered >= 0.5
        # Through a translucent thing a spore stays in sight. What it hides itself does not hide it.
        clear = self.clear[box] * (passed @ LUMA)
        seen = (clear > 0.42) & (self.kinds[box] == 1) & (kind != 1)
        self.clear[box] = np.where(on, 1, self.clear[box]) if kind == 1 else clear
        self.kinds[box][on & ~seen] = kind
        self.owner[box][on & ~seen] = -1
        if kind == 2:
            self.scaled[box] |= on
        return np.dstack([density, covered])

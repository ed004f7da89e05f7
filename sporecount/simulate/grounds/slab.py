"""Sheets of matter at three depths: how things are laid into them, and how light and blur go through them."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
DEEP, PRINT, TAPE = 0, 1, 2
"""The sheets, from the bottom: in the card's surface, the print itself, in the glue and on the tape."""


@dataclass(frozen=True)
class Light:
    """Light from above and strength of shaded slopes, 0 to 1 each, and where the side light travels to."""

    above: float
    side: float
    dx: float
    dy: float


@dataclass(frozen=True)
class Patch:
    """A small window, finer than the photo by a whole number, with coordinates around its thing in um."""

    left: int
    top: int
    fine: int
    step_um: float
    x_um: Array
    y_um: Array

    def turned(self, angle: float) -> tuple[Array, Array]:
        """Coordinates along and across a direction."""
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return self.x_um * c + self.y_um * s, self.y_um * c - self.x_um * s


@dataclass
class Scene:
    """All that lies on the ground. Coordinates in um start at the centre of the first pixel, margin included."""

    shape: tuple[int, int]
    px_um: float
    light: Light
    passed: list[Array] = field(init=False)
    added: list[Array] = field(init=False)
    kinds: NDArray[np.uint8] = field(init=False)
    owner: NDArray[np.int32] = field(init=False)
    scaled: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        self.passed = [np.ones((*self.shape, 3), np.float32) for _ in range(3)]
        self.added = [np.zeros((*self.shape, 3), np.float32) for _ in range(3)]
        self.kinds = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.scaled = np.zeros(self.shape, bool)

    def patch(self, x_um: float, y_um: float, reach_um: float, finest_um: float = 0.4) -> Patch:
        """Make a window around a place, fine enough that `finest_um` is resolved (at most 4 times finer)."""
        fine = int(np.clip(np.ceil(self.px_um / finest_um - 0.2), 1, 4))
        half = int(np.ceil(reach_um / self.px_um)) + 1
        middle = round(x_um / self.px_um), round(y_um / self.px_um)
        step = self.px_um / fine
        firsts, sides = [], []
        for at, place, extent in zip(middle, (x_um, y_um), self.shape[::-1], strict=True):
            first, last = at - half, at + half
            if half > 140:
                # Most of a large thing may lie outside: leave that out, but for an edge.
                first = int(np.clip(first, -8, extent + 4))
                last = int(np.clip(last, first + 3, max(extent + 8, first + 3)))
            # The fine pixels of pixel 0 are centred around 0.
            along = (np.arange((last - first + 1) * fine) - (fine - 1) / 2) * step
            firsts.append(first)
            sides.append((along + first * self.px_um - place).astype(np.float32))
        return Patch(firsts[0], firsts[1], fine, step, sides[0][None], sides[1][:, None])

    def lay(
        self,
        patch: Patch,
        sheet: int,
        distance_um: np.ndarray,
        od: np.ndarray | float,
        tint: Array,
        kind: str,
        *,
        outside_od: np.ndarray | float = 0.0,
        albedo: float = 0.5,
        gloss: np.ndarray | float = 0.0,
        relief_um: float = 2.0,
        clear: bool = False,
        owner: int = -1,
    ) -> int:
        """Lay a thing on top of all that is there; the pixels that it covers, those beyond the scene included.

        Parameters
        ----------
        patch, sheet : Patch, int
        distance_um : ndarray
            Signed distance to the outline on the patch, negative inside.
        od, outside_od : ndarray or float
            Optical density inside, and of what surrounds the thing (halo, wet rim).
        tint : ndarray of shape (3,)
            Density of red, green and blue for each unit of density.
        kind : str
        albedo, gloss : float or ndarray
            Light that it throws back when lit from above, and light added as a reflex.
        relief_um : float
            Height, for shading and shadow.
        clear : bool
            Spores beneath stay to be seen.
        owner : int
            Number of the spore that this is.
        """
        light = self.light
        cover = np.asarray(np.clip(0.5 - distance_um / patch.step_um, 0, 1), np.float32)
        density = np.asarray(cover * od + (1 - cover) * outside_od, np.float32)
        passed = np.exp(density[..., None] * (-np.float32(np.log(10)) * tint))
        added = np.zeros_like(passed)
        if light.side > 0 or light.above > 0:
            height = np.clip(-distance_um / max(relief_um, 0.3), 0, 1)
            dome = np.sqrt(1 - (1 - height) ** 2).astype(np.float32)
            slope_y, slope_x = np.gradient(dome, patch.step_um / max(relief_um, 0.3))
            slope = np.clip(slope_x * light.dx + slope_y * light.dy, -1, 1)
            # A slope that faces the light is paler, the one behind it darker.
            passed *= np.exp(0.7 * light.side * slope * cover)[..., None]
            far = min(1.2 * relief_um, 6.0) / patch.step_um
            move = np.array([[1, 0, light.dx * far], [0, 1, light.dy * far]], np.float32)
            shadow = cv2.warpAffine(cover, move, cover.shape[::-1]) * (1 - cover)
            passed *= (1 - 0.35 * max(light.side, 0.5 * light.above) * shadow)[..., None]
            thrown = albedo * light.above * np.power(np.float32(10), -0.45 * np.float32(tint))
            added += (cover * np.clip(1 - passed.mean(2), 0, 1))[..., None] * thrown
        if not np.isscalar(gloss) or gloss:
            added += np.asarray(cover * gloss, np.float32)[..., None]
        if patch.fine > 1:
            size = (cover.shape[1] // patch.fine, cover.shape[0] // patch.fine)
            cover, passed, added = (
                np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), np.float32)
                for part in (cover, passed, added)
            )
        covered = int((cover >= 0.5).sum())
        rows, cols = self.shape
        y0, y1 = max(patch.top, 0), min(patch.top + cover.shape[0], rows)
        x0, x1 = max(patch.left, 0), min(patch.left + cover.shape[1], cols)
        if y0 >= y1 or x0 >= x1:
            return covered
        here = (slice(y0, y1), slice(x0, x1))
        part = (slice(y0 - patch.top, y1 - patch.top), slice(x0 - patch.left, x1 - patch.left))
        self.passed[sheet][here] *= passed[part]
        self.added[sheet][here] = self.added[sheet][here] * passed[part] + added[part]
        inside = cover[part] >= 0.5
        if kind == "scale":
            self.scaled[here] |= inside
        if clear:
            inside = inside & (self.owner[here] < 0)
        self.kinds[here][inside] = KIND_NAMES.index(kind)
        self.owner[here][inside] = owner
        return covered


def egg_distance(u: Array, v: Array, half_um: float, wide_um: float, power: float) -> Array:
    """Signed distance in um, about right near the outline (u/half)^2 + (|v|/wide)^power = 1; power 2: ellipse."""
    along, across = np.abs(u) / half_um, np.abs(v) / wide_um
    level = along**2 + across**power - 1
    steep = np.hypot(2 * along / half_um, power * across ** (power - 1) / wide_um)
    return np.asarray(np.maximum(level / np.maximum(steep, 0.5 / half_um), -wide_um), np.float32)


def clouds(rng: np.random.Generator, shape: tuple[int, int], grain_px: tuple[float, float] | float) -> Array:
    """Smooth noise of mean 0 and standard deviation about 1, with a grain that may differ down and across."""
    down, across = grain_px if isinstance(grain_px, tuple) else (grain_px, grain_px)
    # Grains wider than the picture still need some nodes to draw from.
    nodes = (int(shape[0] / max(down, 1)) + 3, int(shape[1] / max(across, 1)) + 3)
    field_ = rng.standard_normal(nodes).astype(np.float32)
    smooth = np.asarray(cv2.resize(field_, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)
    return np.asarray(smooth * np.float32(1.3), np.float32)


def blur_by_map(picture: Array, variance_px2: Array) -> Array:
    """Blur each place by its own variance, as a blend of evenly blurred copies.

    Blending two copies linearly in the variance gives exactly the variance between them.
    """
    low, high = float(np.sqrt(variance_px2.min())), float(np.sqrt(variance_px2.max()))
    count = 1 if high - low < 0.05 * high + 0.02 else int(np.clip(np.ceil((high - low) / 0.8), 2, 5))
    levels = np.linspace(low, high, count) ** 2 if count > 1 else np.array([variance_px2.mean()])
    result = np.zeros_like(picture)
    for k, level in enumerate(levels):
        sigma = float(np.sqrt(level))
        copy = cv2.GaussianBlur(picture, (0, 0), sigma) if sigma > 0.25 else picture
        weight = np.ones_like(variance_px2)
        if k > 0:
            weight = np.minimum(weight, (variance_px2 - levels[k - 1]) / (level - levels[k - 1]))
        if k + 1 < count:
            weight = np.minimum(weight, (levels[k + 1] - variance_px2) / (levels[k + 1] - level))
        result += copy * np.clip(weight, 0, 1).astype(np.float32)[..., None]
    return result

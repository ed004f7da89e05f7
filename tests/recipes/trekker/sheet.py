"""The sheet on which everything is painted from the bottom up, and the bare ground that it starts from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES
from tests.recipes.trekker.style import LUMA, Array, Style, log_uniform

KIND = {name: number for number, name in enumerate(KIND_NAMES)}
Box = tuple[slice, slice]
SEEN_THROUGH = 0.5
"""A thing that lets less light than this through hides what lies beneath it."""


class Window(NamedTuple):
    """A part of the sheet with coordinates of its own, in um along and across a thing's axis."""

    box: Box
    u: Array
    v: Array


@dataclass
class Sheet:
    """Light leaving the print, linear, red, green and blue, with the maps that become the truth."""

    light: Array
    px_um: float
    from_above: bool
    kinds: NDArray[np.uint8] = field(init=False)
    owner: NDArray[np.int32] = field(init=False)
    scaled: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """Start with nothing on the ground."""
        rows, cols = self.light.shape[:2]
        self.kinds = np.zeros((rows, cols), np.uint8)
        self.owner = np.full((rows, cols), -1, np.int32)
        self.scaled = np.zeros((rows, cols), bool)

    def window(self, x: float, y: float, reach_um: float, angle: float = 0.0) -> Window | None:
        """Cut out the square of `reach_um` around a place; None where it lies wholly off the sheet."""
        rows, cols = self.kinds.shape
        reach = reach_um / self.px_um + 1
        left, right = max(0, int(x - reach)), min(cols, int(x + reach) + 2)
        top, bottom = max(0, int(y - reach)), min(rows, int(y + reach) + 2)
        if left >= right or top >= bottom:
            return None
        dx = (np.arange(left, right, dtype=np.float32) - np.float32(x))[None] * np.float32(self.px_um)
        dy = (np.arange(top, bottom, dtype=np.float32) - np.float32(y))[:, None] * np.float32(self.px_um)
        cos, sin = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        return Window((slice(top, bottom), slice(left, right)), dx * cos + dy * sin, dy * cos - dx * sin)

    def edge(self, distance_um: Array) -> Array:
        """Coverage of pixels from their distance to an outline, negative inside."""
        return np.clip(0.5 - distance_um / np.float32(self.px_um), 0, 1)

    def paint(
        self, box: Box, alpha: Array, density: Array, kind: str, cover: float = 0.5, soft_um: float = 0.0
    ) -> None:
        """Lay a thing on the sheet, by its coverage of pixels and its optical density for red, green and blue.

        `cover` is the share of light from above that it throws back by itself, `soft_um` the blur of a thing that
        lies higher or lower than the spores.
        """
        through = np.power(np.float32(10), -np.clip(density, -0.4, 2.5)).astype(np.float32)
        factor = 1 + alpha[..., None] * (through * np.float32(1 - cover * self.from_above) - 1)
        added = alpha[..., None] * through * np.float32(0.55 * cover * self.from_above)
        sigma = soft_um / self.px_um
        if sigma > 0.3:
            factor, added = (
                cv2.GaussianBlur(one, (0, 0), sigma).astype(np.float32) for one in (factor, added)
            )
        if self.from_above and cover > 0.4 and alpha.size < 300_000:
            # Lit from one side, it throws a shadow.
            shift = round(min(3 / self.px_um, alpha.shape[1] / 4))
            shadow = cv2.GaussianBlur(np.roll(alpha, shift, axis=1), (0, 0), 0.5 + 1.2 / self.px_um)
            self.light[box] *= 1 - 0.3 * shadow[..., None]
        self.light[box] = self.light[box] * factor + added
        on = alpha > 0.5
        seen = (factor @ LUMA < SEEN_THROUGH) | (self.from_above and cover > 0.4)
        # A spore beneath a clear thing stays the spore that one sees.
        hidden = on & ((self.owner[box] < 0) | seen)
        self.kinds[box][hidden] = KIND[kind]
        self.owner[box][hidden] = -1
        if kind == "scale":
            self.scaled[box] |= on


def cloud(rng: np.random.Generator, shape: tuple[int, int], size_px: float, stretch: float = 1.0) -> Array:
    """Smooth noise of unit spread whose blotches are `size_px` wide, `stretch` times longer along x."""
    step = max(1.0, size_px / 2)
    rows, cols = int(np.ceil(shape[0] / step)) + 3, int(np.ceil(shape[1] / (step * stretch))) + 3
    noise = rng.standard_normal((rows, cols), dtype=np.float32)
    noise = cv2.GaussianBlur(noise, (0, 0), max(0.6, size_px / step / 2))
    full = cv2.resize(noise, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray((full - full.mean()) / (full.std() + 1e-6), np.float32)


def _texture(rng: np.random.Generator, shape: tuple[int, int], px_um: float, ground: str) -> Array:
    """The ground's own unevenness, of unit spread."""
    if ground in ("glass", "film"):
        waves = cloud(rng, shape, log_uniform(rng, 40, 300) / px_um, log_uniform(rng, 0.5, 4))
        fine = cloud(rng, shape, log_uniform(rng, 1.5, 8) / px_um)
        mix = waves * np.float32(rng.uniform(0.3, 1)) + fine * np.float32(rng.uniform(0.1, 0.8))
    elif ground in ("card", "grain"):
        sizes = (3, 9, 30, 120) if ground == "card" else (1.5, 3, 6, 200)
        mix = np.zeros(shape, np.float32)
        for size_um in sizes:
            mix += cloud(rng, shape, size_um / px_um) * np.float32(rng.uniform(0.2, 1))
        if ground == "grain" and rng.random() < 0.5:
            mix = np.abs(mix)  # pitted
    else:
        # Matted threads: noise drawn long, turned many ways, the crests kept.
        mix = np.zeros(shape, np.float32)
        wide = log_uniform(rng, 4, 16) / px_um
        side = int(np.hypot(*shape)) + 4
        for angle in rng.uniform(0, 180, 5 if ground == "paper" else 8):
            streaks = cloud(rng, (side, side), wide, rng.uniform(8, 25))
            turn = cv2.getRotationMatrix2D((side / 2, side / 2), float(angle), 1.0)
            turn = turn - np.array([[0, 0, (side - shape[1]) / 2], [0, 0, (side - shape[0]) / 2]])
            turned = cv2.warpAffine(streaks, turn, (shape[1], shape[0]), borderMode=cv2.BORDER_REFLECT)
            mix = (
                np.maximum(mix, np.abs(turned)) if ground == "felt" else mix + np.clip(turned - 0.6, 0, None)
            )
    mix = mix - mix.mean()
    return np.asarray(mix / (mix.std() + 1e-6), np.float32)


def draw_ground(rng: np.random.Generator, shape: tuple[int, int], px_um: float, style: Style) -> Array:
    """Draw the bare ground's light, about 0.3 to 1, with its tint."""
    span = {"glass": (0.001, 0.01), "film": (0.002, 0.015)}.get(style.ground, (0.006, 0.05))
    density = _texture(rng, shape, px_um, style.ground)
    # The ground often lies deeper than what is in focus.
    density = cv2.GaussianBlur(density, (0, 0), min(60, 0.2 + log_uniform(rng, 0.3, 14) / px_um))
    density *= np.float32(log_uniform(rng, *span) / max(0.3, float(density.std())))
    if rng.random() < (0.7 if style.preset == "hard" else 0.3):
        # Adhesive: fine waves or ridges that bend light without colour.
        ridge = cloud(rng, shape, log_uniform(rng, 4, 40) / px_um, log_uniform(rng, 1, 9))
        relief = np.diff(ridge, axis=int(rng.integers(2)), prepend=0)
        density += relief / (relief.std() + 1e-6) * np.float32(log_uniform(rng, 0.004, 0.035))
    tint = np.asarray(log_uniform(rng, 0.02, 0.25) * rng.uniform(0, 1, 3) ** 2, np.float32)
    if style.from_above or (style.ground in ("card", "felt") and rng.random() < 0.4):
        tint = tint * np.float32(0.6) + np.array([0, 0.04, 0.1], np.float32) * np.float32(rng.uniform(0, 1.5))
    coloured = 1 + np.array([-1, 0, 1], np.float32) * np.float32(rng.uniform(-0.15, 0.25))
    return np.power(np.float32(10), -(density[..., None] * coloured + tint)).astype(np.float32)

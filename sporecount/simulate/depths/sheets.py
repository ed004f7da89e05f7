"""Sheets at several depths: what each lets through, what lies topmost, and how each is blurred."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[np.float32]
Inside = NDArray[np.bool_]
KIND = {name: number for number, name in enumerate(KIND_NAMES)}
SHEETS = ("ground", "under", "scales", "upper", "tape")
LUMA = np.array([0.25, 0.65, 0.1], np.float32)
"""Share of each linear channel in what an eye calls light."""


def smooth_noise(rng: np.random.Generator, shape: tuple[int, int], grain_px: float) -> Array:
    """Noise of mean 0 and standard deviation 1 with patches of about `grain_px`."""
    step = max(1.0, grain_px / 2.5)
    small = (max(4, int(shape[0] / step) + 3), max(4, int(shape[1] / step) + 3))
    noise = cv2.GaussianBlur(rng.standard_normal(small).astype(np.float32), (0, 0), grain_px / step / 2)
    noise = cv2.resize(noise, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray((noise - noise.mean()) / max(float(noise.std()), 1e-6), np.float32)


@dataclass
class Window:
    """A small finer grid around a thing: its box on the canvas and places in um along and across the thing."""

    box: tuple[slice, slice]
    along: Array
    across: Array
    finer: int

    def coarse(self, fine: Array) -> Array:
        """Mean of `fine` over each pixel of the canvas."""
        if self.finer == 1:
            return fine
        rows, cols = (s.stop - s.start for s in self.box)
        return np.asarray(fine.reshape(rows, self.finer, cols, self.finer).mean(axis=(1, 3)), np.float32)


@dataclass
class Canvas:
    """The scene on the pixel grid of the photo, a margin around it.

    `clear` is the share of contrast that a thing beneath the scales keeps; `owner` the topmost spore's number.
    """

    shape: tuple[int, int]
    px_um: float
    from_above: bool

    def __post_init__(self) -> None:
        """Start with empty sheets."""
        self.sheets: dict[str, Array] = {name: np.ones((*self.shape, 3), np.float32) for name in SHEETS}
        self.kinds = np.zeros(self.shape, np.uint8)
        self.owner = np.full(self.shape, -1, np.int32)
        self.scaled = np.zeros(self.shape, bool)
        self.clear = np.ones(self.shape, np.float32)

    def window(self, x: float, y: float, reach_um: float, angle: float, detail_um: float = 0.45) -> Window:
        """Window around a place in pixels, cut to the canvas; cells of at most about `detail_um`."""
        rows, cols = self.shape
        reach = reach_um / self.px_um
        top, left = int(np.clip(y - reach, 0, rows - 1)), int(np.clip(x - reach, 0, cols - 1))
        low, right = int(np.clip(y + reach + 2, top + 1, rows)), int(np.clip(x + reach + 2, left + 1, cols))
        finer = int(np.clip(np.ceil(self.px_um / detail_um), 1, 5))
        ys = (top - 0.5 + (np.arange((low - top) * finer) + 0.5) / finer - y) * self.px_um
        xs = (left - 0.5 + (np.arange((right - left) * finer) + 0.5) / finer - x) * self.px_um
        along = np.cos(angle) * xs[None, :] + np.sin(angle) * ys[:, None]
        across = np.cos(angle) * ys[:, None] - np.sin(angle) * xs[None, :]
        box = (slice(top, low), slice(left, right))
        return Window(box, along.astype(np.float32), across.astype(np.float32), finer)

    def lay(self, sheet: str, win: Window, density: Array, inside: Inside, kind: str, tint: Array) -> Inside:
        """Lay a thing's optical density (fine grid) times its tint; where it is the topmost thing."""
        thick = (-np.log(10.0) * density).astype(np.float32)
        for channel in range(3):
            passed = win.coarse(np.exp(thick * np.float32(tint[channel])))
            self.sheets[sheet][(*win.box, channel)] *= passed
        mine = win.coarse(inside.astype(np.float32)) >= 0.5
        self.kinds[win.box][mine] = KIND[kind]
        if kind != "spore":
            self.owner[win.box][mine] = -1
        return mine


def _soften(picture: Array, fixed_px: float, defocus_px: float) -> Array:
    """Blur of the objective (bell-shaped), then of defocus (a disc once it is wide enough to be told)."""
    if defocus_px < 1.2:
        sigma = float(np.hypot(fixed_px, defocus_px))
        return picture if sigma < 0.15 else np.asarray(cv2.GaussianBlur(picture, (0, 0), sigma))
    if defocus_px > 6:  # so wide a blur leaves nothing that half the pixels could not carry
        half_size = ((picture.shape[1] + 1) // 2, (picture.shape[0] + 1) // 2)
        small = np.asarray(cv2.resize(picture, half_size, interpolation=cv2.INTER_AREA), np.float32)
        return np.asarray(
            cv2.resize(_soften(small, fixed_px / 2, defocus_px / 2), picture.shape[1::-1]), np.float32
        )
    # A disc of radius r has the standard deviation r / 2 along each axis; its edge is never hard.
    radius = 2 * float(np.sqrt(defocus_px**2 * 0.8))
    half = int(np.ceil(radius + 0.5))
    yy, xx = np.mgrid[-half : half + 1, -half : half + 1]
    disc = np.clip(radius + 0.5 - np.hypot(xx, yy), 0, 1).astype(np.float32)
    disc /= disc.sum()
    spread = float((disc * xx**2).sum())
    rest = float(np.sqrt(max(0.02, fixed_px**2 + defocus_px**2 - spread)))
    soft = cv2.GaussianBlur(picture, (0, 0), rest)
    return np.asarray(cv2.filter2D(soft, -1, disc, borderType=cv2.BORDER_REFLECT), np.float32)


def blur_by_map(picture: Array, fixed_px: float, defocus_px: Array) -> Array:
    """Blur with a defocus that changes over the picture; mixing two blurs mixes their variances."""
    low, high = float(defocus_px.min()), float(defocus_px.max())
    total_low, total_high = np.hypot(fixed_px, low), np.hypot(fixed_px, high)
    steps = int(np.clip(np.ceil((total_high - total_low) / max(0.35, 0.3 * total_low)), 0, 4))
    if steps == 0:
        return _soften(picture, fixed_px, float(np.sqrt((defocus_px**2).mean())))
    levels = np.linspace(low, high, steps + 1)
    result = np.zeros_like(picture)
    for level, tent in zip(levels, np.eye(steps + 1), strict=True):
        share = np.interp(defocus_px**2, levels**2, tent).astype(np.float32)
        if share.max() > 0:
            result += share[..., None] * _soften(picture, fixed_px, float(level))
    return result

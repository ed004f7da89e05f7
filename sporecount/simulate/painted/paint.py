"""The canvas, small windows to paint in, and the softening by depth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

F32 = NDArray[np.float32]
Points = NDArray[np.float64]
SPORE = KIND_NAMES.index("spore")
_LUMA = np.array([0.3, 0.59, 0.11], np.float32)
_PAD_PX = 40
_SHOWS_THROUGH = 0.4  # a spore below something counts as seen while this share of it comes through


@dataclass(frozen=True)
class Focus:
    """Signed defocus over the view, as the standard deviation in µm of the blur that it makes.

    It changes by `tilt_um` from the centre to the right and the lower edge and by `bend_um` to the corners.
    """

    middle_um: float
    tilt_um: tuple[float, float]
    bend_um: float
    shape: tuple[int, int]

    def at(self, x: NDArray | float, y: NDArray | float, height_um: float = 0.0) -> NDArray | float:
        """Defocus in µm at places in px, of something that lies `height_um` above the ground."""
        u, v = 2 * x / self.shape[1] - 1, 2 * y / self.shape[0] - 1
        flat = self.middle_um + self.tilt_um[0] * u + self.tilt_um[1] * v
        return flat + self.bend_um * 0.5 * (u * u + v * v) + height_um


def noise(rng: np.random.Generator, shape: tuple[int, int], grain_px: float, stretch: float = 1.0) -> F32:
    """Smooth random field of mean 0 and deviation 1, with lumps of about `grain_px`, longer by `stretch` in x."""
    grain = max(grain_px, 1.0)
    rows, cols = max(int(shape[0] / grain) + 3, 4), max(int(shape[1] / (grain * stretch)) + 3, 4)
    coarse = rng.standard_normal((rows, cols), np.float32)
    wide = (math.ceil(cols * grain * stretch) + 1, math.ceil(rows * grain) + 1)
    field = cv2.resize(coarse, wide, interpolation=cv2.INTER_CUBIC)[: shape[0], : shape[1]]
    return np.asarray((field - field.mean()) / (field.std() + 1e-6), np.float32)


def soften(layer: F32, sigma_px: float, disc: bool) -> F32:
    """Blur by an even disc or a bell of the standard deviation along each axis."""
    sigma_px = max(sigma_px, 0.15)
    rows, cols = layer.shape[:2]
    if sigma_px > 3 and min(rows, cols) > 40:
        # What is so soft needs no fine pixels.
        less = np.asarray(cv2.resize(layer, (cols // 2, rows // 2), interpolation=cv2.INTER_AREA), np.float32)
        return np.asarray(cv2.resize(soften(less, sigma_px / 2, disc), (cols, rows)), np.float32)
    if not disc or sigma_px < 0.6:
        return np.asarray(
            cv2.GaussianBlur(layer, (0, 0), sigma_px, borderType=cv2.BORDER_REPLICATE), np.float32
        )
    # A disc of radius r has the deviation r / 2 along an axis.
    n = math.ceil(2 * sigma_px) + 1
    y, x = np.mgrid[-n : n + 1, -n : n + 1]
    kernel = np.clip(2 * sigma_px - np.hypot(x, y) + 0.5, 0, 1).astype(np.float32)
    return np.asarray(
        cv2.filter2D(layer, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE), np.float32
    )


class Patch:
    """A window of `rows` x `cols` pixels from (`x0`, `y0`) around outlines; it may hang over the edge a little."""

    def __init__(self, outlines: list[Points], margin_px: float, shape: tuple[int, int]) -> None:
        points = np.concatenate(outlines)
        low, high = np.floor(points.min(axis=0) - margin_px), np.ceil(points.max(axis=0) + margin_px)
        self.x0, self.y0 = max(int(low[0]), -_PAD_PX), max(int(low[1]), -_PAD_PX)
        self.cols = min(int(high[0]), shape[1] + _PAD_PX) - self.x0 + 1
        self.rows = min(int(high[1]), shape[0] + _PAD_PX) - self.y0 + 1
        self.empty = min(self.cols, self.rows, self.x0 + self.cols, self.y0 + self.rows) < 2
        self.empty |= self.x0 >= shape[1] or self.y0 >= shape[0]
        size = self.cols * self.rows
        self.fine = 4 if size < 1600 else 3 if size < 10000 else 2 if size < 60000 else 1

    def fill(self, outlines: list[Points]) -> tuple[F32, F32]:
        """Covered share of each pixel by outlines that may overlap, and the depth in px below their edge."""
        k = self.fine
        image = np.zeros((self.rows * k, self.cols * k), np.uint8)
        for outline in outlines:
            fixed = np.round((((outline - [self.x0, self.y0]) + 0.5) * k - 0.5) * 16).astype(np.int32)
            cv2.fillPoly(image, [fixed], 255, cv2.LINE_AA if k == 1 else cv2.LINE_8, 4)
        inside = cv2.distanceTransform((image > 127).astype(np.uint8), cv2.DIST_L2, 3)
        cover, depth = (
            cv2.resize(one, (self.cols, self.rows), interpolation=cv2.INTER_AREA) for one in (image, inside)
        )
        return np.multiply(cover, 1 / 255, dtype=np.float32), np.multiply(depth, 1 / k, dtype=np.float32)

    def grid(self, x: float, y: float, angle: float) -> tuple[F32, F32]:
        """Coordinates in px along and across a direction, from a point."""
        dx = (np.arange(self.cols, dtype=np.float32) + np.float32(self.x0 - x))[None]
        dy = (np.arange(self.rows, dtype=np.float32) + np.float32(self.y0 - y))[:, None]
        c, s = np.float32(math.cos(angle)), np.float32(math.sin(angle))
        return dx * c + dy * s, dy * c - dx * s


def place(outline: Points, x: float, y: float, angle: float) -> Points:
    """Turn an outline around (0, 0) and move it to a place."""
    c, s = math.cos(angle), math.sin(angle)
    return outline @ np.array([[c, s], [-s, c]]) + [x, y]


def ribbon(path: Points, half_px: NDArray[np.float64]) -> list[Points]:
    """Outlines of the pieces of a band along a path."""
    way = np.gradient(path, axis=0)
    side = np.stack([-way[:, 1], way[:, 0]], 1) / (np.hypot(*way.T)[:, None] + 1e-9)
    left, right = path + side * half_px[:, None], path - side * half_px[:, None]
    return [np.array([left[i], left[i + 1], right[i + 1], right[i]]) for i in range(len(path) - 1)]


def blob(rng: np.random.Generator, radius_px: float, rough: float, corners: int = 40) -> Points:
    """Draw a closed outline around (0, 0): a circle with random waves of relative height `rough`."""
    t = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    r = np.ones(corners)
    for k in range(2, 9):
        r += rough * rng.normal() / k**0.8 * np.cos(k * t + rng.uniform(0, 6.3))
    return (np.clip(r, 0.3, 2) * radius_px)[:, None] * np.stack([np.cos(t), np.sin(t)], 1)


class Canvas:
    """The picture while it is painted.

    `light` is paint to the power `power` (1: mixed as seen, 2.2: mixed as light); `kinds` is the topmost kind,
    `owner` the number of the topmost spore that is still seen, -1 for none, `shows` how much of it comes through.
    """

    def __init__(self, ground: F32, focus: Focus, um_per_px: float, power: float, disc: bool) -> None:
        self.power, self.focus, self.px, self.disc = power, focus, um_per_px, disc
        self.light = np.clip(ground, 0.002, None) ** np.float32(power)
        self.white = np.maximum(self.light.reshape(-1, 3).mean(axis=0), 0.02)
        self.shape = (ground.shape[0], ground.shape[1])
        self.kinds, self.scale_here = np.zeros(self.shape, np.uint8), np.zeros(self.shape, bool)
        self.owner, self.shows = np.full(self.shape, -1, np.int32), np.zeros(self.shape, np.float32)

    def window(self, outlines: list[Points], height_um: float, more_px: float = 0.0) -> Patch:
        """Window around outlines with room for their blur."""
        some = np.concatenate(outlines)[:: max(len(outlines) // 4, 1)]
        blur_um = float(np.abs(self.focus.at(some[:, 0], some[:, 1], height_um)).max())
        return Patch(outlines, 3 + more_px + min(2.6 * blur_um / self.px, 60.0), self.shape)

    def _soften(self, layer: F32, patch: Patch, height_um: float) -> F32:
        x = np.linspace(patch.x0, patch.x0 + patch.cols, 7)
        y = np.linspace(patch.y0, patch.y0 + patch.rows, 7)[:, None]
        sigma = np.minimum(np.abs(self.focus.at(x, y, height_um)) / self.px, 22).astype(np.float32)
        low, high = float(sigma.min()), float(sigma.max())
        if high - low < 0.5 or patch.cols * patch.rows < 8000:
            return soften(layer, float(sigma.mean()), self.disc)
        share = cv2.resize((sigma - low) / (high - low), (patch.cols, patch.rows))[..., None]
        one, two = soften(layer, low, self.disc), soften(layer, high, self.disc)
        return one + (two - one) * share

    def lay(self, patch: Patch, cover: F32, alpha: F32, colour: F32, kind: str, *, glaze: float = 0.0,
            height_um: float = 0.0, spore: int = -1) -> tuple[F32, F32] | None:  # fmt: skip
        """Lay a painted window down; `alpha` may reach beyond `cover`, where the thing is.

        `glaze` is 0 for paint that hides and 1 for paint that colours what is below. For a spore, returns log10 of
        luminance before over after, and the part of `cover` in view.
        """
        paint = np.clip(colour, 0, 1.5) ** np.float32(self.power)
        layer = self._soften(np.dstack([paint * alpha[..., None], alpha]), patch, height_um)
        top, left = max(-patch.y0, 0), max(-patch.x0, 0)
        low, right = min(patch.rows, self.shape[0] - patch.y0), min(patch.cols, self.shape[1] - patch.x0)
        layer, cover = layer[top:low, left:right], cover[top:low, left:right]
        here = (slice(patch.y0 + top, patch.y0 + low), slice(patch.x0 + left, patch.x0 + right))
        if layer.size == 0:
            return None
        below = self.light[here].copy()
        mix = (1 - glaze) + np.float32(glaze) * np.minimum(below / self.white, 1.3)
        above = np.maximum(below * (1 - layer[..., 3:]) + layer[..., :3] * mix, 1e-4)
        self.light[here] = above
        solid, number = cover > 0.5, KIND_NAMES.index(kind)
        owner, shows, kinds = self.owner[here], self.shows[here], self.kinds[here]
        if spore >= 0:
            owner[solid], shows[solid], kinds[solid] = spore, 1.0, SPORE
            return np.log10(below @ _LUMA / (above @ _LUMA)) / np.float32(self.power) * 2.2, cover
        shows *= 1 - np.clip(layer[..., 3], 0, 1) * (1 - 0.45 * glaze)
        lost = (owner >= 0) & (shows < _SHOWS_THROUGH)
        owner[lost] = -1
        kinds[(solid & (owner < 0)) | lost] = number
        self.scale_here[here] |= solid & (kind == "scale")
        return None

"""Depth planes that gather thickness, and the light that comes through them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.thickness.fields import Array, Rows
from sporecount.simulate.truth import KIND_NAMES

Box = tuple[slice, slice]
MARGIN_PX = 32
DEEP, LOW, SHEET, HIGH, TAPE = range(5)
HIDING = 1.0
"""Loss (natural logarithm, green) of a thing over a spore beyond which a person no longer sees the spore."""


@dataclass(frozen=True)
class Material:
    """Loss of light per um of thickness in R, G, B (natural logarithm) and index over that of the glue."""

    loss_per_um: tuple[float, ...]
    index_step: float

    def times(self, factor: float) -> Material:
        """Make the same material with `factor` times the loss of light."""
        return Material(tuple(factor * one for one in self.loss_per_um), self.index_step)


@dataclass(frozen=True)
class Optics:
    """What the microscope does in one photo.

    `cone` is the share of the aperture that the half closed condenser fills: it sets how fast things blur.
    `fringe` scales the light that curvature gathers out of focus, `rim` the light lost at steep slopes,
    `ring` makes the blur disc hollow, `relief` is oblique light, `focus_um` the plane in focus per pixel.
    """

    um_per_px: float
    aperture: float
    cone: float
    fringe: float
    rim: float
    ring: float
    relief: tuple[float, float]
    from_above: bool
    plane_um: tuple[float, ...]
    focus_um: Array

    @property
    def depth_um(self) -> float:
        """Depth of focus by the wavelength and the aperture."""
        return 0.55 / self.aperture**2

    @property
    def sharp_um(self) -> float:
        """Standard deviation of the Gauss curve that is nearest to the diffraction disc."""
        return 0.21 * 0.55 / self.aperture

    def radius_px(self, plane: int) -> Array:
        """Radius of the blur disc of a plane at each pixel."""
        spread = float(np.tan(np.arcsin(self.aperture * self.cone))) / self.um_per_px
        return np.abs(self.plane_um[plane] - self.focus_um) * spread


@dataclass(frozen=True)
class Frame:
    """A window of the canvas with coordinates along (u) and across (v) a thing, in um."""

    box: Box
    u: Array
    v: Array


def blur_kernel(radius_px: float, sharp_px: float, ring: float) -> Array:
    """Disc of a radius, hollow by `ring`, softened by a Gauss curve; its sum is one."""
    half = int(np.ceil(radius_px + 3 * sharp_px)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    away = np.hypot(x, y)
    disc = np.clip(radius_px + 0.5 - away, 0, 1) * (1 + ring * (away / max(radius_px, 1.0)) ** 4)
    soft: Any = cv2.GaussianBlur(disc, (0, 0), max(sharp_px, 0.2), borderType=cv2.BORDER_CONSTANT)
    return (soft / soft.sum()).astype(np.float32)


def kernel_spread_px(kernel: Array) -> float:
    """Return the standard deviation of a blur along one axis."""
    along = np.arange(len(kernel)) - len(kernel) // 2
    return float(np.sqrt((kernel.sum(axis=0) * along**2).sum()))


def _through(image: Array, kernel: Array) -> Any:
    if len(kernel) <= 41:
        return cv2.filter2D(image, -1, kernel, borderType=cv2.BORDER_REFLECT)
    # A wide blur needs no fine grid.
    rows, cols = image.shape[:2]
    small = cv2.resize(image, (cols // 3, rows // 3), interpolation=cv2.INTER_AREA)
    coarse: Any = cv2.resize(kernel, (2 * (len(kernel) // 6) + 3,) * 2, interpolation=cv2.INTER_AREA)
    return cv2.resize(cv2.filter2D(small, -1, coarse / coarse.sum()), (cols, rows))


class Stage:
    """Thickness gathered so far, and the record of what lies where.

    `loss` is (5, H, W, 3), `path_um` the optical path difference (5, H, W), `owner` the number of the topmost
    spore that can still be seen, from 1, `veil` the loss (green) of all that is no spore.
    """

    def __init__(self, optics: Optics, width_px: int, height_px: int) -> None:
        self.optics, self.view = optics, (width_px, height_px)
        shape = (height_px + 2 * MARGIN_PX, width_px + 2 * MARGIN_PX)
        self.inner = slice(MARGIN_PX, MARGIN_PX + height_px), slice(MARGIN_PX, MARGIN_PX + width_px)
        self.loss, self.path_um = np.zeros((5, *shape, 3), np.float32), np.zeros((5, *shape), np.float32)
        self.kinds, self.owner = np.zeros(shape, np.uint8), np.zeros(shape, np.int32)
        self.under_scale = np.zeros(shape, bool)
        self.veil, self.gloss = np.zeros(shape, np.float32), np.zeros(shape, np.float32)

    def frame(
        self, x_px: float, y_px: float, angle: float, along_um: float, across_um: float
    ) -> Frame | None:
        """Open a window around a place of the photo; None where it lies wholly off the canvas."""
        px, x, y = self.optics.um_per_px, x_px + MARGIN_PX, y_px + MARGIN_PX
        c, s = float(np.cos(angle)), float(np.sin(angle))
        reach_x = (along_um * abs(c) + across_um * abs(s)) / px + 2
        reach_y = (along_um * abs(s) + across_um * abs(c)) / px + 2
        top, bottom = max(int(y - reach_y), 0), min(int(y + reach_y) + 2, self.kinds.shape[0])
        left, right = max(int(x - reach_x), 0), min(int(x + reach_x) + 2, self.kinds.shape[1])
        if top >= bottom or left >= right:
            return None
        dy = ((np.arange(top, bottom) - y) * px).astype(np.float32)[:, None]
        dx = ((np.arange(left, right) - x) * px).astype(np.float32)[None, :]
        return Frame((slice(top, bottom), slice(left, right)), dx * c + dy * s, dy * c - dx * s)

    def add(self, box: Box, plane: int, thickness_um: Array, material: Material) -> None:
        """Add thickness of a material to a plane."""
        for channel, loss in enumerate(material.loss_per_um):
            self.loss[plane][(*box, channel)] += thickness_um * loss
        self.path_um[plane][box] += thickness_um * material.index_step

    def claim(self, box: Box, kind: str, cover: NDArray[np.bool_], loss: Array) -> None:
        """Record a thing on top of what is there; it hides spores only where it takes enough light."""
        owner = self.owner[box]
        owner[cover & (loss > (0.3 if self.optics.from_above else HIDING))] = 0
        self.kinds[box][cover & (owner == 0)] = KIND_NAMES.index(kind)
        self.veil[box] += np.where(cover, loss, 0)
        if kind == "scale":
            self.under_scale[box] |= cover

    def claim_spore(self, box: Box, number: int, inside: NDArray[np.bool_]) -> None:
        """Record a spore, but only where what lies there already lets it be seen."""
        here = inside if self.optics.from_above else inside & (self.veil[box] < 2 * HIDING)
        self.owner[box][here] = number
        self.kinds[box][here] = KIND_NAMES.index("spore")

    def _blurs(self, plane: int) -> tuple[Array, Rows, list[Array]]:
        """Radius of the blur (px) at each pixel, the few between which it is interpolated, their kernels."""
        sharp, radius = self.optics.sharp_um / self.optics.um_per_px, self.optics.radius_px(plane)
        low, high = float(radius.min()), float(radius.max())
        levels = np.linspace(low, high, int(np.clip(np.ceil((high - low) / 2.5) + 1, 2, 4)))
        if high - low < 0.4:
            levels = np.array([(low + high) / 2])
        return radius, levels, [blur_kernel(level, sharp, self.optics.ring) for level in levels]

    def blur_um(self, plane: int) -> Array:
        """Tell the standard deviation of the blur of a plane at each pixel of the canvas."""
        radius, levels, kernels = self._blurs(plane)
        # Where two blurs are mixed, their variances mix too.
        mixed = np.interp(radius, levels, [kernel_spread_px(kernel) ** 2 for kernel in kernels])
        return (np.sqrt(mixed) * self.optics.um_per_px).astype(np.float32)

    def plane_light(self, plane: int) -> Array:
        """Light that one plane lets through, as the eyepiece shows it, (H, W, 3)."""
        optics, px = self.optics, self.optics.um_per_px
        path = cv2.GaussianBlur(self.path_um[plane], (0, 0), max(optics.sharp_um / px, 0.6))
        slope_x: Any = cv2.Sobel(path, cv2.CV_32F, 1, 0, ksize=1, scale=0.5 / px)
        slope_y: Any = cv2.Sobel(path, cv2.CV_32F, 0, 1, ksize=1, scale=0.5 / px)
        lost = optics.rim / optics.aperture**2 * (slope_x**2 + slope_y**2)
        # Off focus, light moves from hollows of the path to its humps or back: by its curvature.
        off_um = (
            np.clip((optics.plane_um[plane] - optics.focus_um) / optics.depth_um, -3, 3) * optics.depth_um
        )
        gain = optics.fringe * off_um * cv2.Laplacian(path, cv2.CV_32F, ksize=1, scale=1 / px**2)
        gain += optics.relief[0] * slope_x + optics.relief[1] * slope_y
        gain = (1 + 0.75 * np.tanh(gain / 0.75)) * np.exp(-lost / (1 + 0.45 * lost))
        light = np.exp(self.loss[plane] * (-1.5 if optics.from_above else -1.0)) * gain[..., None]
        radius, levels, kernels = self._blurs(plane)
        shots = [_through(light, kernel) for kernel in kernels]
        if len(shots) == 1:
            return shots[0]
        place = (radius - float(levels[0])) / float(levels[1] - levels[0])
        for index, shot in enumerate(shots):
            shot *= np.clip(1 - np.abs(place - index), 0, 1)[..., None]
        return np.sum(shots, axis=0)

    def light(self, ground: Array) -> Array:
        """Light of the whole stack over a ground, (H, W, 3)."""
        seen, px = ground, self.optics.um_per_px
        for plane in range(5):
            if self.path_um[plane].any():
                seen = seen * self.plane_light(plane)
        if self.optics.from_above:
            # Things that lie proud throw a soft shadow and shine a little themselves.
            shade = cv2.GaussianBlur(self.path_um[SHEET] + self.path_um[TAPE], (0, 0), 3 / px)
            shift = np.array([[1, 0, 4 * self.optics.relief[0] / px], [0, 1, 4 * self.optics.relief[1] / px]])
            moved: Any = cv2.warpAffine(shade, shift, shade.shape[::-1], borderMode=cv2.BORDER_REFLECT)
            seen = seen * np.exp(-1.2 * np.clip(moved, 0, 0.6))[..., None]
            seen += cv2.GaussianBlur(self.gloss, (0, 0), 0.5 + self.optics.sharp_um / px)[..., None]
        return seen

"""Lens, lamp field and phone: from light in the print's plane to the finished picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.pigments.spectrum import LUMA, Array


@dataclass(frozen=True)
class Pupil:
    """The hole that a defocused point shows, with so many corners, 0 for a round one.

    Spherical aberration sends more light to the rim of the disc (`rim` above 0) or to its middle (below 0).
    """

    corners: int
    turn: float
    rim: float

    def kernel(self, variance_px2: float) -> Array:
        """Blur of this variance along each axis, on average over the two axes."""
        fine = 7
        reach = int(np.ceil(2.6 * np.sqrt(variance_px2))) + 2
        n = (2 * reach + 1) * fine
        axis = ((np.arange(n) + 0.5) / fine - reach - 0.5).astype(np.float32)
        x, y = axis[None, :], axis[:, None]
        r2 = x**2 + y**2
        radius = 2 * np.sqrt(variance_px2)
        result = np.ones((1, 1), np.float32)
        # The pixel grid and the softened edge add variance: shrink until the sum is right.
        for _ in range(4):
            r = np.sqrt(r2)
            if self.corners:
                around = np.arctan2(y, x) + self.turn
                sector = 2 * np.pi / self.corners
                r = r * np.cos((around % sector) - sector / 2) / np.cos(sector / 4)
            weight = np.clip(1 + self.rim * (2 * (r / radius) ** 2 - 1), 0, None)
            weight = weight / (1 + np.exp(np.clip((r - radius) / (0.06 * radius + 0.05), -30, 30)))
            binned = weight.reshape(2 * reach + 1, fine, 2 * reach + 1, fine).sum((1, 3))
            result = (binned / binned.sum()).astype(np.float32)
            place = np.arange(-reach, reach + 1)
            found = (result * (place[None, :] ** 2 + place[:, None] ** 2)).sum() / 2
            radius *= np.sqrt(variance_px2 / max(found, 1e-3))
        return result


def draw_pupil(rng: np.random.Generator) -> Pupil:
    """Mostly round, at times the leaves of an iris."""
    corners = int(rng.choice([0, 0, 0, 5, 6, 7]))
    return Pupil(corners, float(rng.uniform(0, 6)), float(rng.uniform(-0.7, 0.8)))


def blur_by_map(scene: Array, variance_px2: Array, pupil: Pupil) -> Array:
    """Blend copies of the scene, blurred by disc kernels, so that each place gets its own variance."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    count = 1 if high < 1.1 * low + 0.02 else 3 if high < 3 * low else 4
    levels = (
        np.geomspace(max(low, 0.05), max(high, 0.0501), count) if count > 1 else np.array([(low + high) / 2])
    )
    result = np.zeros_like(scene)
    for i, level in enumerate(levels):
        # Variance of a blend is the blend of the variances.
        share = (
            np.ones_like(variance_px2) if count == 1 else np.interp(variance_px2, levels, np.eye(count)[i])
        )
        copy = cv2.filter2D(scene, -1, pupil.kernel(float(level)), borderType=cv2.BORDER_REFLECT)
        result += copy * share.astype(np.float32).reshape(share.shape + (1,) * (scene.ndim - 2))
    return result


def height_map(
    rng: np.random.Generator, shape: tuple[int, int], start: float, tilt: float, dish: float
) -> Array:
    """Height of the print over the plane of focus, in µm: off, tilted, dished, and buckled a little."""
    rows, cols = shape
    span = max(rows, cols) / 2
    x = (np.arange(cols, dtype=np.float32)[None, :] - cols / 2) / span
    y = (np.arange(rows, dtype=np.float32)[:, None] - rows / 2) / span
    way = rng.uniform(0, 2 * np.pi)
    field = tilt * (np.cos(way) * x + np.sin(way) * y) + dish * (x**2 + y**2 - 0.4)
    bumps = rng.normal(0, 0.25 * (tilt + abs(dish)) + 0.02, (4, 5)).astype(np.float32)
    field = field + cv2.resize(bumps, (cols, rows), interpolation=cv2.INTER_CUBIC)
    return np.asarray(start + field, np.float32)


@dataclass(frozen=True)
class Phone:
    """How light becomes a picture.

    `level` is the linear value of the empty ground, `noise` its spread at full light, `zoom` 1 for none;
    `fringe` and `barrel` are relative sizes of the lens errors at the corner.
    """

    level: float
    noise: float
    zoom: float
    motion_px: tuple[float, float]
    smooth: float
    sharpen: float
    contrast: float
    colour: float
    quality: int
    fringe: float
    barrel: float

    def variance_px2(self) -> float:
        """Blur that the phone itself adds, mean of both axes."""
        moved = (self.motion_px[0] ** 2 + self.motion_px[1] ** 2) / 24
        return moved + (self.zoom**2 - 1) * 0.17 + 0.25 * self.smooth**2 + 1 / 12

    def noise_od(self, light: float) -> float:
        """Spread of the density of one pixel at a linear light, after its level."""
        value = max(light * self.level, 1e-3)
        return 0.43 * (self.noise * np.sqrt(value) + 0.003) / value


def draw_phone(rng: np.random.Generator, hard: bool, good: bool) -> Phone:
    """Draw a phone, good or cheap, and how it was held."""
    cheap = rng.random() < (0.6 if hard else 0.1 if good else 0.3)
    dim = hard and rng.random() < 0.35
    moved = rng.uniform(0, 2.5) if cheap and rng.random() < 0.5 else rng.uniform(0, 0.6)
    way = rng.uniform(0, np.pi)
    return Phone(
        level=float(rng.uniform(0.1, 0.25) if dim else rng.uniform(0.35, 0.85)),
        noise=float(rng.uniform(0.02, 0.06) if cheap else rng.uniform(0.004, 0.025)),
        zoom=float(rng.uniform(1.1, 1.9) if cheap or rng.random() < 0.2 else 1.0),
        motion_px=(float(moved * np.cos(way)), float(moved * np.sin(way))),
        smooth=float(rng.uniform(0.5, 1.3) if cheap else rng.choice([0, rng.uniform(0.2, 0.8)])),
        sharpen=float(rng.uniform(0.2, 1.5) if cheap else rng.uniform(0, 0.8)),
        contrast=float(rng.uniform(0.0, 0.5)),
        colour=float(rng.uniform(0.75, 1.35)),
        quality=int(rng.integers(60, 82) if cheap else rng.integers(78, 98)),
        fringe=float(rng.normal(0, 0.0012)),
        barrel=float(rng.normal(0, 0.007)),
    )


def bend(
    x: NDArray[np.float64], y: NDArray[np.float64], shape: tuple[int, int], amount: float
) -> NDArray[np.float64]:
    """Where in the undistorted view each place of the finished photo comes from, shape (2, ...)."""
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    r2 = ((x - cx) ** 2 + (y - cy) ** 2) / (cx**2 + cy**2)
    return np.stack([cx + (x - cx) * (1 + amount * r2), cy + (y - cy) * (1 + amount * r2)])


def unbend(x: float, y: float, shape: tuple[int, int], amount: float) -> tuple[float, float]:
    """Go the other way: where a place of the undistorted view lies in the finished photo."""
    at = np.array([x, y])
    for _ in range(8):
        at = at + np.array([x, y]) - bend(at[0], at[1], shape, amount)
    return float(at[0]), float(at[1])


def move(scene: Array, motion_px: tuple[float, float]) -> Array:
    """Shake during the exposure: a straight trace."""
    long = float(np.hypot(*motion_px))
    if long < 0.3:
        return scene
    n = 2 * int(np.ceil(long / 2)) + 3
    trace = np.zeros((n * 8, n * 8), np.float32)
    middle = (n * 8 - 1) / 2
    for t in np.linspace(-0.5, 0.5, 16 * n):
        col, row = middle + 8 * t * motion_px[0], middle + 8 * t * motion_px[1]
        trace[round(row), round(col)] += 1
    kernel = trace.reshape(n, 8, n, 8).sum((1, 3))
    return np.asarray(
        cv2.filter2D(scene, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT), np.float32
    )


def lamp_field(
    rng: np.random.Generator, shape: tuple[int, int], hard: bool, round_view: bool
) -> tuple[Array, Array]:
    """Uneven light over the view, and the share of each pixel inside the eyepiece's circle."""
    rows, cols = shape
    span = max(rows, cols) / 2
    x = (np.arange(cols, dtype=np.float32)[None, :] - cols / 2) / span
    y = (np.arange(rows, dtype=np.float32)[:, None] - rows / 2) / span
    ox, oy = rng.normal(0, 0.25, 2)
    lamp = 1 / (1 + rng.uniform(0, 0.5) * ((x - ox) ** 2 + (y - oy) ** 2)) ** 1.5
    slope = rng.normal(0, 0.16 if hard else 0.06, 2)
    lamp = lamp * np.exp(slope[0] * x + slope[1] * y)
    view = np.ones(shape, np.float32)
    if round_view:
        radius = rng.uniform(0.78, 1.05) * (min(rows, cols) / 2) / span * rng.uniform(1, 1.25)
        sx, sy = rng.normal(0, 0.06, 2)
        r = np.sqrt((x - sx) ** 2 + (y - sy) ** 2)
        soft = rng.uniform(0.004, 0.03)
        view = 1 / (1 + np.exp(np.clip((r - radius) / soft, -30, 30)))
    return (lamp / lamp.mean()).astype(np.float32), view.astype(np.float32)


def develop(rng: np.random.Generator, scene: Array, phone: Phone) -> NDArray[np.uint8]:
    """Exposure, noise, smoothing, sharpening, tone, colour and JPEG."""
    light = np.clip(scene * phone.level, 0, 1.3)
    rows, cols = light.shape[:2]
    small = (max(2, round(cols / phone.zoom)), max(2, round(rows / phone.zoom)))
    if phone.zoom > 1:
        light = cv2.resize(light, small, interpolation=cv2.INTER_AREA)
    spread = phone.noise * np.sqrt(np.clip(light, 0.002, None)) + np.float32(0.003)
    grain = rng.standard_normal(light.shape, np.float32)
    coloured = cv2.GaussianBlur(rng.standard_normal(light.shape, np.float32), (0, 0), 0.9)
    light = np.clip(light + spread * (0.75 * grain + 1.3 * coloured), 0, 1.0).astype(np.float32)
    picture = np.where(light < 0.0031, 12.92 * light, 1.055 * np.power(light, np.float32(1 / 2.4)) - 0.055)
    picture = picture.astype(np.float32)
    if phone.smooth > 0.7:
        # Noise reduction of a cheap phone: washes out faint texture, keeps hard edges.
        picture = cv2.bilateralFilter(picture, 5, 0.05 + 0.6 * phone.noise, 1.2 * phone.smooth)
    elif phone.smooth > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), max(0.3, 0.5 * phone.smooth))
    if phone.zoom > 1:
        picture = np.clip(cv2.resize(picture, (cols, rows), interpolation=cv2.INTER_CUBIC), 0, 1)
    if phone.sharpen > 0.05:
        wide = 0.9 * phone.zoom
        picture = picture + phone.sharpen * (picture - cv2.GaussianBlur(picture, (0, 0), wide))
    luma = (picture @ LUMA)[..., None]
    picture = luma + phone.colour * (picture - luma)
    picture = np.clip(picture, 0, 1)
    curved = picture * picture * (3 - 2 * picture)
    picture = picture + np.float32(phone.contrast) * (curved - picture)
    eight = (np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8)
    done, data = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    if not done:
        raise RuntimeError("the picture could not be pressed as JPEG")
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return np.ascontiguousarray(np.asarray(decoded, np.uint8)[..., ::-1])

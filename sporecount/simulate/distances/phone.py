"""Eyepiece and phone: blur that changes over the view, lens, light, noise and file."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.distances.canvas import MARGIN_PX, Canvas
from sporecount.simulate.distances.fields import Plane


@dataclass(frozen=True)
class Phone:
    """One adapter, eyepiece, lamp and phone.

    Parameters
    ----------
    bend : float
        Share by which the lens draws the corners in (negative: out).
    fringe : float
        Share by which red is larger and blue smaller than green.
    lamp : tuple of float
        Colour of the light as the phone balances it.
    level : float
        Linear brightness of bare ground.
    falloff, lean : float
        Loss of light to the corners, and across the view.
    lean_way : float
    view : tuple of float or None
        Middle and radius of the round view by half the diagonal.
    read, shot : float
        Noise: constant part, and share of the root of the light.
    grain_px : float
        Size of a grain of noise.
    denoise, sharpen, sharpen_px : float
    gamma, contrast, colour : float
    flare : float
        Light spread evenly over the photo.
    disc : bool
        Out of focus, points become discs rather than soft spots.
    quality : int
        Of the JPEG.
    """

    bend: float
    fringe: float
    lamp: tuple[float, float, float]
    level: float
    falloff: float
    lean: float
    lean_way: float
    view: tuple[float, float, float, float] | None
    read: float
    shot: float
    grain_px: float
    denoise: float
    sharpen: float
    sharpen_px: float
    gamma: float
    contrast: float
    colour: float
    flare: float
    disc: bool
    quality: int


LAMPS = {
    "tungsten": (1.0, 0.72, 0.4), "led": (0.86, 1.0, 1.12), "daylight": (0.95, 1.0, 1.03),
    "green": (0.88, 1, 0.84), "warm led": (1.0, 0.88, 0.68), "pinkish": (1.0, 0.9, 0.96),
}  # fmt: skip


def draw_phone(rng: np.random.Generator, hard: bool) -> Phone:
    """Draw the adapter, lamp and phone of a photo."""
    name = list(LAMPS)[int(rng.choice(6, p=[0.2, 0.22, 0.24, 0.08, 0.16, 0.1]))]
    left = rng.uniform(0.0, 0.8)
    lamp = tuple(float(c**left * rng.normal(1, 0.02)) for c in LAMPS[name])
    dim = hard and rng.random() < 0.5
    noisy = float(np.exp(rng.normal(-5.0, 0.55)) * (1.6 if dim else 1))
    view = None
    if rng.random() < 0.28:
        view = (
            float(rng.normal(0, 0.06)),
            float(rng.normal(0, 0.05)),
            float(rng.uniform(0.62, 0.98)),
            float(rng.uniform(0.004, 0.03)),
        )
    return Phone(
        float(rng.normal(0, 0.005)), float(rng.normal(0, 0.0007)), (lamp[0], lamp[1], lamp[2]),
        float(rng.uniform(0.06, 0.2) if dim else rng.uniform(0.28, 0.82)), float(rng.uniform(0, 0.55)),
        float(rng.uniform(0, 0.35)), float(rng.uniform(0, 6.3)), view, 0.5 * noisy, noisy,
        float(rng.uniform(0.3, 1.1)),
        float(rng.choice([0.0, 1.0]) * rng.uniform(0.3, 1)), float(rng.uniform(0, 1.3)),
        float(rng.uniform(0.7, 2.2)),
        float(rng.uniform(0.85, 1.15)), float(rng.uniform(0, 0.6)), float(rng.uniform(0.6, 1.3)),
        float(rng.uniform(0, 0.12 if hard else 0.06)), bool(rng.random() < 0.5), int(rng.integers(60, 98)),
    )  # fmt: skip


def to_photo(
    phone: Phone, x: NDArray[np.float64], y: NDArray[np.float64], size: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Where places of the flat scene come to lie in the photo (width, height), and how much they are enlarged."""
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    far = (size[0] ** 2 + size[1] ** 2) / 4
    dx, dy = np.asarray(x, np.float64) - cx, np.asarray(y, np.float64) - cy
    scale = np.ones_like(dx)
    for _ in range(6):
        scale = 1 / (1 + phone.bend * (dx**2 + dy**2) * scale**2 / far)
    return cx + dx * scale, cy + dy * scale, scale


def blurred(canvas: Canvas, phone: Phone) -> tuple[Plane, Plane]:
    """Blur the light and the density of the spores by the depth at each place."""
    sigma = (canvas.focus.total_um(canvas.focus.z_um) / canvas.um_per_px).astype(np.float32)
    stack = np.dstack((canvas.light, canvas.spore_od))
    low, high = float(sigma.min()), float(sigma.max())
    least = canvas.focus.least_um / canvas.um_per_px
    count = 1 if high < 1.08 * low else int(np.clip(np.ceil(np.log(high / low) / 0.3) + 1, 2, 5))
    levels = np.geomspace(low, high, count) if count > 1 else np.array([float(sigma.mean())])

    def at(level: float) -> Plane:
        out = cv2.GaussianBlur(stack, (0, 0), least if phone.disc else level)
        radius = 2 * np.sqrt(max(level**2 - least**2, 0))
        if phone.disc and radius > 0.8:
            n = int(np.ceil(radius)) + 1
            y, x = np.mgrid[-n : n + 1, -n : n + 1]
            disc = np.clip(radius + 0.5 - np.hypot(x, y), 0, 1)
            out = cv2.filter2D(out, -1, (disc / disc.sum()).astype(np.float32))
        return np.asarray(out, np.float32)

    out = at(levels[0])
    for k in range(1, count):
        more = at(levels[k])
        # Between two levels the variance is what mixes.
        share = np.clip((sigma**2 - levels[k - 1] ** 2) / (levels[k] ** 2 - levels[k - 1] ** 2), 0, 1)[
            ..., None
        ]
        out += share * (more - out)
    return out[..., :3], np.ascontiguousarray(out[..., 3])


def through_lens(
    planes: Plane, phone: Phone, size: tuple[int, int], fringe: float = 0.0, nearest: bool = False
) -> Plane:
    """Take planes of the canvas to the grid of the photo."""
    x, y = np.arange(size[0], dtype=np.float32)[None], np.arange(size[1], dtype=np.float32)[:, None]
    cx, cy = np.float32((size[0] - 1) / 2), np.float32((size[1] - 1) / 2)
    stretch = (1 + np.float32(phone.bend) * ((x - cx) ** 2 + (y - cy) ** 2) / (cx**2 + cy**2)) * np.float32(
        1 + fringe
    )
    at_x, at_y = (x - cx) * stretch + cx + MARGIN_PX, (y - cy) * stretch + cy + MARGIN_PX
    way = cv2.INTER_NEAREST if nearest else cv2.INTER_CUBIC
    return np.asarray(cv2.remap(planes, at_x, at_y, way, borderMode=cv2.BORDER_REPLICATE))


def view_mask(phone: Phone, size: tuple[int, int]) -> Plane:
    """Share of the light that the eyepiece lets through: 1 inside of the round view."""
    if phone.view is None:
        return np.ones(size[::-1], np.float32)
    dx, dy, radius, soft = phone.view
    half = 0.5 * float(np.hypot(*size))
    x = np.arange(size[0], dtype=np.float32)[None] - np.float32(size[0] / 2 + dx * half)
    y = np.arange(size[1], dtype=np.float32)[:, None] - np.float32(size[1] / 2 + dy * half)
    return np.clip((np.float32(radius * half) - np.hypot(x, y)) / np.float32(soft * half) + 0.5, 0, 1)


def expose(light: Plane, phone: Phone, mask: Plane) -> Plane:
    """Light on the sensor, noise left out, in [0, 1] for what is not blown out."""
    rows, cols = mask.shape
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    even = 1 - np.float32(phone.falloff) * (x * x + y * y) / 2
    even = even * (
        1
        + np.float32(phone.lean)
        * (x * np.float32(np.cos(phone.lean_way)) + y * np.float32(np.sin(phone.lean_way)))
        / 1.5
    )
    scene = light * np.array(phone.lamp, np.float32) * (even * mask)[..., None]
    bare = np.percentile(scene[::7, ::7][mask[::7, ::7] > 0.5].max(axis=1), 70) if mask.any() else 1.0
    scene = scene * np.float32(phone.level / max(float(bare), 1e-3))
    flare = np.float32(phone.flare) * scene.mean(axis=(0, 1))
    return np.asarray(np.clip(scene * (1 - phone.flare) + flare, 1e-4, 4), np.float32)


def develop(rng: np.random.Generator, sensor: Plane, phone: Phone) -> NDArray[np.uint8]:
    """Take the photo: noise, its suppression, tone, sharpening and JPEG."""
    noise = rng.standard_normal(sensor.shape, np.float32)
    if phone.grain_px > 0.45:
        noise = cv2.GaussianBlur(noise, (0, 0), phone.grain_px) * np.float32(
            2 * np.sqrt(np.pi) * phone.grain_px * 0.8
        )
    noise *= phone.read + phone.shot * np.sqrt(sensor)
    out = np.clip(sensor + noise, 0, None)
    # Highlights roll off before they clip.
    out = np.where(out > 0.8, 0.8 + 0.2 * np.tanh((out - 0.8) / 0.2), out)
    s = np.where(out < 0.0031308, 12.92 * out, 1.055 * np.maximum(out, 1e-6) ** (1 / 2.4) - 0.055)
    s = np.clip(s, 0, 1) ** np.float32(phone.gamma)
    s = s + np.float32(phone.contrast) * (s * s * (3 - 2 * s) - s)
    grey = s.mean(axis=2, keepdims=True)
    s = np.clip(grey + np.float32(phone.colour) * (s - grey), 0, 1).astype(np.float32)
    if phone.denoise > 0:
        flat = cv2.bilateralFilter(s, 5, 0.03 + 0.05 * phone.denoise, 1.6)
        s += np.float32(phone.denoise) * (flat - s)
    if phone.sharpen > 0:
        s = s + np.float32(phone.sharpen) * (s - cv2.GaussianBlur(s, (0, 0), phone.sharpen_px))
    eight = (np.clip(s, 0, 1) * 255 + 0.5).astype(np.uint8)
    _, file = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(file, cv2.IMREAD_COLOR))[..., ::-1])

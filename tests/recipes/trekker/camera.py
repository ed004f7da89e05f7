"""From the light of the print to the finished picture: blur, eyepiece, lamp, sensor and the phone's processing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.trekker.sheet import cloud
from tests.recipes.trekker.style import APERTURE, Array, Style, log_uniform, worst_blur_um

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """Traits of the eyepiece and the phone.

    `bend` is the barrel (above zero) or pincushion distortion at the corner, as a share. `round_px` holds the
    round view's middle, radius and softness. `level` is the light of clear ground, where 1 is white and makes
    `electrons`; `zoom` is the sensor's pixel in pixels of the picture, `quality` that of the JPEG.
    """

    bend: float
    round_px: tuple[float, float, float, float] | None
    level: float
    electrons: float
    read_noise: float
    zoom: float
    quality: int

    def noise_od(self, light: Floats) -> Floats:
        """Noise of one pixel whose light is a share of white, as optical density."""
        variance = light / self.electrons + self.read_noise**2 + (0.6 / 255) ** 2
        return np.asarray(np.sqrt(variance) / np.maximum(light, 0.004) / np.log(10))


def draw_camera(rng: np.random.Generator, shape: tuple[int, int], style: Style) -> Camera:
    """Draw the eyepiece and the phone of one photo."""
    rows, cols = shape
    hard = style.preset == "hard"
    round_px = None
    if rng.random() < 0.3:
        radius = min(rows, cols) * log_uniform(rng, 0.45, 0.85)
        off = rng.normal(0, 0.04, 2) * min(rows, cols)
        round_px = (cols / 2 + off[0], rows / 2 + off[1], radius, log_uniform(rng, 0.5, 0.03 * radius + 1))
    noisy = log_uniform(rng, 1, 5 if hard else 2.5)
    zoom = float(rng.uniform(1.1, 1.6)) if rng.random() < 0.25 and style.um_per_px < 0.7 else 1.0
    return Camera(
        bend=float(rng.choice([0.0, rng.uniform(-0.03, 0.04)])),
        round_px=round_px,
        level=log_uniform(rng, 0.09, 0.7) if hard else log_uniform(rng, 0.28, 0.98),
        electrons=log_uniform(rng, 700, 12000) / noisy,
        read_noise=log_uniform(rng, 0.0006, 0.004) * noisy,
        zoom=zoom,
        quality=int(rng.integers(60, 98)),
    )


def variance_map(rng: np.random.Generator, shape: tuple[int, int], style: Style, camera: Camera) -> Array:
    """Variance of the blur at each pixel, in um2: objective, focus over the view, lens and pixel."""
    rows, cols = shape
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    lie = rng.uniform(0, 2 * np.pi)
    slope = x * np.float32(np.cos(lie)) + y * np.float32(np.sin(lie))
    # Tilt, a curved print and an uneven one, each in every other photo.
    tilt, bowl, bumps = worst_blur_um(style.preset, style.objective) * rng.uniform(-0.8, 0.8, 3).clip(0, None)
    focus = style.focus_um + 1.5 * tilt * (slope + np.float32(rng.uniform(-0.6, 0.6)))
    focus = focus + bowl * (x**2 + y**2 - rng.uniform(0, 1))
    focus = focus + bumps * 0.6 * cloud(rng, shape, max(shape) * rng.uniform(0.15, 0.6))
    objective_um = 0.22 * 0.55 / APERTURE[min(APERTURE, key=lambda k: abs(k - style.objective))]
    objective_um *= rng.uniform(1.0, 1.3)
    # The phone's own lens, the pixel itself, and the coarser pixel of a digital zoom.
    pixel = (
        log_uniform(rng, 0.3, 0.9 if style.um_per_px < 1 else 0.5) ** 2
        + 1 / 12
        + (camera.zoom > 1) * camera.zoom**2 / 8
    )
    even = objective_um**2 + pixel * style.um_per_px**2
    return np.asarray(focus**2 + even, np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur a scene by a variance that differs from place to place.

    Evenly blurred copies are mixed so that at each place the mixture has the wanted variance.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    if np.sqrt(high) - np.sqrt(low) < 0.05:
        return np.asarray(cv2.GaussianBlur(scene, (0, 0), max(0.05, np.sqrt((low + high) / 2))), np.float32)
    number = int(np.clip(np.ceil(np.log(high / low) / 0.7) + 1, 3, 9))
    steps = np.geomspace(max(low, 0.02), high, number)
    out = np.zeros_like(scene)
    for k, step in enumerate(steps):
        share = np.ones_like(variance_px2)
        if k > 0:
            share = np.clip((variance_px2 - steps[k - 1]) / (step - steps[k - 1]), 0, 1)
        if k + 1 < number:
            share = share - np.clip((variance_px2 - step) / (steps[k + 1] - step), 0, 1)
        if share.max() > 0:
            out += cv2.GaussianBlur(scene, (0, 0), float(np.sqrt(step))) * share[..., None]
    return out


def source_place(spots: Floats, outer: tuple[int, int], inner: tuple[int, int], bend: float) -> Floats:
    """Where spots of the finished view take their light from in the larger scene; x and y in the last axis."""
    off = spots - (np.array(inner[::-1]) - 1) / 2
    grow = 1 + bend * (off**2).sum(axis=-1, keepdims=True) * 4 / (inner[0] ** 2 + inner[1] ** 2)
    return np.asarray(off * grow + (np.array(outer[::-1]) - 1) / 2)


def finished_place(places: Floats, outer: tuple[int, int], inner: tuple[int, int], bend: float) -> Floats:
    """Where places in the scene come to lie in the finished view."""
    spots = places - (np.array(outer[::-1]) - np.array(inner[::-1])) / 2
    for _ in range(12):
        spots = spots - (source_place(spots, outer, inner, bend) - places)
    return spots


def bend_scene(rng: np.random.Generator, scene: Array, inner: tuple[int, int], bend: float) -> Array:
    """Look at the scene through the eyepiece: distortion, and in some a little more or less of it by colour."""
    fringe = rng.choice([0.0, 1.6]) * rng.normal() / np.hypot(*inner)
    grid = np.stack(np.meshgrid(np.arange(inner[1]), np.arange(inner[0])), axis=-1).astype(float)
    planes = []
    for channel, turn in enumerate((1, 0, -1)):
        at = source_place(grid, scene.shape[:2], inner, bend + turn * fringe).astype(np.float32)
        plane = np.ascontiguousarray(scene[..., channel])
        planes.append(
            cv2.remap(plane, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)
        )
    return np.clip(np.stack(planes, axis=-1), 0, None)


def lamp_and_view(
    rng: np.random.Generator, shape: tuple[int, int], camera: Camera, hard: bool
) -> tuple[Array, Array]:
    """Light over the view, near one at its best, and the round view's opening from 0 to 1."""
    rows, cols = shape
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    worst = 0.75 if hard else 0.45
    cx, cy = rng.normal(0, 0.3, 2)
    lamp = 1 - np.float32(rng.uniform(0, worst) * rng.random()) * ((x - cx) ** 2 + (y - cy) ** 2) / 2
    lie = rng.uniform(0, 2 * np.pi)
    lamp = lamp * (1 + np.float32(rng.uniform(0, worst) * 0.5) * (x * np.cos(lie) + y * np.sin(lie)) - 0.1)
    lamp = lamp * (1 + np.float32(max(0, rng.uniform(-0.1, 0.07))) * cloud(rng, shape, max(shape) * 0.3))
    lamp = np.clip(lamp, 0.12, None)
    hue = np.array([1, 0, -1], np.float32) * np.float32(rng.normal(0, 0.04))
    lamp = lamp[..., None] * (1 + hue * (x**2 + y**2)[..., None])
    view = np.ones(shape, np.float32)
    if camera.round_px is not None:
        rx, ry, radius, soft = camera.round_px
        far = np.hypot(np.arange(cols)[None] - rx, np.arange(rows)[:, None] - ry)
        view = np.clip(0.5 - (far - radius) / (2 * soft + 1), 0, 1).astype(np.float32)
    return (lamp / np.percentile(lamp, 95)).astype(np.float32), view


def develop(rng: np.random.Generator, scene: Array, camera: Camera) -> NDArray[np.uint8]:
    """Turn linear light, 1 for clear ground at the view's best, into the phone's picture."""
    shape = (scene.shape[0], scene.shape[1])
    # From cold daylight to tungsten, with some green or purple.
    warm, green = rng.choice([-1.0, 0.0, 1.0, 2.5]) * rng.uniform(0.03, 0.11), rng.normal(0, 0.03)
    cast = np.array([np.exp(warm), np.exp(green), np.exp(-1.9 * warm)])
    raw = scene * (cast * camera.level).astype(np.float32)
    if camera.zoom > 1:
        small = round(shape[1] / camera.zoom), round(shape[0] / camera.zoom)
        raw = cv2.resize(raw, small, interpolation=cv2.INTER_AREA)
    raw = np.clip(raw, 0, None)
    grain = rng.standard_normal(raw.shape, dtype=np.float32)
    raw = raw + grain * np.sqrt(raw / np.float32(camera.electrons) + np.float32(camera.read_noise**2))
    colour = cv2.GaussianBlur(rng.standard_normal(raw.shape, dtype=np.float32), (0, 0), 1.2)
    raw += colour * np.float32(log_uniform(rng, 0.5, 4) * camera.read_noise)
    if camera.zoom > 1:
        raw = cv2.resize(raw, shape[::-1], interpolation=cv2.INTER_CUBIC)
    tone = np.clip(raw, 0, 1) ** np.float32(1 / 2.2)
    curved = tone * tone * (3 - 2 * tone)
    tone = tone + np.float32(rng.uniform(0, 0.45)) * (curved - tone)
    grey = tone @ np.array([0.3, 0.59, 0.11], np.float32)
    hue = tone - grey[..., None]
    soften, sharpen = rng.uniform(-0.6, 1), log_uniform(rng, 0.2, 1.8) * (rng.random() < 0.7)
    if soften > 0:
        # Colour is smoothed freely, brightness only where it hardly changes.
        hue = cv2.GaussianBlur(hue, (0, 0), 0.4 + 1.6 * soften)
        spread = 0.02 + 0.05 * soften
        smooth = cv2.bilateralFilter(np.ascontiguousarray(grey), 5, spread, 1.5)
        grey = grey + np.float32(soften) * (smooth - grey)
    grey = grey + np.float32(sharpen) * (grey - cv2.GaussianBlur(grey, (0, 0), log_uniform(rng, 0.7, 2.2)))
    tone = grey[..., None] + hue * np.float32(log_uniform(rng, 0.35, 1.5))
    picture = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, camera.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)[..., ::-1])

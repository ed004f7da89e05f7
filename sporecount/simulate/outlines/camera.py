"""The ground under the print, the blur of the microscope, and what the phone makes of the light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.outlines.fields import LUMA, Array, noise_field
from sporecount.simulate.outlines.style import HouseStyle


def draw_ground(rng: np.random.Generator, shape: tuple[int, int], style: HouseStyle) -> tuple[Array, float]:
    """Transmission of the bare ground, and the standard deviation of its density at a spore's size."""
    px = style.um_per_px
    strength = style.ground_strength
    tint: Array = 1 + rng.normal(0, 0.03, 3)
    density: Array = 0.01 * strength * noise_field(rng, shape, 90 / px, 2)
    if style.ground == "tape":
        # Glue: flat islands with thin darker seams, from folds of one noise.
        folds: Array = noise_field(rng, shape, rng.uniform(18, 70) / px, 3)
        density += strength * (0.02 * np.tanh(2 * folds) + 0.05 * np.exp(-((folds / 0.12) ** 2)))
    elif style.ground == "card":
        density += 0.035 * strength * noise_field(rng, shape, rng.uniform(12, 40) / px, 4)
    elif style.ground == "paper":
        # Stretched noises in three directions stand for the felt of fibres.
        for _ in range(3):
            grid = noise_field(rng, (shape[0], max(8, shape[1] // 6)), 7 / px, 2)
            felt = cv2.resize(grid, shape[::-1], interpolation=cv2.INTER_LINEAR)
            turn = cv2.getRotationMatrix2D((shape[1] / 2, shape[0] / 2), rng.uniform(0, 180), 1.3)
            felt = cv2.warpAffine(felt, turn, shape[::-1], borderMode=cv2.BORDER_REFLECT)
            density += 0.02 * strength * np.asarray(felt, np.float32)
        tint = tint * np.array([1.0, 0.99, 0.95])
    if style.preset == "hard" and rng.random() < 0.6:
        # A smear of glue or body fluid with an edge of its own.
        smear = noise_field(rng, shape, rng.uniform(120, 300) / px, 3)
        density += rng.uniform(0.05, 0.2) * (smear > 0.6) + 0.12 * np.exp(-(((smear - 0.6) / 0.05) ** 2))
    texture = float(np.std(density - cv2.GaussianBlur(density, (0, 0), max(10 / px, 1))))
    light = np.exp(-np.log(10) * density)[..., None] * tint
    if style.ruled:
        slant = rng.uniform(0, np.pi)
        yy, xx = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        across = (xx * np.cos(slant) + yy * np.sin(slant)) * px - rng.uniform(0, 0.7) * shape[1] * px
        line = np.clip((rng.uniform(30, 90) - np.abs(across)) / 8, 0, 1)
        ink = rng.uniform(0.15, 0.45) * line * np.clip(0.9 + 0.12 * noise_field(rng, shape, 12 / px, 2), 0, 2)
        light = light * 10 ** (-ink[..., None] * np.array([1.2, 0.8, 0.4]))
    return np.asarray(light, np.float32), texture


def variance_map(rng: np.random.Generator, shape: tuple[int, int], style: HouseStyle) -> Array:
    """Variance of the blur over the view, in um2: objective and defocus together."""
    turn = rng.uniform(0, 2 * np.pi)
    y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    x = np.linspace(-1, 1, shape[1], dtype=np.float32)[None]
    plane = (x * np.cos(turn) + y * np.sin(turn)) / 1.2 + rng.uniform(-0.6, 0.6)
    bumps = noise_field(rng, shape, 0.5 * shape[1], 1)
    even, tilt, uneven = style.focus_um
    away = even + tilt * plane + 0.6 * uneven * bumps
    return np.asarray(style.optics_um**2 + away**2, np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur a scene by a variance that differs from pixel to pixel.

    Between two evenly blurred copies the blend is linear in variance, and so is the variance of a blend.
    """
    low, high = float(variance_px2.min()), float(variance_px2.max())
    steps = 1 + np.ceil(1.5 * np.log2(max(high, 0.1) / max(low, 0.1)))
    number = 1 if high - low < 0.02 else int(np.clip(steps, 2, 7))
    knots = np.linspace(np.sqrt(low), np.sqrt(high), number) ** 2
    total = np.zeros_like(scene)
    for k, knot in enumerate(knots):
        weight = np.ones_like(variance_px2)
        if k > 0:
            weight = np.clip((variance_px2 - knots[k - 1]) / (knot - knots[k - 1]), 0, 1)
        if k + 1 < number:
            weight = np.minimum(weight, np.clip((knots[k + 1] - variance_px2) / (knots[k + 1] - knot), 0, 1))
        sigma = float(np.sqrt(knot))
        blurred = (
            cv2.GaussianBlur(scene, (0, 0), sigma, borderType=cv2.BORDER_REFLECT) if sigma > 0.05 else scene
        )
        total += weight[..., None] * blurred
    return total


@dataclass(frozen=True)
class Phone:
    """Lamp, eyepiece and phone of one photo; levels are shares of full white."""

    level: float
    lamp: Array
    uneven: float
    vignette: float
    middle: tuple[float, float]
    round_radius: float
    fringe: float
    noise: float
    smooth_px: float
    smooth: float
    sharpen: float
    colour: float
    quality: int
    flare: float

    def noise_density(self, light: float) -> float:
        """Noise of a pixel as optical density, where the scene has a light level."""
        seen = max(light, 1e-3)
        return self.noise * np.sqrt(seen + 0.02) / seen / np.log(10) * (1 - 0.6 * self.smooth)


def draw_phone(rng: np.random.Generator, style: HouseStyle) -> Phone:
    """Draw lamp and phone."""
    lamps = ((1.0, 0.99, 0.97), (1.06, 1.0, 0.86), (0.95, 1.0, 1.05), (1.0, 1.0, 1.0), (1.03, 1.0, 0.93))
    lamp = np.array(lamps[int(rng.integers(len(lamps)))]) * (1 + rng.normal(0, 0.02, 3))
    if style.unusual == "blue":
        lamp = lamp * np.array([rng.uniform(0.55, 0.8), 0.93, 1.15])
    elif style.unusual == "green":
        lamp = lamp * np.array([rng.uniform(0.6, 0.85), 1.08, rng.uniform(0.65, 0.85)])
    level = rng.uniform(0.1, 0.25) if style.dim else rng.uniform(0.42, 0.86)
    uneven, vignette, x, y, fringe, smooth_px, smooth, sharpen = rng.uniform(
        (0, 0, 0.4, 0.4, -0.0016, 0.5, 0, 0), (0.22, 0.4, 0.6, 0.6, 0.0016, 1.0, 0.8, 0.9)
    ).tolist()
    radius = rng.uniform(0.75, 1.05) if rng.random() < 0.22 else 0.0
    noise = float(np.exp(rng.uniform(np.log(0.006), np.log(0.045 if style.dim else 0.03))))
    colour = rng.uniform(0, 0.15) if style.unusual == "grey" else rng.uniform(0.75, 1.25)
    quality = int(rng.integers(60, 98))
    eyepiece = (uneven, vignette, (x, y), radius, fringe)
    return Phone(level, lamp, *eyepiece, noise, smooth_px, smooth, sharpen, colour, quality, style.flare)


def lamp_field(phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Light over the view per channel, and the share of each pixel that the eyepiece shows."""
    rows, cols = shape
    y = (np.arange(rows, dtype=np.float32)[:, None] - phone.middle[1] * rows) / (0.5 * cols)
    x = (np.arange(cols, dtype=np.float32)[None] - phone.middle[0] * cols) / (0.5 * cols)
    radius = np.hypot(x, y)
    field = 1 - phone.vignette * np.clip(radius, 0, 1.4) ** 2 / 2
    field *= 1 + phone.uneven * (0.6 * x - 0.8 * y) / 2
    view = np.ones(shape, np.float32)
    if phone.round_radius:
        view = np.clip((phone.round_radius - radius) * 0.5 * cols / 6 + 0.5, 0, 1)
    return np.asarray(field[..., None] * phone.lamp * phone.level, np.float32), np.asarray(view, np.float32)


def develop(rng: np.random.Generator, scene: Array, view: Array, phone: Phone) -> np.ndarray:
    """Make the finished 8-bit picture from linear light."""
    # Stray light lifts the shadows; the phone's exposure takes the mean back.
    scene = (scene + phone.flare * phone.level * view[..., None]) / (1 + phone.flare)
    # Red is magnified and blue shrunk about the middle; green, which carries the outline, stays.
    rows, cols = view.shape
    for at, by in ((0, phone.fringe), (2, -phone.fringe)):
        turn = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), 0, 1 + by)
        scene[..., at] = cv2.warpAffine(scene[..., at], turn, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    grain = rng.standard_normal(scene.shape, np.float32) * phone.noise * (0.7 * view[..., None] + 0.3)
    scene = np.clip(scene + grain * np.sqrt(np.clip(scene, 0, None) + 0.02), 0, 1)
    soft = cv2.GaussianBlur(scene, (0, 0), phone.smooth_px)
    scene = scene + phone.smooth * (soft - scene)
    shown = scene ** np.float32(1 / 2.2)
    if phone.sharpen > 0.05:
        shown = shown + phone.sharpen * (shown - cv2.GaussianBlur(shown, (0, 0), 1.4))
    grey = (shown @ LUMA)[..., None]
    shown = np.clip(grey + phone.colour * (shown - grey), 0, 1)
    picture = np.asarray(shown * 255 + 0.5, np.uint8)
    _, packed = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])

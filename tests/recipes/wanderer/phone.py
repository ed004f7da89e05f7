"""From the composed scene to the finished picture: focus that varies with tilt, lamp, sensor, phone, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.recipes.wanderer.canvas import Array, noise
from tests.recipes.wanderer.plan import Plan


@dataclass(frozen=True)
class Phone:
    """Settings of lamp and phone for one photo."""

    cast: Array
    level: float
    vignette: float
    slope: tuple[float, float]
    round_view: tuple[float, float, float] | None
    full_well: float
    read: float
    denoise: float
    sharpen: float
    sharpen_px: float
    curve: float
    saturation: float
    fringe: float
    quality: int

    def noise_od(self, light: float) -> float:
        """Standard deviation of a pixel's optical density after noise reduction, at a share of full light."""
        light = max(light, 1e-3)
        kept = 1 - 0.6 * self.denoise
        return 0.434 * kept * float(np.hypot(np.sqrt(light / self.full_well), self.read)) / light


def draw_phone(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Phone:
    """Draw lamp and phone; the round view, where shown, leaves out the corners."""
    rows, cols = shape
    radius = rng.uniform(0.42, 0.6) * max(min(rows, cols), 0.8 * max(rows, cols))
    shown = rng.random() < 0.22
    warm = rng.normal(0, 0.10)
    cast = np.array([1 + warm + 0.03, 1 + rng.normal(0, 0.03), 1 - 1.3 * warm - 0.04])
    return Phone(
        cast=cast.astype(np.float32),
        level=float(rng.uniform(0.16, 0.3) if plan.dim else rng.uniform(0.4, 0.8)),
        vignette=float(rng.uniform(0.02, 0.35)),
        slope=(float(rng.normal(0, 0.08)), float(rng.normal(0, 0.08))),
        round_view=(
            float(cols * rng.uniform(0.46, 0.54)),
            float(rows * rng.uniform(0.46, 0.54)),
            float(radius),
        )
        if shown
        else None,
        full_well=float(np.exp(rng.uniform(np.log(400), np.log(6000)))) * (0.4 if plan.dim else 1),
        read=float(rng.uniform(0.001, 0.006)),
        denoise=float(rng.uniform(0, 1)),
        sharpen=float(rng.uniform(0, 1.0)),
        sharpen_px=float(rng.uniform(0.8, 1.6)),
        curve=float(rng.uniform(-0.1, 0.5)),
        saturation=float(rng.uniform(0.75, 1.3)),
        fringe=float(rng.normal(0, 0.0006)),
        quality=int(rng.integers(60, 98)),
    )


def variance_map(rng: np.random.Generator, shape: tuple[int, int], plan: Plan) -> Array:
    """Variance of the blur in µm²: a sharp point's own, and a plane of defocus with a little unevenness."""
    y, x = np.linspace(-0.5, 0.5, shape[0])[:, None], np.linspace(-0.5, 0.5, shape[1])[None]
    way = rng.uniform(0, 2 * np.pi)
    plane = plan.defocus_um + 2 * plan.tilt_um * (np.cos(way) * x + np.sin(way) * y)
    plane = plane + 0.15 * plan.tilt_um * noise(rng, shape, max(shape) / 3)
    return (plan.sharp_um**2 + plane**2).astype(np.float32)


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blend 3 to 5 blurred copies so that the variance of the blend is that of the map at each pixel."""
    low, high = float(np.sqrt(variance_px2.min())), float(np.sqrt(variance_px2.max()))
    number = int(np.clip(np.ceil((high - low) / 0.5) + 1, 3, 5))
    steps = np.linspace(low, high + 1e-3, number)
    out = np.zeros_like(scene)
    for k, sigma in enumerate(steps):
        weight = np.interp(variance_px2, steps**2, np.eye(number)[k]).astype(np.float32)
        copy = cv2.GaussianBlur(scene, (0, 0), sigma) if sigma > 0.2 else scene
        out += weight[..., None] * copy
    return out


def lamp_field(phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Light of the lamp, and the round view (1 inside, 0 in the black surround)."""
    rows, cols = shape
    y, x = np.arange(rows, dtype=np.float32)[:, None], np.arange(cols, dtype=np.float32)[None]
    u, v = x / cols - 0.5, y / rows - 0.5
    light = (1 - phone.vignette * 2 * (u**2 + v**2)) * (1 + phone.slope[0] * u + phone.slope[1] * v)
    view = np.ones(shape, np.float32)
    if phone.round_view is not None:
        cx, cy, radius = phone.round_view
        view = np.clip((radius - np.hypot(x - cx, y - cy)) / (0.012 * radius) + 0.5, 0, 1)
    return light.astype(np.float32), view.astype(np.float32)


def develop(rng: np.random.Generator, scene: Array, phone: Phone) -> np.ndarray:
    """Take the picture of a blurred and lit scene (linear): uint8 sRGB (H, W, 3)."""
    rows, cols = scene.shape[:2]
    light = scene * (phone.level * phone.cast)
    for channel, sign in ((0, 1), (2, -1)):
        grow = 1 + sign * phone.fringe
        matrix = np.array([[grow, 0, (1 - grow) * cols / 2], [0, grow, (1 - grow) * rows / 2]])
        light[..., channel] = cv2.warpAffine(
            light[..., channel], matrix, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    light = np.clip(light, 0, 1.3)
    spread = np.sqrt(light / phone.full_well + phone.read**2)
    light += spread * rng.standard_normal(light.shape, dtype=np.float32)
    if phone.denoise > 0.15:
        # Phones smooth colour more than brightness.
        grey = light.mean(axis=2, keepdims=True)
        colour = cv2.GaussianBlur(light - grey, (0, 0), 0.6 + 1.4 * phone.denoise)
        calm = cv2.GaussianBlur(grey, (0, 0), 0.8)[..., None]
        light = colour + grey + 0.7 * phone.denoise * (calm - grey)
    tone = np.clip(light, 0, 1) ** np.float32(1 / 2.2)
    tone += phone.curve * (tone * tone * (3 - 2 * tone) - tone)
    tone += phone.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), phone.sharpen_px))
    grey = tone.mean(axis=2, keepdims=True)
    tone = grey + phone.saturation * (tone - grey)
    picture = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])

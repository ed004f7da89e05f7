"""The phone at the eyepiece: view, vignette, noise, and what its software does to the picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.slices.conditions import Conditions, log_between
from sporecount.simulate.slices.stack import Map

Rng = np.random.Generator


_LINEAR = np.linspace(0, 1, 16384)
TONE = np.where(_LINEAR <= 0.0031308, 12.92 * _LINEAR, 1.055 * _LINEAR ** (1 / 2.4) - 0.055).astype(
    np.float32
)
"""The curve of sRGB (IEC 61966-2-1), by steps of linear light."""


DARK = 0.004
"""Linear value of no light at all."""


@dataclass(frozen=True)
class Phone:
    """How the phone renders: exposure, noise and processing.

    `level` is the linear value of bare ground; `well` the electrons of a white pixel; `round_px` centre and
    radius of the eyepiece's view where its rim shows.
    """

    level: float
    well: float
    read: float
    tint: tuple[float, float, float]
    veil: float
    vignette: float
    round_px: tuple[float, float, float] | None
    denoise: float
    sharpen: float
    curve: float
    saturation: float
    fringe: float
    quality: int

    def noise_density(self) -> float:
        """Noise of a pixel of bare ground, in optical density."""
        electrons = self.level * self.well
        return float(np.sqrt(electrons + self.read**2) / electrons / np.log(10) * (1 - 0.5 * self.denoise))


def draw_phone(rng: Rng, here: Conditions, width: int, height: int) -> Phone:
    """Draw a phone, its exposure to this light and where the rim of the view lies in its photo."""
    rough = here.preset == "hard"
    level = rng.uniform(0.1, 0.22) if here.dim else rng.uniform(0.32, 0.82)
    lamp = here.lamp_rgb()
    # Automatic white balance takes away most of the lamp's tint, seldom all of it.
    tint = (lamp / lamp[1]) ** rng.uniform(0.05, 0.6) * np.exp(rng.normal(0, 0.025, 3))
    if here.from_above:
        level = min(level * 1.1, 0.8)
    ring = None
    if rng.random() < 0.22:
        radius = rng.uniform(0.5, 0.62) * max(width, height) * rng.uniform(0.9, 1.05)
        ring = (width * rng.uniform(0.46, 0.54), height * rng.uniform(0.46, 0.54), float(radius))
    return Phone(
        level=float(level),
        well=log_between(rng, 500, 2500) if here.dim else log_between(rng, 1800 if rough else 3000, 22000),
        read=float(rng.uniform(2, 7)),
        tint=(float(tint[0]), float(tint[1]), float(tint[2])),
        veil=float(rng.uniform(0.0, 0.09) + (0.04 if rough else 0)),
        vignette=float(rng.choice([0.0, rng.uniform(0.05, 0.5)], p=[0.25, 0.75])),
        round_px=ring,
        denoise=float(rng.uniform(0, 1)),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.3)], p=[0.3, 0.7])),
        curve=float(rng.uniform(-0.1, 0.55)),
        saturation=float(rng.uniform(0.85, 1.4)),
        fringe=float(rng.normal(0, 0.0006)),
        quality=int(rng.integers(68, 97)),
    )


def in_view(phone: Phone, width: int, height: int) -> Map:
    """1 inside of the round view, 0 outside, soft at its rim."""
    if phone.round_px is None:
        return np.ones((height, width), np.float32)
    x, y, radius = phone.round_px
    away = np.hypot(np.arange(width)[None, :] - x, np.arange(height)[:, None] - y)
    return np.clip((radius - away) / max(0.012 * radius, 1.5) + 0.5, 0, 1).astype(np.float32)


def stray(phone: Phone, light: Map) -> Map:
    """Add the light that glass and glue scatter over the whole picture."""
    mean = light.mean(axis=(0, 1), dtype=np.float64).astype(np.float32)
    return (light + np.float32(phone.veil) * mean) / np.float32(1 + phone.veil)


def expose(phone: Phone, light: Map) -> Map:
    """Linear picture before noise, from light at the photo's pixels, bare ground 1."""
    h, w = light.shape[:2]
    x, y = (np.arange(w) / w - 0.5)[None, :], (np.arange(h) / h - 0.5)[:, None]
    fall = (1 - phone.vignette * (x**2 + y**2) * 1.6).astype(np.float32)
    seen = in_view(phone, w, h)
    gain = np.array(phone.tint, np.float32) * np.float32(phone.level)
    return np.clip(stray(phone, light) * (fall * seen)[..., None] * gain + DARK, 0, None)


def develop(rng: Rng, phone: Phone, linear: Map) -> np.ndarray:
    """Add noise, then do what the phone does: denoising, sRGB, sharpening, tone, colour, JPEG."""
    grain = rng.standard_normal(linear.shape, np.float32)
    raw = linear + grain * cv2.sqrt(
        linear * np.float32(1 / phone.well) + np.float32((phone.read / phone.well) ** 2)
    )
    # Colour noise is smoothed most, as phones do.
    grey = raw.mean(axis=2, keepdims=True)
    colour = cv2.GaussianBlur(raw - grey, (0, 0), 0.8 + 1.4 * phone.denoise)
    if phone.denoise > 0.3:
        smooth = cv2.GaussianBlur(grey, (0, 0), 0.9)[..., None]
        busy = np.clip(
            np.abs(grey - smooth)
            / (2.5 * np.sqrt(np.maximum(smooth, np.float32(1e-4)) * np.float32(1 / phone.well))),
            0,
            1,
        )
        grey = grey + (smooth - grey) * np.float32(0.8 * phone.denoise) * (1 - busy)
    value = TONE[np.clip((grey + colour) * (len(TONE) - 1), 0, len(TONE) - 1).astype(np.uint16)]
    value = value + np.float32(phone.curve) * value * (1 - value) * (value - 0.45) * 2
    if phone.sharpen:
        value = value + np.float32(phone.sharpen) * (value - cv2.GaussianBlur(value, (0, 0), 1.3))
    middle = value.mean(axis=2, keepdims=True)
    value = middle + np.float32(phone.saturation) * (value - middle)
    rgb = np.clip(value * 255 + 0.5, 0, 255).astype(np.uint8)
    done = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(done, cv2.IMREAD_COLOR))[..., ::-1])

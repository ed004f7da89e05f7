"""The eyepiece and the phone: fall-off, cast, noise and its removal, sharpening, tone curve, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.stamps.plan import log_uniform
from sporecount.simulate.stamps.sheet import Array

_CASTS = {
    "daylight": (0.97, 1.0, 1.02),
    "led": (0.93, 1.0, 1.08),
    "tungsten": (1.18, 1.0, 0.72),
    "green": (0.92, 1.03, 0.9),
    "neutral": (1.0, 1.0, 1.0),
}


@dataclass(frozen=True)
class Phone:
    """How one photo was taken."""

    view: tuple[float, float, float] | None
    fall_off: float
    slant: tuple[float, float]
    middle: tuple[float, float]
    cast: tuple[float, ...]
    level: float
    full_well: float
    read_sd: float
    denoise: str
    sharpen: float
    sharpen_px: float
    curve: float
    saturation: float
    fringe: float
    glare: float
    quality: int

    def noise(self, light: Array) -> Array:
        """Relative standard deviation of a pixel at a share of full light, after the phone's smoothing."""
        level = np.maximum(np.asarray(light) * self.level, 1e-3)
        left = {"none": 0.75, "bilateral": 0.45, "median": 0.5, "smooth": 0.4}[self.denoise]
        # The last part is what eight bits and JPEG leave of the darkest tones.
        return left * np.sqrt(level / self.full_well + self.read_sd**2) / level + 0.004 / np.sqrt(level)


def draw_phone(rng: np.random.Generator, shape: tuple[int, int], dim: bool, rough: float) -> Phone:
    """Draw a phone and the way it was held."""
    rows, cols = shape
    view = None
    if rng.random() < 0.25:
        radius = rng.uniform(0.44, 0.68) * np.hypot(rows, cols) * 0.85
        view = (cols * rng.normal(0.5, 0.04), rows * rng.normal(0.5, 0.04), float(radius))
    cast = np.array(_CASTS[str(rng.choice(list(_CASTS)))]) * np.exp(rng.normal(0, 0.03, 3))
    return Phone(
        view=view,
        fall_off=float(rng.beta(1.2, 3)) * 0.8,
        slant=(float(rng.normal(0, 0.08 + 0.08 * rough)), float(rng.normal(0, 0.08 + 0.08 * rough))),
        middle=(float(rng.normal(0, 0.15)), float(rng.normal(0, 0.15))),
        cast=tuple(float(c) for c in cast / cast.mean()),
        level=float(rng.uniform(0.16, 0.4) if dim else rng.uniform(0.45, 0.95)),
        full_well=log_uniform(rng, 500, 9000) / (1 + 2 * rough),
        read_sd=log_uniform(rng, 0.001, 0.006) * (1 + 2 * dim),
        denoise=str(rng.choice(["none", "bilateral", "median", "smooth"], p=[0.35, 0.35, 0.15, 0.15])),
        sharpen=float(rng.beta(1.2, 2) * 1.6),
        sharpen_px=float(rng.uniform(0.7, 2.2)),
        curve=float(rng.uniform(0, 0.7)),
        saturation=float(rng.uniform(0.6, 1.4)),
        fringe=float(rng.normal(0, 0.0009)),
        glare=float(rng.beta(1, 6)) * 0.25,
        quality=int(rng.integers(60, 98)),
    )


def light_the_view(light: Array, phone: Phone) -> tuple[Array, Array]:
    """Put the lamp's unevenness, glare and the round view on the scene; also tells what is seen at all."""
    rows, cols = light.shape[:2]
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    u, v = (x / cols - 0.5) * 2, (y / rows - 0.5) * 2 * rows / cols
    far = (u - phone.middle[0]) ** 2 + (v - phone.middle[1]) ** 2
    lamp = (1 + phone.slant[0] * u + phone.slant[1] * v) / (1 + phone.fall_off * far)
    out = light * lamp[..., None]
    # The phone meters on the bright parts.
    out /= max(float(np.percentile(out[::4, ::4], 97)), 1e-3)
    # Stray light from the lenses lifts the dark tones.
    out = out * (1 - phone.glare) + phone.glare * out.mean(axis=(0, 1))
    seen = np.ones((rows, cols), bool)
    if phone.view is not None:
        distance = phone.view[2] - np.hypot(x - phone.view[0], y - phone.view[1])
        for c, shift in enumerate((-0.8, 0.0, 0.8)):
            out[..., c] *= 0.006 + 0.994 / (1 + np.exp(-np.clip((distance + shift) / 2.5, -30, 30)))
        seen = distance > 4
    return out, seen


def take_picture(rng: np.random.Generator, light: Array, phone: Phone) -> Array:
    """Take the picture: sRGB, 8 bit, after JPEG."""
    rows, cols = light.shape[:2]
    out = np.empty_like(light)
    for c, grow in enumerate((1 + phone.fringe, 1.0, 1 - phone.fringe)):
        if grow == 1.0:
            out[..., c] = light[..., c]
        else:
            turn = np.array([[grow, 0, (1 - grow) * (cols - 1) / 2], [0, grow, (1 - grow) * (rows - 1) / 2]])
            one = np.ascontiguousarray(light[..., c])
            out[..., c] = cv2.warpAffine(one, turn, (cols, rows), borderMode=cv2.BORDER_REFLECT)
    out *= np.array(phone.cast, np.float32) * np.float32(phone.level)
    sd = np.sqrt(np.maximum(out, 0) / phone.full_well + phone.read_sd**2)
    noise = rng.standard_normal(out.shape, dtype=np.float32)
    # Filling in the colour mosaic makes neighbours alike.
    noise = 0.5 * noise + 0.75 * cv2.GaussianBlur(noise, (0, 0), 0.7)
    tone: Array = np.clip(out + sd * noise, 0, 1.3) ** np.float32(1 / 2.2)
    if phone.denoise == "bilateral":
        tone = cv2.bilateralFilter(np.ascontiguousarray(tone), 5, 0.07, 1.8)
    elif phone.denoise == "median":
        tone = cv2.medianBlur(np.ascontiguousarray(tone), 3)
    elif phone.denoise == "smooth":
        space = cv2.cvtColor(np.clip(tone, 0, 1), cv2.COLOR_RGB2YCrCb)
        tone = cv2.cvtColor(
            np.dstack(
                [cv2.GaussianBlur(space[..., 0], (0, 0), 0.6), cv2.GaussianBlur(space[..., 1:], (0, 0), 2.0)]
            ),
            cv2.COLOR_YCrCb2RGB,
        )
    if phone.sharpen > 0.05:
        soft = cv2.GaussianBlur(tone, (0, 0), phone.sharpen_px)
        tone = tone + phone.sharpen * np.clip(tone - soft, -0.12, 0.12)
    tone = np.clip(tone, 0, 1)
    # An S curve about the middle tones.
    tone = (1 - phone.curve) * tone + phone.curve * (tone * tone * (3 - 2 * tone))
    grey = (tone @ np.array([0.3, 0.59, 0.11], np.float32))[..., None]
    tone = np.clip(grey + phone.saturation * (tone - grey), 0, 1)
    rgb = np.round(tone * 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)[..., ::-1].copy()

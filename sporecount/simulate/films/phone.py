"""Lamp, eyepiece and phone: from light on the sensor to a finished picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.films.bodies import noise
from sporecount.simulate.films.stack import Array
from sporecount.simulate.films.style import Rng, Style

# Tungsten, white diode, daylight, greenish, amber.
CASTS = ((1.12, 0.98, 0.72), (0.93, 1.0, 1.06), (1.0, 1.0, 1.0), (0.93, 1.03, 0.9), (1.1, 0.95, 0.55))


@dataclass(frozen=True)
class Phone:
    """Settings of one exposure; `level` is the ground's, linear, and `shot` the noise of a full pixel."""

    level: float
    cast: tuple[float, float, float]
    shot: float
    read: float
    smooth: float
    sharpen: float
    sharpen_px: float
    soft_px: float
    fringe: float
    quality: int
    vignette: float
    lean: tuple[float, float]
    round_view: tuple[float, float, float] | None


def draw_phone(rng: Rng, shape: tuple[int, int], style: Style) -> Phone:
    """Draw the settings."""
    cheap = rng.random() < {"good_focus": 0.2, "hard": 0.7, "no_spores": 0.5}.get(style.preset, 0.4)
    dim = rng.random() < (0.4 if style.preset == "hard" else 0.1)
    cast = np.array(CASTS[int(rng.integers(len(CASTS)))]) ** rng.uniform(0.2, 1.1)
    cast = cast * np.exp(rng.normal(0, 0.03, 3))
    round_view = None
    if rng.random() < 0.25:
        x, y = shape[1] * (0.5 + rng.normal(0, 0.04)), shape[0] * (0.5 + rng.normal(0, 0.04))
        round_view = (float(x), float(y), float(rng.uniform(0.5, 0.62) * max(shape)))
    return Phone(
        level=float(rng.uniform(0.07, 0.25) if dim else rng.uniform(0.28, 0.85)),
        cast=(float(cast[0]), float(cast[1]), float(cast[2])),
        shot=float(rng.uniform(0.015, 0.05) if cheap else rng.uniform(0.004, 0.02)),
        read=float(rng.uniform(0.003, 0.010) if cheap else rng.uniform(0.001, 0.004)),
        smooth=float(rng.uniform(0.5, 1.0) if cheap else rng.uniform(0, 0.5)),
        sharpen=float(rng.uniform(0.6, 2.0) if cheap else rng.uniform(0, 0.8)),
        sharpen_px=float(rng.uniform(0.8, 2.2)),
        soft_px=float(rng.uniform(0.5, 1.3) if cheap else rng.uniform(0.25, 0.7)),
        fringe=float(rng.normal(0, 0.0012)),
        quality=int(rng.integers(60, 82) if cheap else rng.integers(75, 98)),
        vignette=float(rng.gamma(1.5, 0.15)),
        lean=(float(rng.normal(0, 0.18)), float(rng.normal(0, 0.18))),
        round_view=round_view,
    )


def lamp_field(rng: Rng, phone: Phone, shape: tuple[int, int]) -> tuple[Array, Array]:
    """Uneven light, about 1 in the middle, and the share of the eyepiece's round view in each pixel."""
    rows, cols = shape
    yy, xx = np.mgrid[:rows, :cols].astype(np.float32)
    side = np.float32(max(rows, cols) / 2)
    u, v = (xx - cols / 2) / side, (yy - rows / 2) / side
    lamp = np.exp(phone.lean[0] * u + phone.lean[1] * v - phone.vignette * (u**2 + v**2))
    lamp = lamp * (1 + 0.02 * noise(rng, shape, float(side) / 2))
    view = np.ones(shape, np.float32)
    if phone.round_view is not None:
        x, y, radius = phone.round_view
        off = radius - np.hypot(xx - x, yy - y)
        view = np.clip(off / max(2.0, 0.01 * radius) + 0.5, 0, 1).astype(np.float32)
    return lamp.astype(np.float32), view.astype(np.float32)


def noise_density(phone: Phone, light: float) -> float:
    """Spread of the optical density that noise gives one pixel under a light."""
    light = max(light, 1e-3)
    raw = float(np.sqrt(phone.shot**2 * light + phone.read**2)) / light / np.log(10)
    return raw * (1 - 0.5 * phone.smooth)


def optics(scene: Array, phone: Phone) -> Array:
    """Give what reaches the sensor: colours a little apart and a little soft."""
    rows, cols = scene.shape[:2]
    out = []
    for channel, size in enumerate((1 + phone.fringe, 1.0, 1 - phone.fringe)):
        move = np.array([[size, 0, (1 - size) * (cols - 1) / 2], [0, size, (1 - size) * (rows - 1) / 2]])
        plane = cv2.warpAffine(scene[..., channel], move, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
        out.append(cv2.GaussianBlur(plane, (0, 0), phone.soft_px))
    return np.stack(out, 2)


def develop(rng: Rng, light: Array, phone: Phone) -> np.ndarray:
    """Expose, smooth, sharpen, save and read again: uint8 sRGB."""
    exposed = light * np.float32(phone.level) * np.array(phone.cast, np.float32)
    spread = np.sqrt(np.float32(phone.shot**2) * np.clip(exposed, 0, None) + np.float32(phone.read**2))
    exposed = exposed + spread * rng.standard_normal(exposed.shape, np.float32)
    tone = np.clip(exposed, 0, 1) ** np.float32(1 / rng.uniform(1.9, 2.5))
    tone = tone + np.float32(rng.uniform(-0.15, 0.5)) * tone * (1 - tone) * (tone - 0.5) * 2
    luma = tone @ np.array([0.3, 0.59, 0.11], np.float32)
    # Colour is smoothed far more than brightness, as phones do.
    chroma = cv2.GaussianBlur(tone - luma[..., None], (0, 0), 0.6 + 2.0 * phone.smooth)
    if phone.smooth > 0.15:
        calm = np.asarray(cv2.bilateralFilter(luma, 5, 0.02 + 0.1 * phone.smooth, 2.0), np.float32)
        luma = luma + np.float32(min(1.0, 0.4 + phone.smooth)) * (calm - luma)
    if phone.sharpen > 0.05:
        detail = luma - np.asarray(cv2.GaussianBlur(luma, (0, 0), phone.sharpen_px), np.float32)
        luma = luma + np.float32(phone.sharpen) * np.clip(detail, -0.12, 0.12)
    picture = luma[..., None] + np.float32(rng.uniform(0.55, 1.35)) * chroma
    whole = np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", whole[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    if not done:
        raise RuntimeError("the picture could not be saved as JPEG")
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1])

"""The phone behind the eyepiece: round view, fringes, noise, its own tone and sharpening, JPEG."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.pilgrim.palette import Floats, Rng

GAMMA = 2.2


class Phone(NamedTuple):
    """How a phone turns light into a picture."""

    noise: float
    smear: float
    sharpen: float
    bend: float
    balance: float
    jpeg: int
    fringe: float


def draw_phone(rng: Rng, rough: float) -> Phone:
    """Draw a phone; a rough one is noisier, smears more and saves smaller files."""
    return Phone(
        noise=float(rng.uniform(0.003, 0.012) * (1 + 2 * rough)),
        smear=float(rng.uniform(0, 0.6) * rough),
        sharpen=float(rng.uniform(0, 0.9)),
        bend=float(rng.uniform(-0.05, 0.25)),
        balance=float(rng.uniform(0.3, 1.0)),
        jpeg=int(rng.integers(60 + int(18 * (1 - rough)), 96)),
        fringe=float(rng.normal(0, 0.0007)),
    )


def round_view(shape: tuple[int, int], rng: Rng) -> Floats:
    """Draw the eyepiece's round view with a soft edge; all that is outside stays nearly dark."""
    rows, cols = shape
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    radius = rng.uniform(0.5, 0.62) * max(shape)
    middle = rng.normal((cols / 2, rows / 2), 0.03 * min(shape))
    away = radius - np.hypot(x - middle[0], y - middle[1])
    return np.asarray(np.clip(away / (0.008 * cols + 2) + 0.5, 0.01, 1), np.float32)


def white_balanced(light: Floats, level: float, phone: Phone) -> Floats:
    """Expose: bring the bright parts to a level, and take part of the lamp's colour away."""
    bright = np.percentile(light[::7, ::7].reshape(-1, 3), 80, axis=0)
    gain = (bright.mean() / np.maximum(bright, 1e-3)) ** phone.balance
    return np.asarray(light * (gain * level / max(float((bright * gain).mean()), 1e-3)), np.float32)


def fringed(light: Floats, fringe: float) -> Floats:
    """Magnify red a little more and blue a little less than green."""
    rows, cols = light.shape[:2]
    out = light.copy()
    for channel, scale in ((0, 1 + fringe), (2, 1 - fringe)):
        turn = np.array([[scale, 0, (1 - scale) * (cols - 1) / 2], [0, scale, (1 - scale) * (rows - 1) / 2]])
        plane = np.ascontiguousarray(light[..., channel])
        out[..., channel] = cv2.warpAffine(plane, turn, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    return out


def take(light: Floats, phone: Phone, rng: Rng) -> NDArray[np.uint8]:
    """Turn exposed linear light into the saved picture."""
    spread = phone.noise * np.sqrt(np.clip(light, 0.002, 2) * 0.9 + 0.02)
    noisy = light + spread * rng.standard_normal(light.shape, dtype=np.float32)
    tone = np.clip(noisy, 0, 1) ** np.float32(1 / GAMMA)
    tone = tone + phone.bend * tone * (1 - tone) * (2 * tone - 1)
    if phone.smear > 0.05:
        # denoising: flat places are smoothed, strong edges stay
        soft = cv2.GaussianBlur(tone, (0, 0), 0.6 + 1.6 * phone.smear)
        keep = np.clip(np.abs(tone - soft) / (0.04 + 0.08 * phone.smear), 0, 1)
        tone = soft + (tone - soft) * keep
    halo = cv2.GaussianBlur(tone, (0, 0), 1.2)
    tone = tone + phone.sharpen * (tone - halo)
    picture = np.round(np.clip(tone, 0, 1) * 255).astype(np.uint8)
    coded: NDArray[np.uint8] = cv2.imencode(
        ".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.jpeg]
    )[1]
    opened = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    assert opened is not None
    return np.ascontiguousarray(opened[..., ::-1], dtype=np.uint8)

"""The phone: fringes, white balance, noise, smear, sharpening, tone curve, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.roamer.optics import Plane, soften

GAMMA = 2.2


def tone(light: Plane, knee: float) -> Plane:
    """The usual power curve with a gentle shoulder, so that lamps do not clip hard."""
    bright = np.where(light > knee, knee + (1 - knee) * np.tanh((light - knee) / (1 - knee)), light)
    return np.asarray(np.clip(bright, 0, 1) ** (1 / GAMMA), np.float32)


def fringed(light: Plane, amount: float) -> Plane:
    """Magnify red and blue apart from the centre, as simple eyepieces do."""
    rows, cols = light.shape[:2]
    out = light.copy()
    for channel, sign in ((0, 1), (2, -1)):
        zoom = 1 + sign * amount
        move = np.array([[zoom, 0, (1 - zoom) * (cols - 1) / 2], [0, zoom, (1 - zoom) * (rows - 1) / 2]])
        plane = np.ascontiguousarray(light[..., channel])
        out[..., channel] = cv2.warpAffine(plane, move, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    return out


def shoot(
    rng: np.random.Generator, light: Plane, warm: float, dim: float, old: bool
) -> tuple[NDArray[np.uint8], float]:
    """Take the photo; tell the noise that was added, as a share of mid-tone light."""
    white = np.array([1 + warm, 1.0, 1 - 1.1 * warm], np.float32) * rng.normal(1, 0.02, 3).astype(np.float32)
    level = np.float32(dim / max(float(np.percentile(light, 97)), 1e-3))
    light = fringed(light * white * level, rng.uniform(0, 0.0006))
    noise = float(rng.uniform(0.012, 0.04) if old else rng.uniform(0.003, 0.018))
    rows, cols = light.shape[:2]
    grain = rng.standard_normal((rows, cols, 3), np.float32)
    if rng.random() < 0.6:
        grain = soften(grain, 0.7) * 1.6
    light = light + grain * np.float32(noise) * np.sqrt(np.maximum(light, 0) * 0.5 + 0.002)
    shown = tone(np.maximum(light, 0), float(rng.uniform(0.75, 0.95)))
    if old or rng.random() < 0.3:
        smear = np.asarray(cv2.bilateralFilter(shown, 5, 0.05, 1.6), np.float32)
        shown = shown + np.float32(rng.uniform(0.3, 1.0)) * (smear - shown)
    sharpen = np.float32(rng.uniform(0.0, 0.9))
    shown = shown + sharpen * (shown - soften(shown, float(rng.uniform(0.8, 1.6))))
    saturate = np.float32(rng.uniform(0.9, 1.25))
    grey = shown.mean(2, keepdims=True)
    shown = grey + saturate * (shown - grey)
    eight = np.clip(shown * 255 + 0.5, 0, 255).astype(np.uint8)
    quality = int(rng.integers(60, 96))
    _, packed = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    rgb = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)[..., ::-1]
    return np.ascontiguousarray(rgb), noise

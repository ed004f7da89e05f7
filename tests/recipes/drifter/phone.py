"""A cheap phone: colour filter mosaic, demosaicing, smear, local tone, sharpening, JPEG."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.drifter.style import Array, Phone

FILTERS = np.array(
    [[0.03, 0.12, 0.55, 0.60], [0.12, 0.80, 0.45, 0.10], [0.90, 0.22, 0.04, 0.02]], np.float32
)  # red, green, blue by wavelength
FILTERS /= FILTERS.sum(axis=1, keepdims=True)
WHITE_LEVEL = 16000


def develop(rng: np.random.Generator, light: Array, phone: Phone) -> NDArray[np.uint8]:
    """Turn light at the four wavelengths into the photo that the phone saves."""
    raw = np.tensordot(FILTERS, light, axes=1)
    white = np.percentile(raw[:, ::7, ::7].reshape(3, -1), 85, axis=1)
    gains = (white[1] / white) ** phone.balance * np.exp(rng.normal(0, 0.03, 3))
    raw *= np.float32(phone.exposure / white[1])
    seen = _demosaic(_mosaic(rng, raw, phone.electrons), gains.astype(np.float32))
    seen = _smear(_saturate(seen, phone.saturation), phone)
    seen = _local_tone(seen, phone.local_tone)
    shown = _curve(seen, phone.curve)
    shown = _sharpen(shown, phone)
    rgb = np.clip(shown * 255 + 0.5, 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    opened = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(opened[..., ::-1])


def _mosaic(rng: np.random.Generator, raw: Array, electrons: float) -> Array:
    """One colour at each place (red upper left), with shot and read noise."""
    mosaic = raw[1].copy()
    mosaic[::2, ::2] = raw[0, ::2, ::2]
    mosaic[1::2, 1::2] = raw[2, 1::2, 1::2]
    deviation = np.sqrt(np.maximum(mosaic, 0) / electrons + (3.0 / electrons) ** 2)
    return np.asarray(mosaic + deviation * rng.standard_normal(mosaic.shape, dtype=np.float32), np.float32)


def _demosaic(mosaic: Array, gains: Array) -> Array:
    """Balance the white and fill in the two colours that each place lacks."""
    balanced = mosaic * gains[1]
    balanced[::2, ::2] = mosaic[::2, ::2] * gains[0]
    balanced[1::2, 1::2] = mosaic[1::2, 1::2] * gains[2]
    counts = np.clip(balanced * WHITE_LEVEL + 2000, 0, 65535).astype(np.uint16)
    # The reader names its patterns by the second row and column.
    bgr = cv2.cvtColor(counts, cv2.COLOR_BayerBG2BGR_EA)
    return np.asarray((bgr[..., ::-1].astype(np.float32) - 2000) / WHITE_LEVEL, np.float32)


def _saturate(seen: Array, more: float) -> Array:
    """Undo the overlap of the filters, about."""
    grey = seen.mean(axis=2, keepdims=True)
    return np.asarray(np.clip(grey + (1 + more) * (seen - grey), 0, 1.6), np.float32)


def _smear(seen: Array, phone: Phone) -> Array:
    """Wash out what is near the noise, and keep edges."""
    root = np.sqrt(seen)
    spread = phone.smear * (0.5 / np.sqrt(phone.electrons)) * 2.2
    smooth = cv2.bilateralFilter(np.ascontiguousarray(root), 5, float(spread), 2.0)
    return np.asarray(smooth**2, np.float32)


def _local_tone(seen: Array, strength: float) -> Array:
    """Press large differences of light together, keep small ones."""
    level = np.log(seen.mean(axis=2) + 0.02)
    small = cv2.resize(level, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
    wide = max(min(small.shape) // 4, 1) * 2 + 1
    base = cv2.blur(small, (wide, wide))
    base = cv2.resize(base, level.shape[::-1], interpolation=cv2.INTER_CUBIC)
    gain = np.exp(-strength * (base - np.percentile(base, 80)))
    return np.asarray(seen * np.minimum(gain, 2.5)[..., None], np.float32)


def _curve(seen: Array, bend: float) -> Array:
    """The usual tone curve, with a shoulder and some bend about the middle."""
    light = np.where(seen > 0.8, 0.8 + 0.2 * np.tanh((seen - 0.8) / 0.2), seen)
    tone = np.where(light < 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    return np.asarray(tone + bend * 0.3 * (tone * tone * (3 - 2 * tone) - tone), np.float32)


def _sharpen(shown: Array, phone: Phone) -> Array:
    """Unsharp mask on the grey, with its halos held in bounds."""
    grey = shown.mean(axis=2)
    detail = grey - cv2.GaussianBlur(grey, (0, 0), phone.sharpen_px)
    return np.asarray(shown + np.clip(phone.sharpen * detail, -0.12, 0.12)[..., None], np.float32)

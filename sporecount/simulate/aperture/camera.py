"""A phone's camera: colour mosaic, noise, demosaicking, noise removal, sharpening, tone, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.aperture.scene import Array


@dataclass(frozen=True)
class Phone:
    """Settings of one camera.

    Parameters
    ----------
    electrons : float
        At full white: the fewer, the noisier.
    read_noise : float
        In electrons.
    smooth : str
        "none", "bilateral" or "shrink".
    sharpen, halo_px : float
        Strength and radius of the sharpening.
    contrast, saturation : float
        Bend of the tone curve, and colour gain.
    quality : int
        Of the JPEG.
    fringe : float
        Lateral colour error at the corners, as a share of the radius.
    """

    electrons: float
    read_noise: float
    smooth: str
    sharpen: float
    halo_px: float
    contrast: float
    saturation: float
    quality: int
    fringe: float


def draw_phone(rng: np.random.Generator, noisy: bool = False) -> Phone:
    """Draw a camera; `noisy` for the small sensors and high gains of dim light."""
    return Phone(
        electrons=rng.uniform(500, 1800) if noisy else rng.uniform(1800, 9000),
        read_noise=rng.uniform(2, 7),
        smooth=str(rng.choice(["none", "bilateral", "shrink", "shrink"])),
        sharpen=rng.uniform(0.0, 1.1),
        halo_px=rng.uniform(0.7, 1.8),
        contrast=rng.uniform(0.0, 0.45),
        saturation=rng.uniform(0.9, 1.35),
        quality=int(rng.integers(72, 97)),
        fringe=rng.normal(0, 0.0007),
    )


def _colour_error(light: Array, share: float) -> Array:
    rows, cols = light.shape[:2]
    out = light.copy()
    for channel, sign in ((0, 1), (2, -1)):
        k = 1 + sign * share
        turn = np.array([[k, 0, (cols - 1) / 2 * (1 - k)], [0, k, (rows - 1) / 2 * (1 - k)]], np.float64)
        out[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(light[..., channel]),
            turn,
            (cols, rows),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return out


def _shrink(rgb: Array, amount: float) -> Array:
    """Soft-threshold the fine bands of luma and, harder, of chroma."""
    ycc = cv2.cvtColor(rgb, cv2.COLOR_RGB2YCrCb)
    out = np.empty_like(ycc)
    for channel in range(3):
        level, total = ycc[..., channel], np.float32(0)
        limit = amount * (1.0 if channel == 0 else 2.5)
        for sigma in (0.8, 1.6):
            base = cv2.GaussianBlur(level, (0, 0), sigma)
            detail = level - base
            total = total + np.sign(detail) * np.maximum(np.abs(detail) - limit, 0)
            level, limit = base, limit * 0.5
        out[..., channel] = level + total
    return cv2.cvtColor(out, cv2.COLOR_YCrCb2RGB)


def photograph(rng: np.random.Generator, light: Array, phone: Phone) -> NDArray[np.uint8]:
    """Turn linear light (H, W, 3), 1 at full white, into an sRGB photo (H, W, 3) as decoded from its JPEG."""
    light = _colour_error(light, phone.fringe)
    rows, cols = light.shape[:2]
    # RGGB mosaic; odd sizes are padded for the demosaicking and cut again.
    padded = cv2.copyMakeBorder(light, 2, 2 + rows % 2, 2, 2 + cols % 2, cv2.BORDER_REFLECT_101)
    raw = padded[..., 1].copy()
    raw[0::2, 0::2] = padded[0::2, 0::2, 0]
    raw[1::2, 1::2] = padded[1::2, 1::2, 2]
    sd = np.sqrt(np.maximum(raw, 0) / phone.electrons + (phone.read_noise / phone.electrons) ** 2)
    raw = raw + sd.astype(np.float32) * rng.standard_normal(raw.shape, dtype=np.float32)
    sensor = np.clip(raw * 60000 + 2000, 0, 65535).astype(np.uint16)
    rgb = cv2.cvtColor(sensor, cv2.COLOR_BayerRGGB2RGB).astype(np.float32)
    rgb = np.clip((rgb[2 : 2 + rows, 2 : 2 + cols] - 2000) / 60000, 0, 1)
    shown = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * np.power(np.maximum(rgb, 1e-6), 1 / 2.4) - 0.055)
    shown = shown.astype(np.float32)
    noise = float(1.4 / np.sqrt(phone.electrons) + phone.read_noise / phone.electrons)
    if phone.smooth == "bilateral":
        shown = cv2.bilateralFilter(shown, 5, 2.2 * noise, 1.6)
    elif phone.smooth == "shrink":
        shown = _shrink(shown, 0.9 * noise)
    if phone.sharpen > 0.05:
        shown = shown + phone.sharpen * (shown - cv2.GaussianBlur(shown, (0, 0), phone.halo_px))
    shown = np.clip(shown, 0, 1)
    # S-shaped tone curve around mid grey, then colour gain around luma.
    bent = shown * shown * (3 - 2 * shown)
    shown = (1 - phone.contrast) * shown + phone.contrast * bent
    luma = shown @ np.array([0.299, 0.587, 0.114], np.float32)
    shown = luma[..., None] + phone.saturation * (shown - luma[..., None])
    out = np.clip(shown * 255 + 0.5, 0, 255).astype(np.uint8)
    done, data = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    assert done
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1])

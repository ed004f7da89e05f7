"""A phone camera: colour mosaic, photon noise, several frames, tone, sharpening, compression."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.relief.recipe import log_uniform

_MOSAICS = (
    cv2.COLOR_BayerBG2RGB,
    cv2.COLOR_BayerGB2RGB,
    cv2.COLOR_BayerRG2RGB,
    cv2.COLOR_BayerGR2RGB,
)
_RED_AT = ((0, 0), (0, 1), (1, 1), (1, 0))
"""Row and column, modulo 2, of the red pixel that each decoding expects (found by decoding pure red)."""


@dataclass(frozen=True)
class Camera:
    """A camera's settings for one photo.

    Parameters
    ----------
    photons : float
        In a full pixel of one frame.
    frames : int
        Taken and averaged.
    smooth : float
        Strength of the noise removal, 0 to 1.
    exposure : float
        Display value of the ground's brightest hundredth.
    shrink : float
        The photo is taken this much smaller and enlarged again; 1 or less.
    format : str
        "jpg", "webp" or "none".
    """

    photons: float
    frames: int
    mosaic: int
    balance: np.ndarray
    smooth: float
    exposure: float
    gamma: float
    contrast: float
    black: float
    saturation: float
    sharpen: float
    sharpen_px: float
    shrink: float
    format: str
    quality: int
    fringe_px: float


def random_camera(rng: np.random.Generator, preset: str) -> Camera:
    """Make up a camera."""
    hard = preset == "hard"
    return Camera(
        photons=log_uniform(rng, 250 if hard else 700, 12000),
        frames=int(rng.choice([1, 2, 4, 8])),
        mosaic=int(rng.integers(-1, 4)),
        balance=np.clip(rng.normal(1, 0.07, 3), 0.7, 1.3).astype(np.float32),
        smooth=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
        exposure=float(rng.uniform(0.45, 0.99) if hard else rng.uniform(0.6, 1.0)),
        gamma=float(rng.uniform(1.7, 2.6)),
        contrast=float(rng.uniform(-0.1, 0.7)),
        black=float(rng.uniform(0, 0.06)),
        saturation=float(
            rng.choice([0.0, rng.uniform(0.55, 1.0), rng.uniform(1.0, 1.7)], p=(0.03, 0.4, 0.57))
        ),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.6)])),
        sharpen_px=float(rng.uniform(0.6, 2.4)),
        shrink=float(rng.choice([1.0, rng.uniform(0.5, 1.0)], p=(0.65, 0.35))),
        format=str(rng.choice(["jpg", "webp", "none"], p=(0.72, 0.13, 0.15))),
        quality=int(rng.integers(45 if hard else 65, 99)),
        fringe_px=float(rng.normal(0, 0.5)),
    )


def softness_px(camera: Camera) -> float:
    """Give the standard deviation of the blur that taking it smaller, and a mosaic, add."""
    return float(
        np.hypot(0.45 / camera.shrink if camera.shrink < 1 else 0.0, 0.35 if camera.mosaic >= 0 else 0.0)
    )


def take(rng: np.random.Generator, camera: Camera, scene: np.ndarray) -> np.ndarray:
    """Make an sRGB photo, uint8, of a linear picture of the same shape."""
    rows, cols = scene.shape[:2]
    bright = float(np.percentile(scene[::3, ::3].max(axis=2), 97))
    gain = np.float32(camera.exposure**camera.gamma / max(bright, 1e-3))
    light = gain * np.clip(scene * camera.balance, 0, None)
    if abs(camera.fringe_px) > 0.1:
        light = _fringe(light, camera.fringe_px)
    if camera.shrink < 1:
        size = (max(round(cols * camera.shrink), 32), max(round(rows * camera.shrink), 32))
        light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    count = np.float32(camera.photons * camera.frames)
    if camera.mosaic >= 0:
        light = _through_mosaic(rng, light, camera.mosaic, count)
    else:
        light = light + np.sqrt(light / count + 4 / count**2) * rng.standard_normal(light.shape, np.float32)
    display = np.clip(light, 0, 1) ** np.float32(1 / camera.gamma)
    if camera.smooth > 0:
        display = _denoise(display, camera.smooth)
    display = display + np.float32(camera.contrast) * (display * display * (3 - 2 * display) - display)
    grey = display @ np.array([0.3, 0.59, 0.11], np.float32)
    display = grey[..., None] + np.float32(camera.saturation) * (display - grey[..., None])
    display = np.float32(camera.black) + np.float32(1 - camera.black) * display
    if camera.shrink < 1:
        display = cv2.resize(display, (cols, rows), interpolation=cv2.INTER_CUBIC)
    if camera.sharpen > 0:
        soft = cv2.GaussianBlur(display, (0, 0), camera.sharpen_px)
        display = display + np.float32(camera.sharpen) * (display - soft)
    photo = np.clip(display * 255 + np.float32(0.5), 0, 255).astype(np.uint8)
    return _compressed(photo, camera)


def _fringe(light: np.ndarray, shift_px: float) -> np.ndarray:
    """Red and blue a little larger and smaller than green, as a lens with side colour draws them."""
    rows, cols = light.shape[:2]
    result = light.copy()
    for channel, sign in ((0, 1), (2, -1)):
        zoom = 1 + sign * 2 * shift_px / max(rows, cols)
        move = np.array([[zoom, 0, cols / 2 * (1 - zoom)], [0, zoom, rows / 2 * (1 - zoom)]], np.float32)
        result[..., channel] = cv2.warpAffine(
            light[..., channel], move, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    return result


def _through_mosaic(
    rng: np.random.Generator, light: np.ndarray, mosaic: int, count: np.float32
) -> np.ndarray:
    row, col = _RED_AT[mosaic]
    raw = light[..., 1].copy()
    raw[row::2, col::2] = light[row::2, col::2, 0]
    raw[1 - row :: 2, 1 - col :: 2] = light[1 - row :: 2, 1 - col :: 2, 2]
    raw = raw + np.sqrt(raw / count + 4 / count**2) * rng.standard_normal(raw.shape, np.float32)
    coded = np.clip(raw * 40000 + 2000, 0, 65535).astype(np.uint16)
    full = cv2.cvtColor(coded, _MOSAICS[mosaic]).astype(np.float32)
    result: np.ndarray = (full - 2000) / np.float32(40000)
    return result


def _denoise(display: np.ndarray, strength: float) -> np.ndarray:
    """Colour noise goes most, brightness noise by a filter that keeps edges."""
    wide = cv2.GaussianBlur(display, (0, 0), 1 + 1.2 * strength)
    grey = display.mean(axis=2, keepdims=True)
    calm = grey + wide - wide.mean(axis=2, keepdims=True)
    flat = cv2.bilateralFilter(calm, 5, 0.02 + 0.07 * strength, 1.5)
    return np.clip((1 - strength) * display + strength * flat, 0, 1)


def _compressed(photo: np.ndarray, camera: Camera) -> np.ndarray:
    if camera.format == "none":
        return photo
    which = cv2.IMWRITE_JPEG_QUALITY if camera.format == "jpg" else cv2.IMWRITE_WEBP_QUALITY
    done, data = cv2.imencode(f".{camera.format}", photo[..., ::-1], [which, camera.quality])
    if not done:
        return photo
    back = cv2.imdecode(data, cv2.IMREAD_COLOR)
    return photo if back is None else np.ascontiguousarray(back[..., ::-1])

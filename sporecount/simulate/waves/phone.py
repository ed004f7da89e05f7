"""The phone at the eyepiece: round view, colour cast, tone, noise and its reduction, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.waves.bodies import clouds
from sporecount.simulate.waves.optics import LUMA, Floats


@dataclass(frozen=True)
class Phone:
    """How one photo was taken."""

    level: float
    meter: float
    cast: NDArray[np.float32]
    full_well: float
    read_noise: float
    gamma: float
    curve: float
    saturation: float
    smooth: float
    chroma_px: float
    sharpen: float
    sharpen_px: float
    fringe: float
    flare: float
    quality: int
    view: tuple[float, float, float] | None


def draw_phone(rng: np.random.Generator, shape: tuple[int, int], dim: bool, rough: bool, view: bool) -> Phone:
    """Draw a phone and its mood; `view` shows the round eyepiece view in a black surround."""
    lamp = rng.choice(["neutral", "tungsten", "led", "day"], p=[0.4, 0.25, 0.2, 0.15])
    casts = {"neutral": (1, 1, 1), "tungsten": (1.14, 1, 0.72), "led": (0.9, 1, 1.1), "day": (0.96, 1, 1.05)}
    cast = casts[str(lamp)]
    rows, cols = shape
    circle = None
    if view:
        radius = rng.uniform(0.46, 0.66) * max(min(shape), 0.75 * max(shape))
        circle = (cols / 2 + rng.normal(0, 0.03) * cols, rows / 2 + rng.normal(0, 0.03) * rows, radius)
    return Phone(
        level=float(rng.uniform(0.12, 0.3) if dim else rng.uniform(0.38, 0.85)),
        meter=float(rng.uniform(0.5, 0.92)),
        cast=(np.array(cast) ** rng.uniform(0.2, 1.1) * np.exp(rng.normal(0, 0.03, 3))).astype(np.float32),
        full_well=float(np.exp(rng.uniform(np.log(250 if rough else 900), np.log(2500 if rough else 12000)))),
        read_noise=float(rng.uniform(0.001, 0.006 if rough else 0.003)),
        gamma=float(rng.uniform(1.9, 2.4)),
        curve=float(rng.uniform(0, 0.35)),
        saturation=float(rng.uniform(0.55, 1.4)),
        smooth=float(rng.choice([0.0, rng.uniform(0.3, 1.0)])),
        chroma_px=float(rng.uniform(0.6, 3.0)),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.6)], p=[0.3, 0.7])),
        sharpen_px=float(rng.uniform(0.7, 1.8)),
        fringe=float(rng.normal(0, 0.0006)),
        flare=float(rng.uniform(0, 0.05) if rng.random() < 0.7 else rng.uniform(0.05, 0.2)),
        quality=int(rng.integers(60, 98)),
        view=circle,
    )


def field_of(phone: Phone, shape: tuple[int, int]) -> Floats:
    """Share of the light that the round eyepiece view lets in, 1 where there is no surround."""
    if phone.view is None:
        return np.ones(shape, np.float32)
    y, x = np.ogrid[: shape[0], : shape[1]]
    cx, cy, radius = phone.view
    return np.clip((radius - np.hypot(x - cx, y - cy)) / 3 + 0.5, 0, 1).astype(np.float32)


def _tone(linear: Floats, phone: Phone) -> Floats:
    bright = np.linspace(0, 1.2, 6001) ** (1 / phone.gamma)
    # A shoulder instead of a hard clip, and an s-curve about the middle.
    bright = np.where(bright > 0.85, 0.85 + 0.15 * np.tanh((bright - 0.85) / 0.15), bright)
    table = (bright + phone.curve * bright * (1 - bright) * (2 * bright - 1)).astype(np.float32)
    return np.asarray(table[np.clip(linear * np.float32(5000) + np.float32(0.5), 0, 6000).astype(np.int32)])


def _colour(toned: Floats, phone: Phone) -> Floats:
    grey = (toned @ LUMA)[..., None]
    return np.asarray(grey + np.float32(phone.saturation) * (toned - grey), np.float32)


def shoot(rng: np.random.Generator, light: Floats, phone: Phone) -> tuple[NDArray[np.uint8], Floats, Floats]:
    """Take the photo.

    Parameters
    ----------
    rng : numpy.random.Generator
    light : ndarray of shape (H, W, 3), float32
        Light with 1 for the clear ground.
    phone : Phone

    Returns
    -------
    rgb : ndarray of shape (H, W, 3), uint8
    clean : ndarray of shape (H, W), float32
        Brightness in grey levels as it would be without noise and JPEG.
    noise : ndarray of shape (H, W), float32
        Standard deviation of the finished photo about that.
    """
    shape = light.shape[:2]
    field = field_of(phone, shape)
    # Some phones meter the middle brightness, some keep the highlights.
    ground = float(np.quantile((light @ LUMA)[field > 0.5], phone.meter))
    linear = light * (phone.cast * np.float32(phone.level / max(ground, 1e-3)))
    glare = np.float32(phone.flare * phone.level) * (phone.cast / phone.cast.mean())
    linear = (linear * np.float32(1 - phone.flare) + glare) * field[..., None]
    if abs(phone.fringe) > 1e-5:
        for band, sign in ((0, 1), (2, -1)):
            k = 1 + sign * phone.fringe
            cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
            grow = np.array([[k, 0, cx * (1 - k)], [0, k, cy * (1 - k)]])
            one = np.ascontiguousarray(linear[..., band])
            linear[..., band] = cv2.warpAffine(one, grow, shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    clean = _tone(linear, phone) @ LUMA
    grainy = rng.standard_normal(linear.shape, dtype=np.float32)
    # The mosaic gives each colour every second or fourth pixel: noise hangs together over a pixel or so.
    grainy = cv2.GaussianBlur(grainy, (0, 0), 0.55) * np.float32(1.6)
    grainy *= np.sqrt(
        np.clip(linear, 0, None) / np.float32(phone.full_well) + np.float32(phone.read_noise**2)
    )
    image = _colour(_tone(linear + grainy, phone), phone)
    if phone.smooth > 0:
        soft = cv2.bilateralFilter(image, 5, 0.04 + 0.06 * phone.smooth, 1.6)
        image += np.float32(phone.smooth) * (soft - image)
    luma = image @ LUMA
    chroma = cv2.GaussianBlur(image - luma[..., None], (0, 0), phone.chroma_px)
    if phone.sharpen > 0:
        luma = luma + np.float32(phone.sharpen) * (luma - cv2.GaussianBlur(luma, (0, 0), phone.sharpen_px))
        clean = clean + np.float32(phone.sharpen) * (
            clean - cv2.GaussianBlur(clean, (0, 0), phone.sharpen_px)
        )
    image = (chroma + luma[..., None]) * 255
    if phone.view is not None:
        image += np.float32(1.2) * np.abs(clouds(rng, shape, 3))[..., None]
    finished = np.clip(np.rint(image), 0, 255).astype(np.uint8)
    done, packed = cv2.imencode(".jpg", finished[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    if not done:
        msg = "the photo could not be packed as JPEG"
        raise RuntimeError(msg)
    rgb = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), np.uint8)[..., ::-1].copy()
    clean = np.clip(clean, 0, 1) * 255
    off = np.abs(cv2.subtract(rgb.astype(np.float32) @ LUMA, clean.astype(np.float32)))
    small = cv2.resize(off, (max(2, shape[1] // 24), max(2, shape[0] // 24)), interpolation=cv2.INTER_AREA)
    # A mean absolute deviation is 0.8 of a standard deviation; an eighth of a level is the rounding.
    wide = cv2.resize(cv2.medianBlur(small, 3), (shape[1], shape[0]))
    return rgb, clean.astype(np.float32), np.asarray(1.25 * wide + 0.3, np.float32)

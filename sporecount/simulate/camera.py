"""Eyepiece and phone: from linear light to the pixels of a photo file."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.ranges import PrintRanges
from sporecount.simulate.sample import between, log_between


@dataclass(frozen=True)
class Phone:
    """Eyepiece and phone of a session; the circle moves a little from photo to photo.

    Parameters
    ----------
    circle : tuple of float or None
        Centre x, y and radius of the round view, in units of the photo's shorter side, centre from the
        photo's centre; None without one.
    rim_soft : float
        Softness of the circle's edge, same unit.
    shade, shade_power : float
        Loss of light at the rim and how late it sets in.
    lean : tuple of float
        Uneven light across the view in x and y.
    tint : tuple of float
        Colour left after white balance.
    surround : float
        Level of the dark surround relative to the view.
    veil : float
        Stray light relative to the view's mean.
    dirt : int
        Specks on the eyepiece.
    k1 : float
        Radial distortion.
    lateral : tuple of float
        Relative size of the red and the blue picture.
    level, noise, smooth_px, colour_noise : float
    sharpen, sharpen_px : float
    local : float
        Local contrast: how far dark areas are lifted towards the picture's mean.
    smear : int
        Size of the median filter of a smearing noise reduction, 0 for none.
    gamma, contrast, black : float
    saturation : float
    jpeg_quality : int
    jpeg_full_colour : bool
        4:4:4 instead of 4:2:0.
    """

    circle: tuple[float, float, float] | None
    rim_soft: float
    shade: float
    shade_power: float
    lean: tuple[float, float]
    tint: tuple[float, float, float]
    surround: float
    veil: float
    dirt: int
    k1: float
    lateral: tuple[float, float]
    level: float
    noise: float
    smooth_px: float
    colour_noise: float
    sharpen: float
    sharpen_px: float
    local: float
    smear: int
    gamma: float
    contrast: float
    black: float
    saturation: float
    jpeg_quality: int
    jpeg_full_colour: bool


def draw_phone(rng: np.random.Generator, ranges: PrintRanges) -> Phone:
    """Draw an eyepiece and phone within the ranges."""
    circle = None
    if rng.random() < ranges.round_view_share:
        whole = rng.random() < 0.6
        radius = rng.uniform(0.40, 0.52) if whole else rng.uniform(0.5, 0.8)
        off = rng.normal(0, 0.03 if whole else 0.08, 2)
        circle = (float(off[0]), float(off[1]), float(radius))
    aberration = log_between(rng, ranges.lateral_colour) * rng.choice([-1, 1])
    return Phone(
        circle=circle,
        rim_soft=log_between(rng, (0.001, 0.03)),
        shade=between(rng, ranges.shade) * float(rng.random() ** 0.5),
        shade_power=float(rng.uniform(1.5, 5)),
        lean=(float(rng.normal(0, 0.06)), float(rng.normal(0, 0.06))),
        tint=(between(rng, ranges.tint), 1.0, between(rng, ranges.tint)),
        surround=float(rng.choice([0.0, 0.003, 0.02, 0.06])),
        veil=log_between(rng, ranges.veil),
        dirt=int(rng.integers(1, 14)) if rng.random() < ranges.dirt_share else 0,
        k1=between(rng, ranges.distortion_k1) if rng.random() < 0.5 else 0.0,
        lateral=(float(aberration), float(-aberration * rng.uniform(0.3, 1.2))),
        level=between(rng, ranges.level),
        noise=log_between(rng, ranges.noise),
        smooth_px=between(rng, ranges.smooth_px) * float(rng.random()),
        colour_noise=float(rng.uniform(0.0, 0.6)),
        sharpen=between(rng, ranges.sharpen) * float(rng.random()),
        sharpen_px=float(rng.uniform(0.7, 2.2)),
        local=between(rng, ranges.local_contrast) * float(rng.random()),
        smear=int(rng.choice([3, 5])) if rng.random() < ranges.smear_share else 0,
        gamma=float(rng.uniform(1.9, 2.5)),
        contrast=between(rng, ranges.contrast),
        black=float(rng.uniform(0.0, 0.03)),
        saturation=between(rng, ranges.saturation),
        jpeg_quality=int(rng.integers(int(ranges.jpeg_quality[0]), int(ranges.jpeg_quality[1]) + 1)),
        jpeg_full_colour=bool(rng.random() < 0.25),
    )


def through_eyepiece(
    rng: np.random.Generator, light: np.ndarray, phone: Phone, shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Shade, round view, tint, dirt and colour error; enlarges the drawing grid to the photo.

    Parameters
    ----------
    rng : numpy.random.Generator
    light : ndarray of shape (h, w, 3), float32
        Linear, 1 is the empty support.
    phone : Phone
    shape : tuple of int
        Rows and columns of the photo.

    Returns
    -------
    light : ndarray of shape (H, W, 3), float32
    seen : ndarray of shape (H, W), float32
        1 inside the round view, 0 outside.
    """
    height, width = shape
    if light.shape[:2] != shape:
        light = cv2.resize(light, (width, height), interpolation=cv2.INTER_CUBIC)
    short = min(shape)
    x = ((np.arange(width, dtype=np.float32) - (width - 1) / 2) / short)[None, :]
    y = ((np.arange(height, dtype=np.float32) - (height - 1) / 2) / short)[:, None]
    cx, cy, radius = phone.circle or (0.0, 0.0, float(np.hypot(*shape) / short / 2))
    away = np.sqrt((x - np.float32(cx)) ** 2 + (y - np.float32(cy)) ** 2) / np.float32(radius)
    gain = 1 - np.float32(phone.shade) * np.minimum(away, 1.2) ** np.float32(phone.shade_power)
    gain *= 1 + np.float32(phone.lean[0]) * x + np.float32(phone.lean[1]) * y
    seen = np.ones(shape, np.float32)
    if phone.circle is not None:
        seen = np.clip(0.5 + (1 - away) * np.float32(radius / (2 * phone.rim_soft)), 0, 1)
        gain = gain * (
            seen * seen * (3 - 2 * seen) * np.float32(1 - phone.surround) + np.float32(phone.surround) * 0.5
        )
    for _ in range(phone.dirt):
        _speck(rng, gain, short)
    for c in range(3):
        light[..., c] *= gain * np.float32(phone.tint[c])
    if phone.circle is not None and phone.surround:
        light *= (0.15 + 0.85 * seen)[..., None]
        light += ((1 - seen) * np.float32(phone.surround * 0.4))[..., None]
    light += np.float32(phone.veil) * light.mean((0, 1)) * (seen[..., None] if phone.circle else 1)
    for c, stretch in ((0, phone.lateral[0]), (2, phone.lateral[1])):
        if abs(stretch) * short > 0.1:
            k = 1 + stretch
            move = np.array([[k, 0, (1 - k) * (width - 1) / 2], [0, k, (1 - k) * (height - 1) / 2]])
            light[..., c] = cv2.warpAffine(
                np.ascontiguousarray(light[..., c]),
                move,
                (width, height),
                flags=cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REFLECT,
            )
    return np.maximum(light, 0), seen


def _speck(rng: np.random.Generator, gain: np.ndarray, short: int) -> None:
    """Multiply a blurred speck of dirt on the eyepiece into `gain`."""
    size = short * log_between(rng, (0.003, 0.03))
    x, y = rng.uniform(0, gain.shape[1]), rng.uniform(0, gain.shape[0])
    reach = int(3 * size) + 1
    left, top = max(int(x) - reach, 0), max(int(y) - reach, 0)
    part = gain[top : int(y) + reach, left : int(x) + reach]
    dx = (np.arange(part.shape[1]) + left - x)[None, :] / size
    dy = (np.arange(part.shape[0]) + top - y)[:, None] / size / rng.uniform(0.5, 1.5)
    part *= (1 - rng.uniform(0.03, 0.35) * np.exp(-((dx * dx + dy * dy) ** 1.5))).astype(np.float32)


def develop(rng: np.random.Generator, light: np.ndarray, phone: Phone) -> np.ndarray:
    """Sensor and phone processing of linear light, to the decoded pixels of a JPEG, uint8.

    Shot and read noise, noise reduction, tone curve, saturation, sharpening, JPEG.
    """
    picture = light * np.float32(phone.level)
    grain = rng.standard_normal(picture.shape, dtype=np.float32)
    spread = np.sqrt(np.maximum(picture, 0) * np.float32(phone.level) + np.float32(0.02)) * np.float32(
        phone.noise
    )
    picture += grain * spread
    del grain, spread
    if phone.smooth_px > 0.25:
        cv2.GaussianBlur(picture, (0, 0), phone.smooth_px, dst=picture)
    np.clip(picture, 0, 1, out=picture)
    cv2.pow(picture, 1 / phone.gamma, dst=picture)
    picture = np.clip((picture - 0.5) * np.float32(phone.contrast) + np.float32(0.5 - phone.black), 0, 1)
    grey = picture @ np.array([0.299, 0.587, 0.114], np.float32)
    if phone.smooth_px > 0.5:  # phones smooth colour more than brightness
        colour = cv2.GaussianBlur(picture - grey[..., None], (0, 0), 1 + 2 * phone.smooth_px)
    else:
        colour = picture - grey[..., None]
    if phone.local > 0.03:
        reduced = cv2.resize(
            grey, (64, 64 * grey.shape[0] // grey.shape[1] + 1), interpolation=cv2.INTER_AREA
        )
        wide = cv2.resize(
            cv2.GaussianBlur(reduced, (0, 0), 3), grey.shape[::-1], interpolation=cv2.INTER_LINEAR
        )
        grey = grey + np.float32(phone.local) * (np.float32(grey.mean()) - wide) * 4 * wide * (1 - wide)
    if phone.sharpen > 0.05:
        grey = grey + np.float32(phone.sharpen) * (grey - cv2.GaussianBlur(grey, (0, 0), phone.sharpen_px))
    picture = grey[..., None] + np.float32(phone.saturation) * colour
    if phone.colour_noise > 0.05:
        small = (picture.shape[0] // 3 + 2, picture.shape[1] // 3 + 2, 3)
        blot = rng.standard_normal(small, dtype=np.float32) * np.float32(
            phone.colour_noise * phone.noise * 0.4
        )
        picture += cv2.resize(blot, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    pixels = (np.clip(picture, 0, 1) * np.float32(255) + np.float32(0.5)).astype(np.uint8)
    if phone.smear:
        pixels = np.asarray(cv2.medianBlur(pixels, phone.smear))
    return as_jpeg(pixels, phone.jpeg_quality, full_colour=phone.jpeg_full_colour)


def as_jpeg(rgb: np.ndarray, quality: int, *, full_colour: bool = False) -> np.ndarray:
    """Pixels after a JPEG round trip at a quality of 1 to 100."""
    sampling = cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444 if full_colour else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
    options = [cv2.IMWRITE_JPEG_QUALITY, int(quality), cv2.IMWRITE_JPEG_SAMPLING_FACTOR, sampling]
    _, data = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), options)
    return np.ascontiguousarray(np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))[..., ::-1])

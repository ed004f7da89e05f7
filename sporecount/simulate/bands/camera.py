"""A phone at the eyepiece: colour mosaic, noise, and what the phone makes of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.bands import Curve, camera_curves, lamp

Plane = NDArray[np.floating[Any]]
_BLACK = 2048.0
_WHITE = 60000.0


@dataclass(frozen=True)
class Phone:
    """A phone and its light.

    Parameters
    ----------
    lamp : ndarray of shape (8,)
    spread : float
        Width of the sensitivities.
    level : float
        Bare ground in the middle, as a share of the sensor's full range.
    full_well, read : float
        Electrons at full range; of read noise.
    balance : tuple of three floats
        Factors on red, green and blue that the white balance leaves.
    unmix : float
        How far colours are pulled apart after the mosaic.
    gamma, contrast, saturation : float
        Of the tone curve; s-shape; colour.
    denoise, sharpen, sharpen_px : float
    fringe : float
        Lateral colour: relative change of the scale of red and blue.
    shade, lean : float, tuple
        Fall of light to the corners; slope of the light.
    view_px : tuple or None
        x, y, radius of the eyepiece's round view.
    veil : float
        Stray light as a share of the mean.
    quality : int
        Of the JPEG.
    """

    lamp: Curve
    spread: float
    level: float
    full_well: float
    read: float
    balance: tuple[float, float, float]
    unmix: float
    gamma: float
    contrast: float
    saturation: float
    denoise: float
    sharpen: float
    sharpen_px: float
    fringe: float
    shade: float
    lean: tuple[float, float]
    view_px: tuple[float, float, float] | None
    veil: float
    quality: int

    def noise(self, light: float | Plane) -> float | Plane:
        """Give the relative noise of a sensor pixel at a light, one being bare ground in the middle."""
        electrons = np.maximum(light, 1e-3) * self.level * self.full_well
        return np.sqrt(electrons + self.read**2) / electrons

    def spread_of_light(self, shape: tuple[int, int]) -> Plane:
        """Give the light of an empty field, one in the middle."""
        rows, cols = shape
        x = np.linspace(-1, 1, cols, dtype=np.float32)[None, :]
        y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
        light = (1 + self.lean[0] * x + self.lean[1] * y) * (1 - self.shade * (x * x + y * y) / 2)
        return np.clip(light, 0.1, None).astype(np.float32)


def draw_phone(
    rng: np.random.Generator, shape: tuple[int, int], from_above: bool, dim: bool, rough: bool
) -> Phone:
    """Draw a phone and lamp; `rough` ones have more noise, processing and uneven light."""
    rows, cols = shape
    kind = str(rng.choice(["led", "filament", "daylight"], p=[0.55, 0.3, 0.15]))
    view = None
    if rng.random() < (0.1 if from_above else 0.4):
        radius = np.hypot(rows, cols) / 2 * rng.uniform(0.72, 0.98)
        view = (cols / 2 + rng.normal(0, 0.03) * cols, rows / 2 + rng.normal(0, 0.03) * rows, radius)
    error = np.exp(rng.normal(0, 0.09 if rough else 0.05, 3))
    return Phone(
        lamp=lamp(kind, rng.uniform(0, 1)),
        spread=rng.uniform(0.9, 1.2),
        level=rng.uniform(0.1, 0.22) if dim else rng.uniform(0.42, 0.8),
        full_well=float(np.exp(rng.uniform(np.log(900), np.log(2500) if rough or dim else np.log(9000)))),
        read=rng.uniform(2, 6),
        balance=(float(error[0]), 1.0, float(error[2])),
        unmix=rng.uniform(0.5, 1.0),
        gamma=rng.uniform(1.9, 2.5),
        contrast=rng.uniform(0.0, 0.5),
        saturation=float(rng.choice([rng.uniform(0.75, 1.05), rng.uniform(1.05, 1.4)])),
        denoise=rng.uniform(0.3, 1.6) if rough else rng.uniform(0, 1.1),
        sharpen=rng.uniform(0, 1.4) if rough else rng.uniform(0, 0.9),
        sharpen_px=rng.uniform(0.8, 2.0),
        fringe=rng.normal(0, 0.0008),
        shade=rng.uniform(0.1, 0.45) if rough else rng.uniform(0, 0.28),
        lean=(rng.normal(0, 0.09 if rough else 0.05), rng.normal(0, 0.09 if rough else 0.05)),
        view_px=view,
        veil=rng.uniform(0.01, 0.1) if rough else rng.uniform(0.0, 0.05),
        quality=int(rng.integers(72, 92)) if rough else int(rng.integers(84, 97)),
    )


def to_channels(light: NDArray[np.float32], phone: Phone) -> tuple[NDArray[np.float32], Plane]:
    """Give red, green and blue at the sensor (3, h, w), bare ground near one, and the spread of light."""
    mix = camera_curves(phone.spread) * phone.lamp
    mix /= mix.sum(axis=1, keepdims=True)
    channels = (mix @ light.reshape(8, -1)).reshape(3, *light.shape[1:])
    field = phone.spread_of_light(light.shape[1:])
    channels *= field
    if phone.view_px is not None:
        x, y, radius = phone.view_px
        rows, cols = light.shape[1:]
        away = np.hypot(
            np.arange(cols, dtype=np.float32)[None] - x, np.arange(rows, dtype=np.float32)[:, None] - y
        )
        soft = max(0.006 * radius, 1.5)
        for k, off in enumerate((0.2, 0.0, -0.2)):
            channels[k] *= np.clip(0.5 - (away - radius + off * soft) / (2 * soft), 0.004, 1)
        field = field * (away < radius - soft)
    channels += phone.veil * channels.mean()
    return np.asarray(channels, np.float32), field


def _mosaic(rng: np.random.Generator, channels: NDArray[np.float32], phone: Phone) -> NDArray[np.float32]:
    """Take the picture through a colour mosaic with noise, and fill in the missing colours; (h, w, 3)."""
    red, green, blue = channels
    raw = green.copy()
    raw[0::2, 0::2] = red[0::2, 0::2]
    raw[1::2, 1::2] = blue[1::2, 1::2]
    electrons = raw * np.float32(phone.level * phone.full_well)
    noise = rng.standard_normal(raw.shape, np.float32)
    electrons += noise * np.sqrt(np.maximum(electrons, 0) + np.float32(phone.read**2))
    counts = np.clip(_BLACK + electrons * np.float32(_WHITE / phone.full_well), 0, 65535)
    # OpenCV names a mosaic by its second row and column: a red corner is "BG".
    rgb = cv2.cvtColor(np.round(counts).astype(np.uint16), cv2.COLOR_BayerBG2RGB_EA)
    return (rgb.astype(np.float32) - np.float32(_BLACK)) / np.float32(_WHITE)


def _denoise(picture: NDArray[np.float32], phone: Phone) -> NDArray[np.float32]:
    """Calm lightness where it varies no more than noise would, and blur colour."""
    tone = cv2.cvtColor(picture, cv2.COLOR_RGB2YCrCb)
    lightness = np.ascontiguousarray(tone[..., 0])
    mean = cv2.blur(lightness, (5, 5))
    variance = np.maximum(cv2.blur(lightness * lightness, (5, 5)) - mean * mean, 1e-9)
    expected = np.float32((phone.denoise * 0.45 * float(phone.noise(0.7)) * 0.5) ** 2)
    keep = np.clip(variance - expected, 0, None) / variance
    tone[..., 0] = mean + keep * (lightness - mean)
    sigma = 0.5 + 1.3 * phone.denoise
    tone[..., 1:] = cv2.GaussianBlur(tone[..., 1:], (0, 0), sigma)
    return np.asarray(cv2.cvtColor(tone, cv2.COLOR_YCrCb2RGB), np.float32)


def shoot(rng: np.random.Generator, channels: NDArray[np.float32], phone: Phone) -> NDArray[np.uint8]:
    """Take the picture and let the phone work on it.

    Parameters
    ----------
    channels : ndarray of shape (3, h, w)
        As `to_channels` gives them.
    """
    _, rows, cols = channels.shape
    moved = channels.copy()
    for k, share in ((0, 1 + phone.fringe), (2, 1 - phone.fringe)):
        fit = np.array([[share, 0, (1 - share) * cols / 2], [0, share, (1 - share) * rows / 2]])
        moved[k] = cv2.warpAffine(channels[k], fit, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    rgb = _mosaic(rng, moved, phone)
    # Colours are pulled apart around grey, which stays.
    pull = np.array([[0.55, -0.45, -0.1], [-0.2, 0.4, -0.2], [-0.02, -0.5, 0.52]]) * phone.unmix
    rgb = rgb @ ((np.eye(3) + pull) * np.array(phone.balance)[:, None]).T.astype(np.float32)
    tone = np.clip(rgb, 0, 1) ** np.float32(1 / phone.gamma)
    tone = _denoise(tone, phone)
    if phone.sharpen > 0.05:
        tone += np.float32(phone.sharpen) * (tone - cv2.GaussianBlur(tone, (0, 0), phone.sharpen_px))
    tone = np.clip(tone, 0, 1)
    tone += np.float32(phone.contrast) * (tone * tone * (3 - 2 * tone) - tone)
    grey = (tone @ np.array([0.3, 0.59, 0.11], np.float32))[..., None]
    tone = grey + np.float32(phone.saturation) * (tone - grey)
    picture = np.round(np.clip(tone, 0, 1) * 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])
    seen = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(seen[..., ::-1])

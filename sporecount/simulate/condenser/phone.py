"""What the phone makes of the light: lens, exposure, noise, denoising, sharpening, tones, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.condenser.noise import Field, Rng, log_uniform


@dataclass(frozen=True)
class Phone:
    """A phone held to the eyepiece.

    Parameters
    ----------
    blur_px : float
        Standard deviation of lens and demosaicing.
    shake_px, shake_turn : float
        Length and direction of the hand's movement.
    fringe : float
        Relative difference of magnification between red and blue.
    level : float
        Linear brightness of the brightest ground, 1 is full.
    full_well : float
        Photons of a full pixel, in effect after binning: noise is their root.
    veil : float
        Share of stray light.
    denoise, sharpen, sharpen_px, contrast, saturation, gamma : float
    local : float
        Strength of the local tone mapping.
    quality : int
        Of the JPEG.
    zoom : float
        Digital zoom: pixels are made from 1/zoom as many.
    """

    blur_px: float
    shake_px: float
    shake_turn: float
    fringe: float
    level: float
    full_well: float
    veil: float
    denoise: float
    sharpen: float
    sharpen_px: float
    contrast: float
    saturation: float
    gamma: float
    local: float
    quality: int
    zoom: float

    @property
    def sigma_px(self) -> float:
        """Blur of all this together."""
        zoomed = 0.45 * self.zoom if self.zoom > 1 else 0.0
        return float(np.sqrt(self.blur_px**2 + self.shake_px**2 / 12 + zoomed**2))

    def density_noise(self, light: Field) -> Field:
        """Noise of the optical density of a pixel where the light is so, before denoising."""
        share = np.clip(light * self.level, 2e-3, 1)
        return np.sqrt(share + 0.004) / (share * np.sqrt(self.full_well)) / np.log(10)


def draw_phone(rng: Rng, *, rough: bool, dim: bool) -> Phone:
    """Draw a phone; `rough` for an unsteady, cheap one, `dim` for too little light."""
    return Phone(
        blur_px=rng.uniform(0.45, 1.1 if rough else 0.9),
        shake_px=rng.uniform(0, 3.5) if rough and rng.random() < 0.5 else rng.uniform(0, 0.6),
        shake_turn=rng.uniform(0, np.pi),
        fringe=rng.normal(0, 0.0007),
        level=rng.uniform(0.05, 0.16) if dim else rng.uniform(0.3, 0.95),
        full_well=log_uniform(rng, 350, 2500) if rough or dim else log_uniform(rng, 900, 12000),
        veil=rng.uniform(0.0, 0.25 if rough else 0.12),
        denoise=float(rng.choice([0.0, rng.uniform(0.3, 1.0)], p=[0.3, 0.7])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.3)], p=[0.25, 0.75])),
        sharpen_px=rng.uniform(0.8, 2.2),
        contrast=rng.uniform(-0.1, 0.5),
        saturation=rng.uniform(0.75, 1.45),
        gamma=rng.uniform(0.9, 1.15),
        local=float(rng.choice([0.0, rng.uniform(0.1, 0.4)], p=[0.6, 0.4])),
        quality=int(rng.integers(62 if rough else 78, 98)),
        zoom=float(rng.choice([1.0, rng.uniform(1.2, 1.9)], p=[0.75, 0.25])),
    )


def _lens(light: Field, phone: Phone) -> Field:
    high, wide = light.shape[:2]
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), phone.blur_px))
    if phone.shake_px > 0.8:
        n = int(phone.shake_px + 2) | 1
        kernel = np.zeros((n, n), np.float32)
        for t in np.linspace(-0.5, 0.5, 33) * phone.shake_px:
            x, y = n // 2 + t * np.cos(phone.shake_turn), n // 2 + t * np.sin(phone.shake_turn)
            i, j = int(y), int(x)
            for di, dj in ((0, 0), (0, 1), (1, 0), (1, 1)):
                if i + di < n and j + dj < n:
                    kernel[i + di, j + dj] += (1 - abs(y - i - di)) * (1 - abs(x - j - dj))
        light = np.asarray(cv2.filter2D(light, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT))
    for channel, way in ((0, 1), (2, -1)):
        big = 1 + way * phone.fringe
        move = np.array([[big, 0, (1 - big) * wide / 2], [0, big, (1 - big) * high / 2]])
        light[..., channel] = cv2.warpAffine(
            light[..., channel], move, (wide, high), borderMode=cv2.BORDER_REPLICATE
        )
    return light


def _denoised(picture: Field, strength: float) -> Field:
    """Smooth colour widely and brightness where there is no edge."""
    tones = cv2.cvtColor(picture, cv2.COLOR_RGB2YCrCb)
    colour = cv2.GaussianBlur(tones[..., 1:], (0, 0), 0.5 + 1.6 * strength)
    tones[..., 1:] = colour
    tones[..., 0] = cv2.bilateralFilter(np.ascontiguousarray(tones[..., 0]), 5, 0.02 + 0.05 * strength, 1.2)
    return np.asarray(cv2.cvtColor(tones, cv2.COLOR_YCrCb2RGB))


def _toned(picture: Field, phone: Phone) -> Field:
    if phone.local:
        grey = picture.mean(axis=2)
        small = cv2.resize(grey, None, fx=1 / 16, fy=1 / 16, interpolation=cv2.INTER_AREA)
        around = cv2.resize(
            cv2.GaussianBlur(small, (0, 0), 4), grey.shape[::-1], interpolation=cv2.INTER_LINEAR
        )
        picture = picture * ((0.5 / np.clip(around, 0.12, 1)) ** phone.local)[..., None]
    picture = np.clip(picture, 0, 1) ** phone.gamma
    curved = picture**2 * (3 - 2 * picture)
    picture = picture + phone.contrast * (curved - picture)
    grey = picture @ np.array([0.3, 0.59, 0.11], np.float32)
    return grey[..., None] + phone.saturation * (picture - grey[..., None])


def shoot(rng: Rng, light: Field, phone: Phone) -> np.ndarray:
    """Take the photo.

    Parameters
    ----------
    light : ndarray of shape (H, W, 3), float32
        Linear, the empty ground about 1.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8
    """
    high, wide = light.shape[:2]
    light = _lens(light.copy(), phone)
    mean = light.mean(axis=(0, 1))
    light = (1 - phone.veil) * light + phone.veil * mean
    light *= phone.level
    if phone.zoom > 1:
        size = (int(wide / phone.zoom), int(high / phone.zoom))
        light = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA))
    spread = np.sqrt((np.clip(light, 0, None) + 0.004) / phone.full_well)
    light += spread * rng.standard_normal(light.shape, dtype=np.float32)
    light = np.clip(light, 0, 1)
    picture = np.where(light < 0.0031308, 12.92 * light, 1.055 * np.power(light, 1 / 2.4) - 0.055).astype(
        np.float32
    )
    if phone.denoise:
        picture = _denoised(picture, phone.denoise)
    if phone.zoom > 1:
        picture = np.asarray(cv2.resize(picture, (wide, high), interpolation=cv2.INTER_CUBIC))
    if phone.sharpen:
        picture += phone.sharpen * (picture - cv2.GaussianBlur(picture, (0, 0), phone.sharpen_px))
    eight = np.clip(np.round(255 * _toned(picture, phone)), 0, 255).astype(np.uint8)
    coded = cv2.imencode(".jpg", eight[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    return np.ascontiguousarray(np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR))[..., ::-1])

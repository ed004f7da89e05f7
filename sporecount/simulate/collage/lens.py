"""Lamp, lens and phone: blur, light, colour and what the phone makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.collage import textures
from sporecount.simulate.collage.recipe import log_uniform

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)


@dataclass(frozen=True)
class LensLook:
    """How one photo is taken; values in display units (0 to 1), µm, or pixels of the sensor.

    Parameters
    ----------
    kernel : str
        "gauss", "disc" or "oblong".
    sharp_um, defocus_um : float
        Blur in focus, and how much it grows to where focus is worst.
    tilt : float
        0 is one blur all over, 1 from sharp to worst.
    motion_um : float
    linear : bool
        Blur mixes light, not display values.
    brightness : float
    exposed : float
        Level that the phone brings the light parts of the picture to, 0 where it does not.
    tint : ndarray of shape (3,)
        Colour of the lamp.
    vignette, slant : float
        Loss of light towards the corners, and across the view.
    view : str
        "full", "whole" or "cropped" round view.
    shift : float
        Difference of the colours' magnification.
    zoom : float
        Photo pixels per sensor pixel.
    cubic : bool
        The zoom is interpolated by cubics, else linearly.
    noise, chroma, band, grain_px : float
        Spreads of noise; the last softens it.
    denoise : str
        "none", "median", "smear" or "islands".
    sharpen, sharpen_px : float
    gamma, curve, contrast, lift, saturation : float
        Tone curve, in this order.
    quality : int
        Of the JPEG.
    """

    kernel: str
    sharp_um: float
    defocus_um: float
    tilt: float
    motion_um: float
    linear: bool
    brightness: float
    exposed: float
    tint: np.ndarray
    vignette: float
    slant: float
    view: str
    shift: float
    zoom: float
    cubic: bool
    noise: float
    chroma: float
    band: float
    grain_px: float
    denoise: str
    sharpen: float
    sharpen_px: float
    gamma: float
    curve: float
    contrast: float
    lift: float
    saturation: float
    quality: int


def random_look(rng: np.random.Generator, preset: str, um_per_px: float) -> LensLook:
    """Draw a lens and phone."""
    hard, good = preset == "hard", preset == "good_focus"

    def some(share: float, low: float, high: float) -> float:
        return float(rng.uniform(low, high)) if rng.random() < share else 0.0

    defocus = (
        log_uniform(rng, 0.5, 4.0) if hard else rng.uniform(0, 0.6) if good else log_uniform(rng, 0.1, 3.2)
    )
    warm = rng.uniform(-1, 1) * rng.choice([0.25, 1.0])
    tint = np.array([1 + 0.16 * warm, 1.0, 1 - 0.38 * warm if warm > 0 else 1 - 0.2 * warm]) * (
        1 + rng.normal(0, 0.03, 3)
    )
    noisy = 1.8 if hard else 0.5 if good else 1.0
    return LensLook(
        kernel=str(rng.choice(["gauss", "disc", "oblong"], p=[0.5, 0.32, 0.18])),
        sharp_um=float(np.hypot(rng.uniform(0.2, 0.7) * um_per_px, rng.uniform(0.15, 0.6))),
        defocus_um=float(defocus),
        tilt=float(rng.choice([0.0, rng.uniform(0.2, 1.0)])),
        motion_um=some(0.05 if good else 0.15, 0.5, 4.0),
        linear=bool(rng.random() < 0.5),
        brightness=float(np.clip(rng.normal(0.82, 0.16), 0.45 if good else 0.22, 1.08)),
        exposed=some(0.45, 0.72, 1.04),
        tint=(tint / tint.max()).astype(np.float32),
        vignette=some(0.5, 0.05, 0.5),
        slant=some(0.4, 0.03, 0.3),
        view=str(rng.choice(["full", "whole", "cropped"], p=[0.7, 0.15, 0.15])),
        shift=some(0.4, -0.002, 0.002),
        zoom=float(rng.uniform(1.1, 2.0)) if um_per_px < 0.9 and rng.random() < 0.2 else 1.0,
        cubic=bool(rng.random() < 0.5),
        noise=log_uniform(rng, 0.0006, 0.03) * noisy,
        chroma=some(0.4, 0.002, 0.02) * noisy,
        band=some(0.12, 0.002, 0.012),
        grain_px=some(0.5, 0.4, 1.2),
        denoise=str(rng.choice(["none", "median", "smear", "islands"], p=[0.52, 0.14, 0.22, 0.12])),
        sharpen=float(rng.choice([0.0, rng.uniform(0.2, 1.0), rng.uniform(1.0, 3.0)], p=[0.4, 0.38, 0.22])),
        sharpen_px=log_uniform(rng, 0.7, 4.0),
        gamma=float(rng.uniform(0.7, 1.45)),
        curve=some(0.5, -0.3, 0.6),
        contrast=float(np.clip(np.exp(rng.normal(0.0, 0.25)), 0.45, 1.6)),
        lift=some(0.4, 0.0, 0.15),
        saturation=0.0 if rng.random() < 0.03 else float(rng.uniform(0.5, 1.8)),
        quality=int(rng.integers(40, 98)) if rng.random() < 0.5 else int(rng.integers(75, 98)),
    )


def blur_field(rng: np.random.Generator, look: LensLook, shape: tuple[int, int]) -> np.ndarray:
    """Blur at each pixel of the sensor, as a standard deviation in µm."""
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    plane = x * np.cos(turn) + y * np.sin(turn) - rng.uniform(-0.6, 0.6)
    if rng.random() < 0.4:
        plane = plane + rng.uniform(0.3, 1.0) * textures.spectral(rng, shape, 2.2)
    away = np.clip(np.abs(plane) / 1.3, 0, 1)
    return np.hypot(look.sharp_um, look.defocus_um * ((1 - look.tilt) + look.tilt * away)).astype(np.float32)


def blur(rng: np.random.Generator, look: LensLook, rgb: np.ndarray, sigma_px: np.ndarray) -> np.ndarray:
    """Blur a picture by a field, between a few evenly blurred ones."""
    if look.linear:
        rgb = np.clip(rgb, 0, 1) ** 2.2
    low, high = float(sigma_px.min()), float(sigma_px.max())
    steps = 1 if high < 1.1 * low + 0.1 else 2 if high < 2 * low + 0.3 else 3
    levels = np.linspace(low, high, steps) if steps > 1 else np.array([0.5 * (low + high)])
    turn = rng.uniform(0, np.pi)
    out = _even_blur(look.kernel, rgb, float(levels[0]), turn)
    for k in range(1, steps):
        share = np.clip((sigma_px - levels[k - 1]) / (levels[k] - levels[k - 1]), 0, 1)[..., None]
        out += share * (_even_blur(look.kernel, rgb, float(levels[k]), turn) - out)
    return np.clip(out, 0, 1) ** (1 / 2.2) if look.linear else out


def _even_blur(kernel: str, rgb: np.ndarray, sigma: float, turn: float) -> np.ndarray:
    if sigma < 0.3:
        return rgb.copy()
    if kernel == "gauss" or sigma < 0.6:
        return cv2.GaussianBlur(rgb, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    half = int(np.ceil(2.6 * sigma)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    if kernel == "disc":
        weight = np.clip(2 * sigma + 0.5 - np.hypot(x, y), 0, 1)  # a disc of radius r spreads by r / 2
    else:
        along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        weight = np.exp(-0.5 * ((along / (1.3 * sigma)) ** 2 + (across / (0.7 * sigma)) ** 2))
    return cv2.filter2D(rgb, -1, weight / weight.sum(), borderType=cv2.BORDER_REFLECT)


def shake(rng: np.random.Generator, rgb: np.ndarray, length_px: float) -> np.ndarray:
    """Blur along a short line."""
    if length_px < 1.0:
        return rgb
    half = int(np.ceil(length_px / 2)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    turn = rng.uniform(0, np.pi)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    weight = np.clip(1 - np.abs(across), 0, 1) * np.clip(length_px / 2 + 0.5 - np.abs(along), 0, 1)
    return cv2.filter2D(rgb, -1, weight / weight.sum(), borderType=cv2.BORDER_REFLECT)


def round_view(rng: np.random.Generator, look: LensLook, shape: tuple[int, int]) -> np.ndarray | None:
    """Share of light that the eyepiece's stop lets through, or None where the view fills the photo."""
    if look.view == "full":
        return None
    short, long = min(shape), max(shape)
    radius = rng.uniform(0.42, 0.5) * short if look.view == "whole" else rng.uniform(0.5, 0.62) * long
    y, x = np.ogrid[: shape[0], : shape[1]]
    off = 0.04 * short
    far = np.hypot(x - shape[1] / 2 - rng.normal(0, off), y - shape[0] / 2 - rng.normal(0, off))
    return np.clip((radius - far) / rng.uniform(1, 10) + 0.5, 0, 1).astype(np.float32)


def lit(rng: np.random.Generator, look: LensLook, rgb: np.ndarray, view: np.ndarray | None) -> np.ndarray:
    """Put the lamp's light, its colour and fall on the scene."""
    shape = rgb.shape[:2]
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    light = look.brightness * (1 - look.vignette * 0.5 * (x**2 + y**2))
    light = light * (1 + look.slant * (x * np.cos(turn) + y * np.sin(turn)))
    out = rgb * np.clip(light, 0.05, 1.15)[..., None] * look.tint
    if look.exposed:
        out = out * (look.exposed / max(0.1, float(np.percentile(out[::7, ::7], 90))))
    if view is not None:
        dark = rng.uniform(0.0, 0.08)
        out = dark + view[..., None] * (out - dark)
    return out


def shift_colours(look: LensLook, rgb: np.ndarray) -> np.ndarray:
    """Magnify red and blue a little differently, about the middle of the picture."""
    if not look.shift:
        return rgb
    out = rgb.copy()
    middle = np.array([rgb.shape[1] - 1, rgb.shape[0] - 1]) / 2
    for channel, sign in ((0, 1.0), (2, -1.0)):
        size = 1 + sign * look.shift
        way = np.array([[size, 0, middle[0] * (1 - size)], [0, size, middle[1] * (1 - size)]])
        out[..., channel] = cv2.warpAffine(
            np.ascontiguousarray(rgb[..., channel]), way, rgb.shape[1::-1], borderMode=cv2.BORDER_REFLECT
        )
    return out

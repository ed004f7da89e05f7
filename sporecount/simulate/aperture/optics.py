"""From the scene to the light on the sensor: aperture, defocus, fringes, round view, falloff."""

from __future__ import annotations

import cv2
import numpy as np
from scipy import fft
from scipy.special import j1

from sporecount.simulate.aperture.scene import Array

WAVELENGTH_UM = 0.55
APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}


def blur_sigma_um(defocus_um: Array | float, aperture: float) -> Array:
    """Give the standard deviation of a point's image: Airy core and disc of defocus, squares added."""
    core = 0.21 * WAVELENGTH_UM / aperture
    disc = np.abs(defocus_um) * aperture / np.sqrt(1 - aperture**2) / 2
    return np.sqrt(core**2 + disc**2)


def _transfer(f: Array, defocus_um: float, aperture: float, lens_um: float) -> Array:
    """Transfer at spatial frequencies `f` (cycles per um) of a round aperture with geometric defocus."""
    nu = np.clip(f * WAVELENGTH_UM / (2 * aperture), 0, 1)
    airy = 2 / np.pi * (np.arccos(nu) - nu * np.sqrt(1 - nu**2))
    radius = abs(defocus_um) * aperture / np.sqrt(1 - aperture**2)
    z = np.maximum(2 * np.pi * radius * f, 1e-6)
    return airy * np.where(z < 1e-3, 1.0, 2 * j1(z) / z) * np.exp(-2 * (np.pi * f * lens_um) ** 2)


def image(
    light: Array,
    path_um: Array,
    defocus_um: Array,
    um_per_px: float,
    aperture: float,
    lens_um: float,
    coherence: float,
) -> Array:
    """Blur a scene by its defocus map.

    Parameters
    ----------
    light : ndarray of shape (H, W, 3)
    path_um, defocus_um : ndarray of shape (H, W)
        Optical path of clear matter; signed distance to the plane of focus.
    lens_um : float
        Gaussian blur of eyepiece and phone lens together.
    coherence : float
        Share of the fringes that a coherent lamp would give: I(z) = I(0) (1 - z * laplacian(path)),
        the transport of intensity (Teague 1983, J. Opt. Soc. Am. 73:1434-1441, from memory).
    """
    rows, cols = light.shape[:2]
    bend = cv2.Laplacian(cv2.GaussianBlur(path_um, (0, 0), max(0.8 / um_per_px, 0.6)), cv2.CV_32F, ksize=1)
    fringe = np.clip(-coherence * defocus_um * bend / um_per_px**2, -0.25, 0.35)
    light = light * (1 + fringe)[..., None]
    deep = np.abs(defocus_um)
    low, high = float(deep.min()), float(deep.max())
    width = (high - low) * aperture / np.sqrt(1 - aperture**2)
    levels = np.linspace(low, high, int(np.clip(np.ceil(width / 1.3) + 1, 1 if width < 0.15 else 2, 6)))
    shape = (fft.next_fast_len(rows, True), fft.next_fast_len(cols, True))
    fy = np.fft.fftfreq(shape[0], um_per_px)[:, None]
    fx = np.fft.rfftfreq(shape[1], um_per_px)[None, :]
    f = np.hypot(fy, fx).ravel()
    knots = np.linspace(0, f.max(), 4000)
    padded = cv2.copyMakeBorder(light, 0, shape[0] - rows, 0, shape[1] - cols, cv2.BORDER_REFLECT)
    spectra = [fft.rfft2(padded[..., c]) for c in range(3)]
    out = np.zeros_like(light)
    gap = levels[1] - levels[0] if len(levels) > 1 else 1.0
    for level in levels:
        otf = np.interp(f, knots, _transfer(knots, level, aperture, lens_um)).astype(np.float32)
        otf = otf.reshape(shape[0], -1)
        weight = np.clip(1 - np.abs(deep - level) / gap, 0, 1) if len(levels) > 1 else np.ones_like(deep)
        for c in range(3):
            out[..., c] += weight * fft.irfft2(spectra[c] * otf, s=shape)[:rows, :cols]
    return np.maximum(out, 1e-4)


def lamp(rng: np.random.Generator, shape: tuple[int, int], uneven: float) -> Array:
    """Draw the lamp's light, (H, W, 3): a broad off-centre bump with a slightly varying tint."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    half = np.float32(np.hypot(*shape) / 2)
    x, y = (x - shape[1] / 2) / half, (y - shape[0] / 2) / half
    cx, cy = rng.normal(0, 0.3, 2)
    r2 = (x - np.float32(cx)) ** 2 + (y - np.float32(cy)) ** 2
    slope = x * np.float32(rng.normal(0, 0.2)) + y * np.float32(rng.normal(0, 0.2))
    fall = np.exp(-np.float32(uneven) * r2 + np.float32(uneven * 0.5) * slope)
    tint = np.array([rng.uniform(0.9, 1.06), 1.0, rng.uniform(0.72, 1.05)], np.float32)
    drift = np.array([1, 0, -1], np.float32) * np.float32(rng.normal(0, 0.04))
    return fall[..., None] * tint * (1 + drift * r2[..., None])


def round_view(
    shape: tuple[int, int], center_px: tuple[float, float], radius_px: float, soft_px: float
) -> Array:
    """Share of light that passes the eyepiece's round stop, (H, W, 3), with a faint colour fringe."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    r = np.hypot(x - np.float32(center_px[0]), y - np.float32(center_px[1]))
    rings = [1 / (1 + np.exp(np.clip((r - radius_px * k) / soft_px, -40, 40))) for k in (1.0015, 1.0, 0.998)]
    return np.stack(rings, axis=2).astype(np.float32)


def shadows(light: Array, lift_um: Array, um_per_px: float, way: float, depth: float) -> Array:
    """Darken the ground beside raised matter; a lamp above shines along the angle `way` in radians."""
    high = np.clip(lift_um, 0, 6)
    shift = 2.2 / um_per_px
    turn = np.array([[1, 0, shift * np.cos(way)], [0, 1, shift * np.sin(way)]], np.float64)
    cast = cv2.warpAffine(high, turn, (high.shape[1], high.shape[0]), flags=cv2.INTER_LINEAR)
    cast = cv2.GaussianBlur(np.maximum(cast - high, 0), (0, 0), max(1.6 / um_per_px, 0.6))
    lean = cast - cv2.GaussianBlur(high, (0, 0), max(1.2 / um_per_px, 0.6)) * np.float32(0.08)
    return light * np.clip(1 - np.float32(depth) * lean, 0.4, 1.25)[..., None]

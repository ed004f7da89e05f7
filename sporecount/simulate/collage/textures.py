"""Fields that give surfaces a texture: noise of many spectra, and open pictures that packages ship."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from matplotlib import cbook
from skimage import data

OPEN_PICTURES = {
    "grass": "scikit-image data.grass, CC0, DeviantArt linolafett",
    "gravel": "scikit-image data.gravel, CC0, CC0Textures Gravel04",
    "moon": "scikit-image data.moon, public domain, NASA",
    "chelsea": "scikit-image data.chelsea, CC0, S. van der Walt",
    "fault": "matplotlib sample data jacksboro_fault_dem, elevations",
    "relief": "matplotlib sample data topobathy, elevations",
}
"""Textures that come with the packages, without any fetching; those that the tests count on are left out."""

_ELEVATIONS = {"fault": ("jacksboro_fault_dem.npz", "elevation"), "relief": ("topobathy.npz", "topo")}


@lru_cache(maxsize=len(OPEN_PICTURES))
def open_picture(name: str) -> np.ndarray:
    """Give one of `OPEN_PICTURES` as a grey field of zero mean and unit spread, without its coarsest parts."""
    if name in _ELEVATIONS:
        file, key = _ELEVATIONS[name]
        grey = np.asarray(dict(cbook.get_sample_data(file))[key], np.float32)
    else:
        grey = np.asarray(getattr(data, name)(), np.float32)
    if grey.ndim == 3:
        grey = grey.mean(axis=2)
    grey = grey - cv2.GaussianBlur(grey, (0, 0), min(grey.shape) / 8)
    field = np.clip(grey / (grey.std() + 1e-6), -3.0, 3.0)
    field.flags.writeable = False
    return field


def from_picture(rng: np.random.Generator, name: str, shape: tuple[int, int], zoom: float) -> np.ndarray:
    """Cover a shape with a picture, turned, mirrored at its borders, at a zoom."""
    source = open_picture(name)
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(turn) / zoom, np.sin(turn) / zoom
    start = rng.uniform(0, source.shape[1]), rng.uniform(0, source.shape[0])
    way = np.array([[c, s, start[0]], [-s, c, start[1]]], np.float32)
    return cv2.warpAffine(
        source, way, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT
    )


def spectral(
    rng: np.random.Generator, shape: tuple[int, int], fall: float, coarsest_px: float = 1e9
) -> np.ndarray:
    """Noise whose amplitude falls with frequency to a power; zero mean, unit spread.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : tuple of int
    fall : float
        0 is white, 1 pink, 2 and more cloudy.
    coarsest_px : float
        Longer waves are left out.
    """
    side = 256
    fy, fx = np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None, :]
    far = np.hypot(fx, fy)
    gain = np.where(far > max(1.0 / coarsest_px, 0.6 / side), np.maximum(far, 1.0 / side) ** -fall, 0.0)
    tile = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((side, side))) * gain, (side, side))
    tile = (tile / (tile.std() + 1e-9)).astype(np.float32)
    if fall > 1.2:  # smooth: one tile over the whole picture
        return cv2.resize(tile, shape[::-1], interpolation=cv2.INTER_CUBIC)
    again = (-(-shape[0] // side), -(-shape[1] // side))
    return np.ascontiguousarray(np.tile(tile, again)[: shape[0], : shape[1]])


def lumpy(rng: np.random.Generator, shape: tuple[int, int], size_px: float) -> np.ndarray:
    """Smooth random lumps of about a size; zero mean, unit spread."""
    small = tuple(int(np.ceil(side / max(size_px, 1.0))) + 3 for side in shape)
    field = rng.standard_normal(small).astype(np.float32)
    big = cv2.resize(
        field,
        (int(small[1] * max(size_px, 1.0)) + 1, int(small[0] * max(size_px, 1.0)) + 1),
        interpolation=cv2.INTER_CUBIC,
    )
    cut = big[: shape[0], : shape[1]]
    return (cut - cut.mean()) / (cut.std() + 1e-6)


def matted(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> np.ndarray:
    """Criss-cross fibres of a card as light and shade; zero mean, unit spread."""
    field: np.ndarray = np.zeros(shape, np.float32)
    width_um = float(rng.uniform(6, 30))
    length_um = width_um * rng.uniform(8, 40)
    way, order = rng.uniform(0, np.pi), rng.choice([0.4, 3.0])
    number = int(np.clip(2.5 * shape[0] * shape[1] * px_um**2 / (width_um * length_um), 8, 260))
    for _ in range(number):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        turn = way + rng.normal(0, order)
        t = np.linspace(-0.5, 0.5, 9) * length_um / px_um
        bend = rng.normal(0, 0.12) * np.abs(t[-1]) * (2 * t / t[-1]) ** 2 / 2
        points = np.stack(
            (x + t * np.cos(turn) - bend * np.sin(turn), y + t * np.sin(turn) + bend * np.cos(turn)), axis=1
        )
        layer = int(max(1, round(width_um * rng.uniform(0.5, 1.3) / px_um)))
        line = [np.round(points * 16).astype(np.int32)]
        cv2.polylines(field, line, False, float(rng.normal()), layer, cv2.LINE_AA, 4)
    field = cv2.GaussianBlur(field, (0, 0), max(0.5, width_um * rng.uniform(0.08, 0.3) / px_um))
    if rng.random() < 0.5:  # as relief lit from one side
        field = cv2.Sobel(field, -1, 1, 0, ksize=3) + cv2.Sobel(field, -1, 0, 1, ksize=3)
    return (field - field.mean()) / (field.std() + 1e-6)

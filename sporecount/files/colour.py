"""Any picture that Pillow can open, as 8-bit sRGB."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from PIL import Image, ImageCms

_DEPTHS = (8, 10, 12, 14, 16)
_PLAIN_MODES = {"L", "RGB", "1", "YCbCr", "RGBX"}
_ALPHA_MODES = {"RGBA", "LA", "La", "RGBa", "PA", "P"}

_BAND = 512
"""Rows that are turned at a time, an even number: Pillow needs several bytes a pixel for each step on the way."""


class ColourError(Exception):
    """The picture's colours mean nothing here; the text says what they are."""


def to_srgb(picture: Image.Image, *, halve: bool = False) -> np.ndarray:
    """Give the picture's colours as sRGB, transparent parts over white.

    Parameters
    ----------
    picture : PIL.Image.Image
        Loaded.
    halve : bool
        To half the size; both sides are even then.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8

    Raises
    ------
    ColourError
        Floating-point, Lab or other pixels that are no ordinary photo.
    """
    width, height = picture.size
    if picture.mode.startswith("I"):
        grey = _to_8_bit(np.asarray(picture))
        return _by_bands(lambda top, end: _grey(grey[top:end]), (height, width), halve)
    return _by_bands(lambda top, end: _turned(picture.crop((0, top, width, end))), (height, width), halve)


def _turned(picture: Image.Image) -> np.ndarray:
    mode, profile = picture.mode, picture.info.get("icc_profile")
    if mode == "CMYK":
        return np.asarray(_apply(profile, picture, "CMYK") or picture.convert("RGB"))
    if mode in _ALPHA_MODES:
        layer = picture.convert("RGBA")
        ground = Image.new("RGBA", layer.size, "white")
        picture = Image.alpha_composite(ground, layer).convert("RGB")
    elif mode in _PLAIN_MODES:
        picture = picture.convert("RGB")
    else:
        raise ColourError(f"pixels of the kind {mode!r}")
    return np.asarray(_apply(profile, picture, "RGB") or picture)


def profiled(rgb: np.ndarray, profile: bytes | None, *, halve: bool = False) -> np.ndarray:
    """Turn RGB values that mean something by a colour profile into sRGB; unchanged when they are sRGB.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
    profile : bytes or None
        ICC profile. A broken one, or one for other than RGB, is left out of account.
    halve : bool
        To half the size; both sides are even then.
    """
    change = bool(profile) and _to_srgb(profile, "RGB") is not None
    if not (change or halve):
        return rgb

    def band(top: int, end: int) -> np.ndarray:
        part = rgb[top:end]
        return np.asarray(_apply(profile, Image.fromarray(part), "RGB")) if change else part

    return _by_bands(band, rgb.shape[:2], halve)


def _by_bands(band: Callable[[int, int], np.ndarray], shape: tuple[int, int], halve: bool) -> np.ndarray:
    """Put a picture together from bands of rows, given by their first row and the one after the last."""
    height, width = shape
    step = 1 + halve
    rgb = np.empty((height // step, width // step, 3), np.uint8)
    for top in range(0, height, _BAND):
        end = min(top + _BAND, height)
        rgb[top // step : end // step] = _half(band(top, end)) if halve else band(top, end)
    return rgb


def _half(rgb: np.ndarray) -> np.ndarray:
    import cv2

    return cv2.resize(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)


def _apply(profile: bytes | None, picture: Image.Image, mode: str) -> Image.Image | None:
    transform = _to_srgb(profile, mode) if profile else None
    return None if transform is None else ImageCms.applyTransform(picture, transform)


@lru_cache(maxsize=8)
def _to_srgb(profile: bytes, mode: str) -> Any:
    """Build the transform; None when there is nothing to do or the profile is unusable."""
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        description = ImageCms.getProfileDescription(source)
        if mode == "RGB" and "srgb" in description.casefold():
            return None
        return ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), mode, "RGB")
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None


def _to_8_bit(values: np.ndarray) -> np.ndarray:
    """Reduce whole numbers to 8 bits.

    Cameras on microscopes store 10, 12 or 14 bits in 16 without saying so; the largest value tells the
    depth. A dim photo may come out brighter by it, which changes no optical density.
    """
    low, high = int(values.min()), int(values.max())
    if low < 0 or high > 0xFFFF:
        raise ColourError("32-bit pixels")
    depth = next(bits for bits in _DEPTHS if high < 1 << bits)
    return (values >> (depth - 8)).astype(np.uint8)


def _grey(values: np.ndarray) -> np.ndarray:
    return np.repeat(values[:, :, np.newaxis], 3, axis=2)

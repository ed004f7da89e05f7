"""Any picture that Pillow can open, as 8-bit sRGB."""

from __future__ import annotations

import io
from functools import lru_cache
from typing import Any

import numpy as np
from PIL import Image, ImageCms

_DEPTHS = (8, 10, 12, 14, 16)
_PLAIN_MODES = {"L", "RGB", "1", "YCbCr", "RGBX"}
_ALPHA_MODES = {"RGBA", "LA", "La", "RGBa", "PA", "P"}


class ColourError(Exception):
    """The picture's colours mean nothing here; the text says what they are."""


def to_srgb(picture: Image.Image) -> np.ndarray:
    """Give the picture's colours as sRGB, transparent parts over white.

    Parameters
    ----------
    picture : PIL.Image.Image
        Loaded.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8

    Raises
    ------
    ColourError
        Floating-point, Lab or other pixels that are no ordinary photo.
    """
    mode = picture.mode
    if mode.startswith("I"):
        return _grey(_to_8_bit(np.asarray(picture)))
    profile = picture.info.get("icc_profile")
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
    return profiled(np.asarray(picture), profile, picture)


def profiled(rgb: np.ndarray, profile: bytes | None, picture: Image.Image | None = None) -> np.ndarray:
    """Turn RGB values that mean something by a colour profile into sRGB; unchanged when they are sRGB.

    Parameters
    ----------
    rgb : ndarray of shape (H, W, 3), uint8
    profile : bytes or None
        ICC profile. A broken one, or one for other than RGB, is left out of account.
    picture : PIL.Image.Image, optional
        The same pixels, where they are at hand.
    """
    if not profile or _to_srgb(profile, "RGB") is None:
        return rgb
    changed = _apply(profile, picture or Image.fromarray(rgb), "RGB")
    return rgb if changed is None else np.asarray(changed)


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

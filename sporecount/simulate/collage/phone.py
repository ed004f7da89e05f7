"""What a phone makes of the light: noise, smoothing, sharpening, tones and JPEG."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.collage.lens import LUMA, LensLook


def develop(
    rng: np.random.Generator, look: LensLook, rgb: np.ndarray, out_shape: tuple[int, int]
) -> np.ndarray:
    """Turn the sensor's picture into the photo.

    Parameters
    ----------
    rng : numpy.random.Generator
    look : LensLook
    rgb : ndarray of shape (h, w, 3), float32
        Display values.
    out_shape : tuple of int
        Rows and columns of the photo.

    Returns
    -------
    ndarray of shape (H, W, 3), uint8
    """
    picture: np.ndarray = rgb + _noise(rng, look, rgb.shape[:2])
    if look.denoise == "median":
        picture = cv2.medianBlur(np.ascontiguousarray(picture, np.float32), 3)
    elif look.denoise in ("smear", "islands"):
        bytes8 = (np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8)
        reach = 5 if look.denoise == "smear" else 9
        picture = cv2.bilateralFilter(bytes8, reach, 18 if reach == 5 else 40, 3).astype(np.float32) / 255
    if picture.shape[:2] != out_shape:
        way = cv2.INTER_CUBIC if look.cubic else cv2.INTER_LINEAR
        picture = cv2.resize(picture, out_shape[::-1], interpolation=way)
    if look.sharpen:
        picture = picture + look.sharpen * (picture - cv2.GaussianBlur(picture, (0, 0), look.sharpen_px))
    picture = _toned(look, np.clip(picture, 0, 1))
    bytes8 = (np.clip(picture, 0, 1) * 255 + 0.5).astype(np.uint8)
    _, packed = cv2.imencode(".jpg", bytes8[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, look.quality])
    photo = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    assert photo is not None
    return np.ascontiguousarray(photo[..., ::-1])


def _noise(rng: np.random.Generator, look: LensLook, shape: tuple[int, int]) -> np.ndarray:
    def white() -> np.ndarray:
        field: np.ndarray = rng.standard_normal(shape, dtype=np.float32)
        if look.grain_px:
            field = cv2.GaussianBlur(field, (0, 0), look.grain_px)
            field = field / field.std()
        return field

    noise = np.repeat((look.noise * white())[..., None], 3, axis=2)
    if look.chroma:
        for channel in range(3):
            noise[..., channel] += look.chroma * white()
    if look.band:
        noise += look.band * rng.standard_normal((shape[0], 1, 1), dtype=np.float32)
    return noise


def _toned(look: LensLook, picture: np.ndarray) -> np.ndarray:
    """Gamma, S-curve, contrast about the middle, lifted black, saturation."""
    levels = np.linspace(0, 1, 1025, dtype=np.float32)
    table = levels**look.gamma
    table = table + look.curve * (table * table * (3 - 2 * table) - table)
    middle = float(table[int(1024 * np.clip(picture.mean(), 0, 1))])
    table = np.clip(middle + look.contrast * (table - middle), 0, 1)
    table = look.lift + (1 - look.lift) * table
    toned = table[(picture * 1024 + 0.5).astype(np.int16)]
    grey = (toned @ LUMA)[..., None]
    return grey + look.saturation * (toned - grey)

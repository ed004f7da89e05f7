"""The lamp, the round view and the phone: from light on the chip to a finished JPEG."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.grounds.slab import Array, clouds

CASTS = {
    "tungsten": (1.0, 0.82, 0.55),
    "warm LED": (1.0, 0.92, 0.74),
    "daylight": (0.97, 1.0, 1.0),
    "cool LED": (0.88, 0.98, 1.0),
    "greenish": (0.88, 1.0, 0.84),
    "overcast": (0.86, 0.94, 1.0),
}


def draw_lamp(rng: np.random.Generator, shape: tuple[int, int], dim: bool) -> tuple[Array, Array]:
    """Draw the brightness of the lamp over the photo, and the share that the eyepiece's round view lets in."""
    rows, cols = shape
    y = np.linspace(-0.5, 0.5, rows, dtype=np.float32)[:, None]
    x = np.linspace(-0.5, 0.5, cols, dtype=np.float32)[None]
    slope_x, slope_y = rng.normal(0, 0.16, 2)
    lamp = np.exp(slope_x * x + slope_y * y) * (1 - rng.uniform(0, 0.8) * (x**2 + y**2))
    # A hot spot of the bulb, and soft shadows of dust on the lenses, which belong to no depth of the print.
    spots = [(max(0.0, rng.normal(0, 0.14)), 0.28)]
    spots += [(-rng.uniform(0.02, 0.1), rng.uniform(0.02, 0.07)) for _ in range(int(rng.integers(0, 4)))]
    for strength, radius in spots:
        cx, cy = rng.uniform(-0.5, 0.5, 2)
        lamp = lamp * (1 + strength * np.exp(-((((x - cx) ** 2 + (y - cy) ** 2) / radius**2) ** 1.5)))
    lamp = lamp * (1 + 0.004 * clouds(rng, shape, 0.2 * max(shape)))
    seen = np.ones(shape, np.float32)
    if rng.random() < 0.25:
        cx, cy = rng.normal(0, 0.03, 2)
        radius = rng.uniform(0.46, 0.7) * max(shape)
        off = np.hypot((x - cx) * cols, (y - cy) * rows)
        seen = np.clip((radius - off) / (rng.uniform(0.004, 0.03) * radius) + 0.5, 0, 1).astype(np.float32)
    level = rng.uniform(0.12, 0.3) if dim else rng.uniform(0.42, 0.9)
    return np.asarray(lamp * (level / lamp.max()), np.float32), seen


def develop(rng: np.random.Generator, light: Array, noise: float) -> np.ndarray:
    """Turn linear light, 1 for the chip's white, into the finished 8-bit picture of one phone.

    Parameters
    ----------
    rng : numpy.random.Generator
    light : ndarray of shape (H, W, 3)
    noise : float
        Standard deviation of the chip's noise at white.
    """
    rows, cols = light.shape[:2]
    white = np.array(CASTS[str(rng.choice(list(CASTS)))])
    # The white balance takes most of the cast away, but not in every photo.
    cast = white ** rng.choice([0.15, 0.4, 1.0]) * np.exp(rng.normal(0, 0.025, 3))
    chip = np.asarray(light * (cast / cast.max()), np.float32)
    if rng.random() < 0.5:
        # Red and blue are drawn a little larger and smaller around the middle than green.
        fringe = rng.uniform(0.0004, 0.0022)
        for channel, zoom in ((0, 1 + fringe), (2, 1 - fringe)):
            move = np.array([[zoom, 0, (1 - zoom) * (cols - 1) / 2], [0, zoom, (1 - zoom) * (rows - 1) / 2]])
            one = np.ascontiguousarray(chip[..., channel])
            chip[..., channel] = cv2.warpAffine(one, move, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
    grain = rng.standard_normal(chip.shape, dtype=np.float32)
    # The chip sees one colour a pixel: its noise is a little coarser than a pixel.
    grain = 0.6 * grain + 0.8 * np.asarray(cv2.blur(grain, (2, 2)), np.float32)
    chip += grain * np.sqrt(np.clip(chip, 0, None) * noise**2 + (0.25 * noise) ** 2)
    tone = np.clip(chip, 0, 1) ** np.float32(1 / rng.uniform(2.0, 2.5))
    tone = tone + np.float32(rng.uniform(0, 0.5)) * tone * (1 - tone) * (tone - np.float32(0.45))
    grey = (tone @ np.array([0.299, 0.587, 0.114], np.float32))[..., None]
    tone = grey + np.float32(rng.uniform(0.7, 1.35)) * (tone - grey)
    if rng.random() < 0.5:
        smooth = np.asarray(cv2.bilateralFilter(tone, 5, 0.12 * rng.uniform(0.3, 1.0), 1.5), np.float32)
        colour = smooth - smooth.mean(2, keepdims=True)
        tone = smooth - colour + cv2.GaussianBlur(colour, (0, 0), 1.2)
    if rng.random() < 0.5:
        tone = tone + rng.uniform(0.2, 1.3) * (tone - cv2.GaussianBlur(tone, (0, 0), rng.uniform(0.7, 2.0)))
    eight = np.clip(tone * 255 + 0.5, 0, 255).astype(np.uint8)
    quality = int(rng.integers(60, 98))
    _, packed = cv2.imencode(
        ".jpg", np.ascontiguousarray(eight[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])

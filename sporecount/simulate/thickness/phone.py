"""The phone at the eyepiece: uneven light, colour cast, fringe, noise and what the phone does about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.thickness.fields import Array, Dice

_CASTS = [(1.18, 1.0, 0.66), (0.93, 1.0, 1.1), (1.0, 1.0, 1.02), (0.92, 1.05, 0.86)]
_LUMA = np.array([0.3, 0.59, 0.11], np.float32)


@dataclass(frozen=True)
class Phone:
    """How one photo was taken.

    `level` is the brightness of clear ground (linear, 0 to 1), `full` the electrons of full brightness,
    `view` the round field (x, y, radius in px) if the photo shows its rim.
    """

    level: float
    soft_px: float
    full: float
    read: float
    quality: int
    view: tuple[float, float, float] | None

    def noise(self, level: float) -> float:
        """Relative noise of a pixel at a brightness of the linear photo, before noise reduction."""
        return float(np.sqrt(level / self.full + self.read**2) / max(level, 1e-3))


def draw_phone(dice: Dice, width_px: int, height_px: int, dim: bool, view_px: float) -> Phone:
    """Draw a phone; `view_px` is the diameter of the field that the eyepiece shows."""
    longer, view = max(width_px, height_px), None
    if dice.chance(0.28):
        radius = float(np.clip(view_px / 2, 0.44 * longer, 0.66 * longer)) * dice.even(0.85, 1.0)
        view = (width_px * dice.bell(0.5, 0.04), height_px * dice.bell(0.5, 0.04), radius)
    level, full = (dice.even(0.12, 0.3), 250) if dim else (dice.even(0.35, 0.72), 500)
    return Phone(
        level, dice.even(0.3, 1), dice.log(1, 12) * full, dice.even(0.002, 0.01), dice.whole(60, 97), view
    )


def through_eyepiece(dice: Dice, light: Array, phone: Phone) -> tuple[Array, NDArray[np.bool_]]:
    """Bring the light to the sensor: linear photo (H, W, 3), and where the view is."""
    rows, cols = light.shape[:2]
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    u, v = (x - cols / 2) / max(rows, cols) * 2, (y - rows / 2) / max(rows, cols) * 2
    sx, sy, vignette, hot = dice.bell(0, 0.12), dice.bell(0, 0.12), dice.even(0, 0.5), dice.bell(0, 0.12)
    even = np.exp(
        sx * u + sy * v - vignette * (u**2 + v**2) + hot * np.exp(-4 * ((u - sy) ** 2 + (v + sx) ** 2))
    )
    out: Any = light * even[..., None]
    fringe, edge_px, glare, cast = (
        dice.bell(0, 0.0009),
        dice.even(1, 7),
        dice.even(0, 0.06),
        dice.pick(_CASTS),
    )
    for channel, grow in ((0, 1 + fringe), (2, 1 - fringe)):
        # Red and blue pictures differ in size, about the middle.
        turn = np.array([[grow, 0, (1 - grow) * cols / 2], [0, grow, (1 - grow) * rows / 2]])
        out[..., channel] = cv2.warpAffine(
            out[..., channel], turn, (cols, rows), borderMode=cv2.BORDER_REFLECT
        )
    inside = np.ones((rows, cols), bool)
    if phone.view is not None:
        away = np.hypot(x - phone.view[0], y - phone.view[1]) - phone.view[2]
        inside = away < 0
        for channel in range(3):
            edge = away / edge_px - (channel - 1) * 0.15
            out[..., channel] *= np.clip(0.5 - edge, 0.004, 1)
    out = cv2.GaussianBlur(out, (0, 0), phone.soft_px)
    # Light that strays in the eyepiece lifts the darks.
    out = (1 - glare) * out + glare * out.mean(axis=(0, 1))
    # The phone exposes for the brighter part of the view and takes out some of the lamp's colour.
    gains = np.array(cast) ** dice.even(0.15, 1) * dice.rng.uniform(0.97, 1.03, 3)
    clear = max(float(np.percentile(out[inside][:, 1], 65)), 1e-3)
    return (out * (gains * phone.level / clear)).astype(np.float32), inside


def shoot(dice: Dice, linear: Array, phone: Phone) -> NDArray[np.uint8]:
    """Take the photo: noise, tone, noise reduction, colour, sharpening, compression."""
    spread = np.sqrt(np.clip(linear, 0, None) / phone.full + phone.read**2)
    grain: Any = dice.rng.standard_normal(linear.shape, np.float32)
    # Each colour is sensed at every second or fourth pixel and filled in between; red and blue are coarser.
    for channel, soft, gain in ((0, 0.75, 1.7), (1, 0.45, 1.25), (2, 0.75, 1.7)):
        grain[..., channel] = cv2.GaussianBlur(grain[..., channel], (0, 0), soft) * gain
    tone = np.clip(linear + spread * grain, 0, 1) ** (1 / 2.2)
    denoise, sharpen = dice.pick([0.0, dice.even(0.3, 1.0)]), dice.pick([0.0, dice.even(0.2, 1.6)])
    tone += dice.even(-0.1, 0.5) * tone * (1 - tone) * (tone - 0.5)
    if denoise:
        size = float(np.median(spread)) * 2 * max(phone.level, 0.05) ** -0.55
        tone += denoise * (cv2.bilateralFilter(tone, 5, size, 1.6) - tone)
    grey: Any = tone @ _LUMA
    colour: Any = tone - grey[..., None]
    if denoise:
        colour = cv2.GaussianBlur(colour, (0, 0), 0.6 + 1.6 * denoise)
    grey = grey + sharpen * (grey - cv2.GaussianBlur(grey, (0, 0), dice.even(0.8, 2.4)))
    rgb = np.clip((grey[..., None] + dice.even(0.7, 1.45) * colour) * 255 + 0.5, 0, 255).astype(np.uint8)
    packed: Any = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, phone.quality])[1]
    opened: Any = cv2.imdecode(packed, cv2.IMREAD_COLOR)
    return np.ascontiguousarray(opened[..., ::-1])

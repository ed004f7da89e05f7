"""The phone: uneven light, cast, noise, its smoothing and sharpening, round view, tone and JPEG."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from sporecount.simulate.chords.grounds import clouds
from sporecount.simulate.chords.solids import Array

LAMPS = ((1.22, 1.0, 0.66), (0.95, 1.0, 1.1), (1.0, 1.0, 1.0), (0.95, 1.04, 0.93))
"""Red, green and blue of a filament, a cold diode, daylight and a greenish diode."""

SPANS = {
    "smooth": (-0.7, 1), "sharpen": (-1.2, 1.8), "sharpen_px": (0.7, 2.4), "quality": (60, 97.9),
    "contrast": (-0.5, 0.6), "vignette": (0, 0.4), "round_view": (-0.72, 0.28),
}  # fmt: skip
"""Ranges; below zero means none, `contrast` is a logarithm."""


class Phone(NamedTuple):
    """How one photo was taken: numbers, light over the view (h, w, 3), and where the eyepiece lets it through."""

    of: dict[str, float]
    even: Array
    seen: Array


def draw_phone(rng: np.random.Generator, shape: tuple[int, int], dim: bool, rough: float) -> Phone:
    """Draw a phone; the brightness of the ground and the contrast differ widely from photo to photo."""
    noise = np.exp(rng.uniform(np.log(0.004), np.log(0.02 + 0.02 * rough))) * (1.4 if dim else 1)
    level, of = (0.2, 0.5) if dim else (0.4, 0.98), {}
    for name, span in (("level", level), *SPANS.items()):
        of[name] = float(rng.uniform(*span))
    of |= {"veil": 0.6 * rng.beta(1.1, 3.2), "noise": noise, "fringe": rng.normal(0, 0.0012)}
    of["contrast"] = float(np.exp(of["contrast"]))
    y, x = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    even = 1 + np.tensordot(rng.normal(0, 0.06 + 0.1 * rough, 2), [x, y], 1)
    even = even * (1 - of["vignette"] * (x * x + y * y) / 2) + 0.03 * clouds(rng, shape, max(shape) / 2.5)
    cast = np.array(LAMPS[int(rng.integers(4))]) ** rng.uniform(0, 1.3) * np.exp(rng.normal(0, 0.05, 3))
    (row, col), half = rng.uniform(-0.16, 0.16, 2), np.array(shape) / min(shape)
    far = np.hypot((y - row) * half[0], (x - col) * half[1])
    seen = far < (rng.uniform(0.84, 1.44) if of["round_view"] > 0 else np.inf)
    return Phone(of, (np.clip(even, 0.08, None)[..., None] * (cast / cast.mean())).astype(np.float32), seen)


def noise_of(phone: Phone, light: Array) -> Array:
    """Relative noise of a pixel at a light where 1 is the plain ground."""
    light = np.maximum(light, 0.02)
    return phone.of["noise"] * np.sqrt(1 / light + 0.15 / light**2)


def shoot(rng: np.random.Generator, light: Array, phone: Phone) -> Array:
    """Photo (h, w, 3) uint8 of a light where the ground is about 1."""
    (rows, cols), of, light = light.shape[:2], phone.of, light.astype(np.float32)
    for k, sign in ((0, 1), (2, -1)):
        # Red and blue are a little larger and smaller than green, about the middle.
        turn = cv2.getRotationMatrix2D(((cols - 1) / 2, (rows - 1) / 2), 0, 1 + sign * of["fringe"])
        light[..., k] = cv2.warpAffine(light[..., k], turn, (cols, rows), borderMode=cv2.BORDER_REFLECT)
    noise = rng.standard_normal(light.shape, np.float32)
    noise += 1.5 * cv2.GaussianBlur(rng.standard_normal(light.shape, np.float32), (0, 0), 1.2)
    light = np.clip(light + light * noise_of(phone, light) * noise / 1.2, 0, None)
    # Brightness on the screen is about the square root of light; contrast turns about the ground's level.
    screen = of["level"] * (1 + (np.sqrt(light) - 1) * of["contrast"])
    screen = np.where(screen > 0.8, 0.8 + 0.2 * np.tanh((screen - 0.8) / 0.2), screen)
    screen = np.where(screen < 0.06, 0.06 * np.exp(np.minimum(screen / 0.06 - 1, 0)), screen)
    open_to = cv2.GaussianBlur(phone.seen.astype(np.float32), (0, 0), 1.6)
    shown = (255 * screen * (0.02 + 0.98 * open_to[..., None])).astype(np.float32)
    if of["smooth"] > 0:
        shown += of["smooth"] * (cv2.bilateralFilter(shown, 5, 8 + 30 * of["smooth"], 1.6) - shown)
    if of["sharpen"] > 0:
        shown += of["sharpen"] * (shown - cv2.GaussianBlur(shown, (0, 0), of["sharpen_px"]))
    frame = np.clip(shown + 0.5, 0, 255).astype(np.uint8)[..., ::-1]
    packed = np.asarray(cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, int(of["quality"])])[1])
    return np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])

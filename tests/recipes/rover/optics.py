"""Ground, lamp and lens: from the sheet to the light that reaches the phone."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from tests.recipes.rover.fields import Array, Rng, cloud
from tests.recipes.rover.sheet import Sheet

GROUNDS = {
    "glass": (1.0, 1.0, 1.0),
    "paper": (0.95, 0.95, 0.94),
    "cream": (0.95, 0.89, 0.74),
    "grey": (0.55, 0.55, 0.56),
    "kraft": (0.62, 0.45, 0.29),
}
LIGHTS = {"white": 0.0, "warm": 0.0, "oblique": 0.15, "ring": 0.95, "top": 1.0, "mixed": 0.5}
"""Share of the light that comes from above."""
APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}


@dataclass
class Lens:
    """What the microscope does to the picture."""

    blur_um2: Array
    defocus_um: Array
    fringe: float
    haze: float


def blur_by_map(scene: Array, variance_px2: Array) -> Array:
    """Blur by a map of variances: even copies, mixed so that the variance between them is exact."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    steps = np.array([low]) if high < 1.2 * low + 0.05 else np.linspace(low**0.5, high**0.5, 5) ** 2
    out = np.zeros_like(scene)
    for k, step in enumerate(steps):
        weight = np.ones_like(variance_px2)
        if len(steps) > 1:
            weight = np.interp(variance_px2, steps, np.eye(len(steps))[k]).astype(np.float32)
        # the narrowest kernels lose variance to sampling: below a third of a pixel nothing is seen anyway
        copy = cv2.GaussianBlur(scene, (0, 0), step**0.5) if step > 0.1 else scene
        out += copy * (weight[..., None] if scene.ndim == 3 else weight)
    return out


def draw_lens(rng: Rng, sheet: Sheet, objective: float, preset: str) -> Lens:
    """Draw the focus over the view: drift, tilt and a card that is not flat."""
    rows, cols = sheet.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    worst = {"good_focus": 0.25, "heavy": 0.7, "scan_4x": 0.9, "hard": 3.6}.get(preset, 1.2)
    drift = worst * rng.uniform(-1, 1) * rng.uniform(0.2, 1)
    tilt = worst * rng.uniform(0, 0.8) * (1.5 if preset == "hard" else 1.0)
    way = rng.uniform(0, 2 * np.pi)
    uneven = 0.2 * worst * cloud(rng, sheet.shape, max(rows, cols) / 3)
    defocus = drift + tilt * (np.cos(way) * x + np.sin(way) * y) + uneven
    defocus = np.clip(defocus, -worst * 1.1, worst * 1.1)
    sharp = 0.21 * 0.55 / APERTURES[objective]
    low = rng.random() < (0.75 if preset == "hard" else 0.5)
    haze = float(rng.uniform(0, 0.15) if low else rng.uniform(0.15, 0.55))
    return Lens(sharp**2 + defocus**2, defocus, float(rng.choice((0.0, rng.uniform(0, 1)))), haze)


def ground(rng: Rng, sheet: Sheet, name: str, strong: float) -> Array:
    """What the card or glass swallows: mottled by smooth noise, and by threads where it is paper."""
    px = sheet.um_per_px
    rough = strong * (0.008 if name == "glass" else 0.035)
    mottle = cloud(rng, sheet.shape, 45 / px, 3) + 0.4 * cloud(rng, sheet.shape, 5 / px)
    swallowed = rough * mottle
    if name != "glass":
        for _ in range(3):
            threads = cloud(rng, sheet.shape, max(2.5 / px, 1))
            size = int(min(61, max(9, 60 / px))) | 1
            kernel = np.zeros((size, size), np.float32)
            way = rng.uniform(0, np.pi)
            end = (size // 2 * np.array((np.cos(way), np.sin(way)))).astype(int)
            middle = np.array((size // 2, size // 2))
            cv2.line(kernel, (middle - end).tolist(), (middle + end).tolist(), 1.0, 1, cv2.LINE_AA)
            drawn = cv2.filter2D(threads, -1, kernel / kernel.sum())
            swallowed += 0.7 * rough * np.maximum(drawn / max(float(drawn.std()), 1e-6), 0)
    tone = -np.log10(np.array(GROUNDS[name], np.float32))
    return (swallowed - swallowed.mean())[..., None] + tone


def lamp(rng: Rng, shape: tuple[int, int], warm: bool) -> Array:
    """Light before the sheet: uneven, vignetted, of the lamp's colour."""
    rows, cols = shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    fall = (
        1 - rng.uniform(0, 0.35) * ((x - rng.uniform(-0.5, 0.5)) ** 2 + (y - rng.uniform(-0.5, 0.5)) ** 2) / 2
    )
    fall = fall * (1 + rng.uniform(-0.15, 0.15) * x + rng.uniform(-0.15, 0.15) * y)
    colour = np.array((1.0, 0.86, 0.62) if warm else (1.0, 1.0, 1.0), np.float32)
    return np.maximum(fall, 0.05)[..., None] * colour


def expose(rng: Rng, sheet: Sheet, card: Array, light: str, lens: Lens) -> Array:
    """Light of the whole scene at the eyepiece, ground near 1, before the phone."""
    above = LIGHTS[light]
    shine = lamp(rng, sheet.shape, light == "warm")
    picture = np.zeros_like(sheet.density)
    if above < 1:
        picture += (1 - above) * shine * 10 ** (-(sheet.density + card))
    if above > 0:
        picture += above * shine * sheet.albedo * 10 ** (-card)
    if light in ("oblique", "top", "mixed"):
        way = rng.uniform(0, 2 * np.pi)
        height = cv2.GaussianBlur(sheet.density[..., 1], (0, 0), max(0.6 / sheet.um_per_px, 0.6))
        slope_y, slope_x = np.gradient(height, sheet.um_per_px)
        relief = np.clip(rng.uniform(0.1, 0.5) * (np.cos(way) * slope_x + np.sin(way) * slope_y), -0.35, 0.35)
        picture *= 1 + relief[..., None]
    picture = blur_by_map(picture.astype(np.float32), (lens.blur_um2 / sheet.um_per_px**2).astype(np.float32))
    rows, cols = sheet.shape
    for channel, sign in ((0, 1), (2, -1)):
        grow = 1 + sign * lens.fringe * 0.0012
        middle = np.array(((cols - 1) / 2, (rows - 1) / 2)) * (1 - grow)
        move = np.array([[grow, 0, middle[0]], [0, grow, middle[1]]])
        picture[..., channel] = cv2.warpAffine(
            picture[..., channel], move, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
    veil = np.median(picture[::7, ::7], axis=(0, 1))
    return picture * (1 - lens.haze) + lens.haze * veil


def round_view(rng: Rng, shape: tuple[int, int]) -> Array:
    """Share of light that the eyepiece lets through: a soft disc, dark outside."""
    rows, cols = shape
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    radius = rng.uniform(0.47, 0.62) * min(rows, cols) * (1.0 if rng.random() < 0.5 else 1.15)
    off = np.hypot(x - cols * rng.uniform(0.46, 0.54), y - rows * rng.uniform(0.46, 0.54)) - radius
    return np.clip(0.5 - off / (0.03 * radius), 0, 1)

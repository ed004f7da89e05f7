"""Lamps and the objective: the sheet lit from below, from above or both, then blurred by its focus."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from tests.recipes.pilgrim.palette import Floats, Rng
from tests.recipes.pilgrim.scene import Scene, clouds


class Lighting(NamedTuple):
    """How a photo is lit."""

    name: str
    from_above: float
    colour: Floats
    level: float
    azimuth_rad: float
    slant: float
    phase: float
    """How strongly, and with which sign, defocus turns curved surfaces bright or dark from below."""


def draw_lighting(rng: Rng, chances: tuple[float, float, float, float, float], dim: float) -> Lighting:
    """Draw a lamp: from below, oblique or desk or ring from above, or both."""
    name = str(rng.choice(["below", "oblique", "desk", "ring", "mixed"], p=chances))
    above = {"below": 0.0, "mixed": float(rng.uniform(0.25, 0.75))}.get(name, 1.0)
    warm = rng.normal(0.1, 0.22)
    colour = np.exp(np.array([warm, rng.normal(0, 0.03), -1.25 * warm])).astype(np.float32)
    level = float(rng.uniform(0.62, 0.92) if rng.random() > dim else rng.uniform(0.22, 0.6))
    slant = {"oblique": 1.0, "ring": 0.25}.get(name, 0.65)
    phase = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.3))
    return Lighting(
        name, above, colour / colour.mean(), level, float(rng.uniform(0, 2 * np.pi)), slant, phase
    )


def shifted(image: Floats, dx: float, dy: float) -> Floats:
    """Move an image by a part of a px."""
    turn = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    return np.asarray(cv2.warpAffine(image, turn, image.shape[1::-1], borderMode=cv2.BORDER_REPLICATE))


def from_below(scene: Scene, phase: float) -> Floats:
    """Let the light pass; curved clear things act as little lenses."""
    um = scene.um_per_px
    round_off = cv2.GaussianBlur(scene.height_um, (0, 0), max(0.7 / um, 0.5))
    curve = cv2.Laplacian(round_off, cv2.CV_32F, ksize=1) / um**2
    lens = np.exp(np.float32(-phase) * np.tanh(curve))
    return np.asarray(scene.passes * lens[..., None], np.float32)


def relief(scene: Scene, light: Lighting) -> Floats:
    """Light the sheet from above: slopes shade, high things throw a soft shadow, round ones glint."""
    um = scene.um_per_px
    high: Floats = cv2.GaussianBlur(scene.height_um, (0, 0), max(0.5 / um, 0.4))
    gx = np.clip(cv2.Sobel(high, cv2.CV_32F, 1, 0, scale=1 / 8) / um, -1.5, 1.5)
    gy = np.clip(cv2.Sobel(high, cv2.CV_32F, 0, 1, scale=1 / 8) / um, -1.5, 1.5)
    lx, ly = np.float32(np.cos(light.azimuth_rad)), np.float32(np.sin(light.azimuth_rad))
    norm = 1 / np.sqrt(1 + gx * gx + gy * gy)
    facing = -(gx * lx + gy * ly) * norm
    shade = 0.35 + 0.65 * norm + 0.5 * light.slant * facing
    dark: Floats = np.zeros(scene.shape, np.float32)
    for away_um in (1.5, 3.5, 6.5):
        higher = shifted(high, float(-lx * away_um / um), float(-ly * away_um / um)) - high - 0.55 * away_um
        dark = np.maximum(dark, np.clip(higher / 1.5, 0, 1))
    dark = cv2.GaussianBlur(dark, (0, 0), max(0.9 / um, 0.5))
    # the glint stands where the surface tips halfway to the lamp
    glint = np.exp(-((gx + 0.45 * lx) ** 2 + (gy + 0.45 * ly) ** 2) / 0.025) * (scene.kind > 0)
    lit = scene.returns * (np.clip(shade, 0.2, 1.7) * (1 - 0.6 * light.slant * dark))[..., None]
    return np.asarray(lit + (0.14 * light.slant * glint)[..., None], np.float32)


def lit_sheet(scene: Scene, light: Lighting, uneven: float, rng: Rng) -> Floats:
    """Mix both looks under an uneven lamp of its colour."""
    seen = np.zeros((*scene.shape, 3), np.float32)
    if light.from_above < 1:
        seen += np.float32(1 - light.from_above) * from_below(scene, light.phase)
    if light.from_above > 0:
        seen += np.float32(light.from_above) * relief(scene, light)
    rows, cols = scene.shape
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float32)
    y, x = (y - rows / 2) / max(scene.shape), (x - cols / 2) / max(scene.shape)
    way = rng.uniform(0, 2 * np.pi)
    slope = (
        1
        + uneven * (x * np.cos(way) + y * np.sin(way))
        + 0.05 * uneven * clouds(scene.shape, 0.5 * cols, rng, 1)
    )
    vignette = 1 - rng.uniform(0.1, 0.9) * uneven * (x * x + y * y)
    return np.asarray(seen * light.colour * np.clip(slope * vignette, 0.1, 2)[..., None], np.float32)


def focus_variance_um2(
    shape: tuple[int, int], um_per_px: float, objective: float, defocus_um: float, tilt_um: float, rng: Rng
) -> Floats:
    """Map the variance of the blur: the objective's own spot, and a plane of focus that is tilted and off."""
    aperture = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}.get(objective, objective / 45 + 0.02)
    spot_um = 0.21 * 0.55 / aperture  # the Gaussian nearest to an Airy spot, common practice
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    way = rng.uniform(0, 2 * np.pi)
    span = max(shape)
    plane = ((x - shape[1] / 2) * np.cos(way) + (y - shape[0] / 2) * np.sin(way)) / span
    off = defocus_um + 2 * tilt_um * plane
    return np.asarray(spot_um**2 + off**2 + (0.25 * um_per_px) ** 2, np.float32)


def blur(image: Floats, variance_px2: Floats) -> Floats:
    """Blur by a map: copies at a few variances are mixed, so that each place gets just its own variance."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    levels = np.geomspace(low, high, 2 + min(4, int(2 * np.log2(high / low)))) if high > 1.05 * low else [low]
    copies = [cv2.GaussianBlur(image, (0, 0), float(np.sqrt(max(level, 0.01)))) for level in levels]
    if len(copies) == 1:
        return np.asarray(copies[0])
    out = np.zeros_like(image)
    for i, copy in enumerate(copies):
        ends = [levels[max(i - 1, 0)], levels[i], levels[min(i + 1, len(levels) - 1)]]
        up = np.clip((variance_px2 - ends[0]) / (ends[1] - ends[0]), 0, 1) if i else 1.0
        down = np.clip((ends[2] - variance_px2) / (ends[2] - ends[1]), 0, 1) if i + 1 < len(levels) else 1.0
        out += copy * np.asarray(np.minimum(up, down), np.float32)[..., None]
    return out

"""Light and lens: polynomial illumination, vignette, round view, and a blur of drawn kernel by a map."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.ranger.radial import Field
from tests.recipes.ranger.world import World

LEVELS = 5
"""Evenly blurred copies that a map of blur is mixed from."""


def _kernel(family: str, variance_px2: float) -> Field:
    """Round kernel of the family whose variance along each axis is as wanted, pixels integrated 4 x 4."""
    sigma = float(np.sqrt(variance_px2))
    half = int(np.ceil(max(3.4 * sigma, 2)))
    fine = (np.arange((2 * half + 1) * 4) + 0.5) / 4 - 0.5 - half
    r = np.hypot(fine[:, None], fine[None, :])
    coarse = np.arange(-half, half + 1.0)
    size, kernel = sigma, np.zeros((2 * half + 1, 2 * half + 1))
    for _ in range(6):
        if family == "gauss":
            shape = np.exp(-0.5 * (r / size) ** 2)
        else:
            outer = 2 * size
            shape = np.clip((outer - r) * 2 + 0.5, 0, 1)
            if family == "ring":
                shape = shape * (0.45 + 0.55 * np.clip(r / outer, 0, 1) ** 2)
        kernel = shape.reshape(2 * half + 1, 4, 2 * half + 1, 4).sum((1, 3))
        kernel /= kernel.sum()
        got = float((kernel.sum(0) * coarse**2).sum())
        size *= np.sqrt(variance_px2 / max(got, 1e-6))
    return kernel.astype(np.float32)


def blur_by_map(light: Field, variance_px2: Field, family: str) -> Field:
    """Blur by a map of variance: a mix of two copies has the mixed variance, whatever the kernel."""
    low, high = float(variance_px2.min()), float(variance_px2.max())
    levels = (
        np.linspace(low, high, LEVELS) if high - low > 0.05 * high else np.array([float(variance_px2.mean())])
    )
    copies = [cv2.filter2D(light, -1, _kernel(family, v), borderType=cv2.BORDER_REFLECT_101) for v in levels]
    if len(copies) == 1:
        return np.asarray(copies[0], np.float32)
    place = (variance_px2 - levels[0]) / (levels[1] - levels[0])
    mixed = np.zeros_like(light)
    for k, copy in enumerate(copies):
        mixed += copy * np.clip(1 - np.abs(place - k), 0, 1)[..., None].astype(np.float32)
    return mixed


def variance_map(rng: np.random.Generator, world: World) -> Field:
    """Variance of objective and defocus in px2: the sheet is a tilted, slightly bowed plane."""
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in world.shape)
    way = rng.uniform(0, 2 * np.pi)
    plane = x[None, :] * np.cos(way) + y[:, None] * np.sin(way)
    bow = rng.normal(0, 0.25) * (x[None, :] ** 2 + y[:, None] ** 2 - 0.6)
    defocus = world.defocus_um + world.tilt_um * (plane + bow)
    most = 4.0 if world.preset == "hard" else 2.0
    return ((np.minimum(defocus**2, most**2) + world.objective_um**2) / world.um_per_px**2).astype(np.float32)


def smear(rng: np.random.Generator, light: Field, motion_px: float) -> Field:
    """Smear of the hand along a line of the given standard deviation."""
    half = motion_px * np.sqrt(3)
    if half < 0.3:
        return light
    size = int(np.ceil(half)) + 1
    y, x = np.mgrid[-size : size + 1, -size : size + 1].astype(float)
    way = rng.uniform(0, np.pi)
    along, across = x * np.cos(way) + y * np.sin(way), y * np.cos(way) - x * np.sin(way)
    line = np.clip(half + 0.5 - np.abs(along), 0, 1) * np.clip(1 - np.abs(across), 0, 1)
    return np.asarray(cv2.filter2D(light, -1, (line / line.sum()).astype(np.float32)), np.float32)


def view_circle(rng: np.random.Generator, world: World) -> Field:
    """The eyepiece's round view, 1 inside and 0 outside; everything where the photo shows no edge of it."""
    if not world.round_view:
        return np.ones(world.shape, np.float32)
    rows, cols = world.shape
    radius = rng.uniform(0.46, 0.62) * max(rows, cols)
    cx, cy = cols * rng.uniform(0.45, 0.55), rows * rng.uniform(0.45, 0.55)
    y, x = np.ogrid[:rows, :cols]
    return np.clip((radius - np.hypot(x - cx, y - cy)) / rng.uniform(1, 6) + 0.5, 0, 1).astype(np.float32)


def illumination(rng: np.random.Generator, world: World) -> Field:
    """Light on each pixel, of shape (H, W, 3): exp of a polynomial of order 3, its colour drifting a little."""
    y, x = (np.linspace(-1, 1, n, dtype=np.float32) for n in world.shape)
    x, y = x[None, :], y[:, None]
    terms = [x + 0 * y, y + 0 * x, x * x + 0 * y, x * y, y * y + 0 * x, x**3 + 0 * y, y**3 + 0 * x]
    strength = rng.uniform(0.03, 0.3 if world.preset == "hard" else 0.16)
    shape = np.sum([rng.normal(0, strength) * t for t in terms], axis=0)
    vignette = rng.uniform(0, 0.25) * (x * x + y * y)
    drift = rng.normal(0, 0.02, 3).astype(np.float32)
    log_light = np.minimum(shape, 0.35)[..., None] - vignette[..., None] + drift * (x + y)[..., None]
    return (np.exp(log_light) * world.lamp).astype(np.float32)


def fringe(rng: np.random.Generator, light: Field, world: World) -> Field:
    """Chromatic fringes: red and blue a little larger or smaller, and moved, against green."""
    rows, cols = world.shape
    size = world.fringe_px / (0.5 * max(rows, cols)) * rng.choice((-1, 1))
    move = rng.normal(0, 0.3 * world.fringe_px, 2)
    out = light.copy()
    for channel, sign in ((0, 1), (2, -1)):
        gain = 1 + sign * size
        matrix = np.array(
            [
                [gain, 0, (1 - gain) * cols / 2 + sign * move[0]],
                [0, gain, (1 - gain) * rows / 2 + sign * move[1]],
            ]
        )
        plane = np.ascontiguousarray(light[..., channel])
        out[..., channel] = cv2.warpAffine(
            plane, matrix, (cols, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101
        )
    return out

"""Blur by a random point spread that changes over the field, and the shape of the view."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.relief.forms import roughness
from sporecount.simulate.relief.recipe import Recipe

SPREADS = ("bell", "disc", "hexagon", "astigmatic", "halo", "double", "ring")

_MAX_SIGMA_PX = 30.0


@dataclass(frozen=True)
class Lens:
    """The point spread of a photo: its kind, its direction, and how strong its second part is."""

    spread: str
    turn: float
    second: float


def random_lens(rng: np.random.Generator) -> Lens:
    """Make up the point spread of a photo."""
    spread = str(rng.choice(SPREADS, p=(0.3, 0.16, 0.1, 0.14, 0.15, 0.08, 0.07)))
    return Lens(spread, float(rng.uniform(0, np.pi)), float(rng.uniform(0.15, 0.45)))


def point_spread(lens: Lens, sigma_px: float) -> np.ndarray:
    """Kernel with sum 1 whose standard deviation, mean of both directions, is `sigma_px`."""
    size = sigma_px
    kernel = np.ones((1, 1), np.float32)
    for _ in range(3):  # the size that a discrete kernel needs for a given spread, found by repeated scaling
        kernel = _kernel(lens, size)
        reach = kernel.shape[0] // 2
        y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
        mean_x, mean_y = (kernel * x).sum(), (kernel * y).sum()
        now = np.sqrt((kernel * ((x - mean_x) ** 2 + (y - mean_y) ** 2)).sum() / 2)
        size *= sigma_px / max(now, 0.1)
    return kernel


def _kernel(lens: Lens, size_px: float) -> np.ndarray:
    reach = int(np.ceil(3.2 * size_px)) + 1
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float32)
    cos, sin = np.cos(lens.turn), np.sin(lens.turn)
    u, v = x * cos + y * sin, y * cos - x * sin
    far = np.hypot(u, v)
    bell = np.exp(-(far**2) / (2 * size_px**2))
    if lens.spread == "disc":
        shape = np.clip(2 * size_px - far + 0.5, 0, 1)
    elif lens.spread == "hexagon":
        flat = np.maximum(np.abs(u), np.abs(u) / 2 + np.abs(v) * 0.866)
        shape = np.clip(1.95 * size_px - flat + 0.5, 0, 1)
    elif lens.spread == "astigmatic":
        ratio = 1 + lens.second
        shape = np.exp(-((u / ratio) ** 2 + (v * ratio) ** 2) / (2 * size_px**2))
    elif lens.spread == "halo":
        shape = np.exp(-(far**2) / (0.8 * size_px**2)) + 0.25 * lens.second * np.exp(
            -(far**2) / (4 * size_px**2)
        )
    elif lens.spread == "double":
        shift = 1.6 * size_px
        shape = np.exp(-(far**2) / (1.2 * size_px**2))
        shape = shape + lens.second * np.exp(-((u - shift) ** 2 + v**2) / (1.2 * size_px**2))
    elif lens.spread == "ring":
        shape = np.exp(-(((far - 1.2 * size_px) / (0.55 * size_px)) ** 2)) + 0.5 * bell
    else:
        shape = bell
    total = shape.sum()
    if total <= 0:
        return np.ones((1, 1), np.float32)
    kernel: np.ndarray = (shape / total).astype(np.float32)
    return kernel


def blur_field(rng: np.random.Generator, recipe: Recipe, height_um: np.ndarray) -> np.ndarray:
    """Give the standard deviation of the blur in um at each pixel: tilt, bowl, waves of the tape, and height."""
    rows, cols = height_um.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    tilt = rng.uniform(0, 1.2) * (x * np.cos(turn) + y * np.sin(turn))
    bowl = rng.normal(0, 0.5) * (x * x + y * y)
    waves = rng.uniform(0, 0.6) * roughness(rng, (rows, cols), 0.4 * cols, 2)
    stands = cv2.GaussianBlur(
        height_um - np.median(height_um[::4, ::4]), (0, 0), max(4 / recipe.um_per_px, 1)
    )
    off = rng.normal(0, 0.7) + tilt + bowl + waves
    depth = recipe.defocus_um * off + rng.uniform(0, 0.05) * np.clip(stands, -10, 30)
    field: np.ndarray = np.hypot(recipe.sharp_um, depth).astype(np.float32)
    return np.minimum(field, np.float32(_MAX_SIGMA_PX * recipe.um_per_px))


def blur(lens: Lens, scene: np.ndarray, sigma_px: np.ndarray) -> np.ndarray:
    """Blur a linear picture by a field of standard deviations, in up to five steps that are blended."""
    low, high = float(sigma_px.min()), float(sigma_px.max())
    if high < 0.3:
        return scene
    low = max(low, 0.25)
    count = int(np.clip(np.ceil(np.log(high / low) / np.log(1.4)) + 1, 1, 5))
    if count == 1:
        return _filter(lens, scene, 0.5 * (low + high))
    steps = np.geomspace(low, high, count)
    where = np.interp(sigma_px.ravel(), steps, np.arange(count)).reshape(sigma_px.shape).astype(np.float32)
    result = np.zeros_like(scene)
    for number, sigma in enumerate(steps):
        weight = np.clip(1 - np.abs(where - number), 0, 1)
        if weight.any():
            result += weight[..., None] * _filter(lens, scene, float(sigma))
    return result


def _filter(lens: Lens, scene: np.ndarray, sigma_px: float) -> np.ndarray:
    if sigma_px > 7:  # a coarse blur is the same, and quicker, on a coarser grid
        factor = sigma_px / 3.5
        size = (max(int(scene.shape[1] / factor), 8), max(int(scene.shape[0] / factor), 8))
        small = cv2.resize(scene, size, interpolation=cv2.INTER_AREA)
        small = cv2.filter2D(small, -1, point_spread(lens, 3.5), borderType=cv2.BORDER_REPLICATE)
        return cv2.resize(small, scene.shape[1::-1], interpolation=cv2.INTER_CUBIC)
    kernel = point_spread(lens, sigma_px)[::-1, ::-1]
    return cv2.filter2D(scene, -1, np.ascontiguousarray(kernel), borderType=cv2.BORDER_REPLICATE)


def round_view(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray | None:
    """Share of light that the eyepiece lets through, shape (H, W); None for a photo without a rim."""
    if rng.random() > 0.35:
        return None
    rows, cols = shape
    radius = rng.uniform(0.47, 0.75) * np.hypot(rows, cols) * rng.uniform(0.75, 1)
    x = np.arange(cols, dtype=np.float32) - cols * np.float32(rng.uniform(0.42, 0.58))
    y = np.arange(rows, dtype=np.float32) - rows * np.float32(rng.uniform(0.42, 0.58))
    far = np.hypot(x[None, :], y[:, None])
    soft = rng.uniform(0.004, 0.06) * radius
    view: np.ndarray = (1 / (1 + np.exp(np.clip((far - radius) / soft, -30, 30)))).astype(np.float32)
    return view


def falloff(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Uneven light over the field, mean about 1, shape (H, W)."""
    rows, cols = shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    turn = rng.uniform(0, 2 * np.pi)
    x0, y0 = rng.normal(0, 0.35, 2)
    light = 1 + rng.uniform(0, 0.25) * (x * np.cos(turn) + y * np.sin(turn))
    light -= rng.uniform(0, 0.22) * ((x - x0) ** 2 + (y - y0) ** 2)
    return np.clip(light, 0.2, 2).astype(np.float32)

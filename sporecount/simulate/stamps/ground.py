"""What lies behind the print: blank glass, textured glue film, card with fibres, ruled paper, dirty tape."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.stamps.plan import log_uniform
from sporecount.simulate.stamps.portraits import hue, mottle
from sporecount.simulate.stamps.sheet import Array


@dataclass(frozen=True)
class Ground:
    """Light from below (three channels), its height in µm, and where ink was drawn."""

    light: Array
    height_um: float
    ink: Array


def _streaks(rng: np.random.Generator, shape: tuple[int, int], wide_px: float, long_px: float) -> Array:
    """Noise drawn out in one direction, as rollers and fingers leave it."""
    side = int(np.hypot(*shape)) + 8
    noise = mottle(rng, (max(int(side / max(wide_px, 1)), 4), max(int(side / max(long_px, 1)), 4)), 1.0)
    noise = cv2.resize(noise, (side, side), interpolation=cv2.INTER_CUBIC)
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), float(rng.uniform(0, 180)), 1.0)
    turned = cv2.warpAffine(noise, turn, (side, side), borderMode=cv2.BORDER_REFLECT)
    y, x = (side - shape[0]) // 2, (side - shape[1]) // 2
    return turned[y : y + shape[0], x : x + shape[1]]


def _felt(rng: np.random.Generator, shape: tuple[int, int], um_per_px: float) -> Array:
    """Crossing paper fibres, mean 0 and standard deviation 1, drawn coarsely since each is many pixels wide."""
    coarse = max(um_per_px, 1.2)
    small = (int(shape[0] * um_per_px / coarse) + 2, int(shape[1] * um_per_px / coarse) + 2)
    area_mm2 = small[0] * small[1] * coarse**2 / 1e6
    total: Array = np.zeros(small, np.float32)
    number = int(np.clip(area_mm2 * rng.uniform(250, 700), 25, 420))
    for _ in range(6):
        sheet = np.zeros(small, np.float32)
        for _ in range(number // 6):
            start, way = rng.uniform(0, 1, 2) * small[::-1], rng.uniform(0, 2 * np.pi)
            ways = way + np.cumsum(rng.normal(0, 0.12, 14))
            step = log_uniform(rng, 200, 1500) / coarse / 14
            path = start + np.cumsum(np.column_stack([np.cos(ways), np.sin(ways)]) * step, axis=0)
            thick = max(int(rng.uniform(9, 30) / coarse), 1)
            points = [np.round(path * 8).astype(np.int32)]
            cv2.polylines(sheet, points, False, float(rng.normal(0.4, 0.6)), thick, cv2.LINE_8, 3)
        total += cv2.GaussianBlur(sheet, (0, 0), max(2.0 / coarse, 0.5))
    total = cv2.resize(
        total, None, fx=coarse / um_per_px, fy=coarse / um_per_px, interpolation=cv2.INTER_LINEAR
    )
    total = total[: shape[0], : shape[1]]
    return (total - total.mean()) / max(float(total.std()), 1e-6)


def _patchy(rng: np.random.Generator, shape: tuple[int, int], um_per_px: float) -> Array:
    """Where in a view a feature shows at all, 0 to 1: in a few places, or nowhere."""
    return np.clip(mottle(rng, shape, rng.uniform(60, 200) / um_per_px) - rng.uniform(-0.6, 2.0), 0, 1)


def draw_ground(
    rng: np.random.Generator,
    name: str,
    shape: tuple[int, int],
    um_per_px: float,
    from_above: bool,
    rough: float,
) -> Ground:
    """Draw one of the grounds over a sheet of the given shape."""
    od = np.zeros(shape, np.float32)
    colour = hue(rng, 1, 1, 1.1, 0.03)
    ink = np.zeros(shape, bool)
    inked = np.zeros((*shape, 3), np.float32)
    height = float(rng.normal(0, 4))
    strong = 0.4 + rough
    if name == "film":
        od += (
            rng.uniform(0.004, 0.03)
            * strong
            * _streaks(rng, shape, rng.uniform(3, 25) / um_per_px, 500 / um_per_px)
        )
        od += rng.uniform(0.004, 0.025) * strong * mottle(rng, shape, rng.uniform(8, 60) / um_per_px, 3)
        # Ridges of glue: thin bright and dark lines where smooth noise crosses zero.
        crest = mottle(rng, shape, rng.uniform(40, 150) / um_per_px, 2)
        od += (
            rng.uniform(0, 0.12)
            * strong
            * np.exp(-((crest / rng.uniform(0.03, 0.1)) ** 2))
            * _patchy(rng, shape, um_per_px)
        )
    elif name in ("card", "ruled"):
        height = -float(log_uniform(rng, 3, 70))
        od += rng.uniform(0.015, 0.07) * strong * _felt(rng, shape, um_per_px)
        od += rng.uniform(0.005, 0.03) * mottle(rng, shape, rng.uniform(3, 12) / um_per_px, 2)
        colour = hue(rng, 0.9, 1, rng.uniform(1.1, 1.6), 0.03)
    elif name == "dirty":
        tide = mottle(rng, shape, rng.uniform(60, 220) / um_per_px, 4)
        od += rng.uniform(0.02, 0.12) * np.clip(tide + rng.uniform(-1, 1), 0, 2.5)
        od += (
            rng.uniform(0.01, 0.09)
            * np.exp(-((tide / rng.uniform(0.05, 0.2)) ** 2))
            * _patchy(rng, shape, um_per_px)
        )
        grit = mottle(rng, shape, max(rng.uniform(1.5, 4) / um_per_px, 1), 1)
        od += rng.uniform(0.02, 0.12) * strong * np.clip(grit - 1.8, 0, 2)
        colour = hue(rng, 0.7, 1, rng.uniform(1.2, 2.0), 0.05)
    od += rng.uniform(0.0, 0.02) * mottle(rng, shape, 200 / um_per_px)
    if name == "ruled" or (name == "card" and rng.random() < 0.12):
        y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
        way = rng.normal(0, 0.2) + (np.pi / 2) * (rng.random() < 0.5)
        half = min(rng.uniform(40, 130) / um_per_px, 0.16 * min(shape))
        middle = rng.uniform(0.1, 0.9) * (shape[0] * abs(np.cos(way)) + shape[1] * abs(np.sin(way)))
        off = np.abs(y * np.cos(way) + x * abs(np.sin(way)) - middle)
        line = np.clip((half - off + 2.5 * mottle(rng, shape, 12 / um_per_px, 2) / um_per_px) / 3 + 0.5, 0, 1)
        pens = ((1.6, 0.9, 0.3), (0.3, 1.2, 1.0), (1.0, 1.0, 1.0))
        ink = line > 0.5
        inked = line[..., None] * hue(rng, *pens[int(rng.integers(3))]) * rng.uniform(0.08, 0.4)
        inked = (
            inked
            * np.clip(1 + rng.uniform(0.05, 0.2) * mottle(rng, shape, 25 / um_per_px, 3), 0.1, 2)[..., None]
        )
    light = np.clip(10 ** -(od[..., None] * colour + inked), 0.02, 1.4)
    if from_above and rng.random() < 0.25:
        light *= np.float32(rng.uniform(0.25, 0.6))
    return Ground(light.astype(np.float32), height, ink)

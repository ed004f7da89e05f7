"""What lies behind the print and the tape over it: papers, cards, glass, film, adhesive."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.distances.fields import (
    Plane,
    cell_noise,
    fractal,
    gradient_noise,
    smooth,
    value_noise,
)

PAPERS = (
    "glass", "smeared glass", "card", "office paper", "tissue", "tracing", "kraft", "coloured card", "grid",
    "ruled", "plastic", "printed dots", "tinted film", "coated card", "recycled",
)  # fmt: skip
TAPES = (
    "clear", "streaked", "frosted", "pebbled", "yellowed", "stringy", "blistered", "rippled", "crazed", "brushed",
)  # fmt: skip


def _plane(shape: tuple[int, int], px: float, angle: float) -> tuple[Plane, Plane]:
    x = (np.arange(shape[1], dtype=np.float32) * np.float32(px))[None]
    y = (np.arange(shape[0], dtype=np.float32) * np.float32(px))[:, None]
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return c * x + s * y, c * y - s * x


def _coarse(shape: tuple[int, int], px: float, finest_um: float) -> tuple[tuple[int, int], float]:
    """Grid on which a texture whose finest mark is given is smooth enough to be drawn."""
    step = float(np.clip(finest_um / (3.5 * px), 1, 12))
    return (int(np.ceil(shape[0] / step)) + 1, int(np.ceil(shape[1] / step)) + 1), px * step


def _full(texture: Plane, shape: tuple[int, int]) -> Plane:
    return np.asarray(cv2.resize(texture, shape[::-1], interpolation=cv2.INTER_CUBIC), np.float32)


def fibre_mat(
    rng: np.random.Generator, shape: tuple[int, int], px: float, width_um: float, ways: int
) -> Plane:
    """Draw the felt of a paper: noise drawn out along several directions, the lightest of them in front."""
    small, step = _coarse(shape, px, width_um)
    out: Plane = np.zeros(small, np.float32)
    for way in rng.uniform(0, np.pi, ways):
        u, v = _plane(small, step, way)
        bend = value_noise(rng, small, (120 / step, 120 / step)) * np.float32(0.5 * width_um)
        n = gradient_noise(
            u / np.float32(width_um * rng.uniform(6, 14)), (v + bend) / np.float32(width_um), rng
        )
        out = np.maximum(out, n) if rng.random() < 0.6 else out + np.float32(0.5) * np.abs(n)
    return _full((out - out.mean()) / (out.std() + np.float32(1e-6)), shape)


def _rules(rng: np.random.Generator, shape: tuple[int, int], px: float, grid: bool) -> Plane:
    """Cover of printed lines, with ragged ink."""
    angle = rng.normal(0, 0.3) + np.pi / 2 * rng.integers(2)
    u, v = _plane(shape, px, angle)
    rag = value_noise(rng, shape, (12 / px, 12 / px))
    ink = np.zeros(shape, np.float32)
    half = rng.uniform(12, 70)
    across = max(shape) * px
    spacing = rng.uniform(0.5, 1.1) * (500 if grid else 2500)
    for axis in (u, v) if grid else (v,):
        middle = float(axis.mean()) + rng.uniform(-0.4, 0.4) * min(across, spacing)
        d = np.abs((axis - middle + spacing / 2) % spacing - spacing / 2) - half + 2.5 * rag
        ink = np.maximum(ink, smooth(3, -3, d))
    return ink * np.clip(0.8 + 0.3 * fractal(rng, shape, 9 / px, 3, 0.8), 0.2, 1.2)


def draw_paper(
    rng: np.random.Generator, shape: tuple[int, int], px: float, kind: str, rough: float
) -> NDArray[np.float32]:
    """Draw the light that comes from a background, about 1 where it is bare.

    Parameters
    ----------
    rng : numpy.random.Generator
    shape : tuple of int
    px : float
        Micrometres per pixel.
    kind : str
        One of `PAPERS`.
    rough : float
        Strength of its texture, 1 is ordinary.
    """
    od = np.zeros(shape, np.float32)
    tint = np.array([1, 1, 1], np.float32) * rng.uniform(0.96, 1.0, 3).astype(np.float32)
    ink, ink_od = None, np.zeros(3, np.float32)
    if kind in ("glass", "smeared glass", "plastic", "grid", "tinted film"):
        od += 0.006 * rough * fractal(rng, shape, 90 / px, 3, 0.6)
        if kind == "smeared glass":
            u, v = _plane(shape, px, rng.uniform(0, np.pi))
            wipe = gradient_noise(u / np.float32(250), v / np.float32(rng.uniform(8, 30)), rng)
            od += 0.02 * rough * wipe * smooth(-0.3, 1, fractal(rng, shape, 200 / px, 2, 0.5))
        if kind == "plastic":
            for _ in range(int(rng.integers(4, 16))):
                _, v = _plane(shape, px, rng.uniform(0, np.pi))
                at = rng.uniform(float(v.min()), float(v.max()))
                mark = np.exp(-(((v - at) / np.float32(rng.uniform(0.6, 2.5))) ** 2))
                od += np.float32(rng.uniform(-0.06, 0.16) * rough) * mark
        if kind == "tinted film":
            tint = rng.uniform(0.68, 1.0, 3).astype(np.float32)
    elif kind in ("tracing", "coated card"):
        od += (
            rng.uniform(0.02, 0.06)
            * rough
            * fractal(rng, shape, rng.uniform(25, 90) / px, 4, rng.uniform(0.4, 0.7))
        )
        if kind == "coated card":
            small, step = _coarse(shape, px, 6)
            u, v = _plane(small, step, 0.3)
            near, _, tag = cell_noise(u / np.float32(45), v / np.float32(45), rng)
            od += 0.09 * rough * _full(smooth(0.14, 0.05, near) * (tag > 0.6), shape)
    else:
        width = float(rng.uniform(9, 26)) if kind != "tissue" else float(rng.uniform(10, 18))
        amount = (
            {"tissue": 0.1, "recycled": 0.09, "kraft": 0.09}.get(kind, 0.055) * rng.uniform(0.5, 1.4) * rough
        )
        od += amount * fibre_mat(rng, shape, px, width, int(rng.integers(4, 8)))
        od += 0.5 * amount * fractal(rng, shape, rng.uniform(60, 200) / px, 4, 0.6)
        if kind in ("kraft", "recycled"):
            flecks = fractal(rng, shape, rng.uniform(20, 60) / px, 3, 0.6)
            od += 0.25 * rough * smooth(1.5, 2.4, flecks)
        if kind == "kraft":
            tint = np.array([0.86, 0.64, 0.42], np.float32) * np.float32(rng.uniform(0.8, 1.1))
        elif kind == "coloured card":
            tint = (1 - rng.uniform(0.0, 0.42, 3) * (rng.random(3) < 0.6)).astype(np.float32)
        elif kind == "recycled":
            tint *= np.array([0.86, 0.84, 0.8], np.float32)
    if kind in ("grid", "ruled"):
        ink = _rules(rng, shape, px, kind == "grid")
        ink_od = rng.uniform(0.12, 0.5, 3).astype(np.float32) * np.float32(rng.uniform(0.5, 1))
    elif kind == "printed dots":
        u, v = _plane(shape, px, rng.uniform(0, np.pi / 2))
        pitch = rng.uniform(90, 190)
        d = np.hypot((u % pitch) - pitch / 2, (v % pitch) - pitch / 2) - rng.uniform(0.14, 0.3) * pitch
        ink = smooth(4, -4, d + 4 * fractal(rng, shape, 14 / px, 2, 0.6)) * np.float32(rng.uniform(0.4, 1))
        ink_od = np.array(
            [[0.5, 0.12, 0.02], [0.05, 0.5, 0.15], [0.02, 0.05, 0.5], [0.4, 0.4, 0.4]][rng.integers(4)]
        )
    if ink is not None:
        soft = float(np.clip(rng.uniform(0.5, 4) / px, 0.5, 8))
        ink = np.asarray(cv2.GaussianBlur(ink, (0, 0), soft))
        return np.asarray(tint * 10.0 ** -(od[..., None] + ink[..., None] * ink_od), np.float32)
    return np.asarray(tint * 10.0 ** -od[..., None], np.float32)


def tape_film(
    rng: np.random.Generator, shape: tuple[int, int], px: float, kind: str, rough: float
) -> NDArray[np.float32]:
    """Draw the density (H, W, 3) of a tape and its adhesive; negative where they gather light."""
    grey = np.array([1, 1, 1], np.float32)
    od = np.zeros(shape, np.float32)
    angle = rng.uniform(0, np.pi)
    if kind in ("streaked", "brushed"):
        small, step = _coarse(shape, px, 3 if kind == "brushed" else 8)
        u, v = _plane(small, step, angle)
        wide = rng.uniform(2.5, 6) if kind == "brushed" else rng.uniform(8, 30)
        long = rng.uniform(15, 60) * wide
        n = gradient_noise(u / np.float32(long), v / np.float32(wide), rng)
        n = n + 0.5 * gradient_noise(u / np.float32(long * 2), v / np.float32(wide * 3), rng)
        od += np.float32(rng.uniform(0.012, 0.04) * rough) * _full(n, shape)
    elif kind == "frosted":
        wide = rng.uniform(4, 14)
        n = fractal(rng, shape, wide / px, 2, 0.5)
        od += np.float32(rng.uniform(0.015, 0.045) * rough) * np.where(n > 0, n * 1.3, n * 0.7)
    elif kind in ("pebbled", "crazed"):
        wide = rng.uniform(14, 60) if kind == "pebbled" else rng.uniform(60, 220)
        small, step = _coarse(shape, px, 5)
        u, v = _plane(small, step, angle)
        bend = value_noise(rng, small, (0.5 * wide / step, 0.5 * wide / step)) * np.float32(0.12 * wide)
        near, next_, _ = cell_noise((u + bend) / np.float32(wide), (v - bend) / np.float32(wide), rng)
        edge = smooth(0.12 if kind == "pebbled" else 3.0 / wide, 0.0, next_ - near)
        lump = smooth(0.5, 0.0, near) * (kind == "pebbled")
        od += np.float32(rng.uniform(0.03, 0.12) * rough) * _full(edge - 0.3 * lump.astype(np.float32), shape)
    elif kind == "stringy":
        n = fractal(rng, shape, rng.uniform(50, 160) / px, 4, 0.55)
        band = np.exp(-((n / np.float32(rng.uniform(0.05, 0.12))) ** 2)) * smooth(
            0, 1, value_noise(rng, shape, (200 / px, 200 / px))
        )
        od += np.float32(rng.uniform(0.05, 0.16) * rough) * (
            band - 0.5 * cv2.GaussianBlur(band, (0, 0), max(3 / px, 1))
        )
    elif kind in ("rippled", "blistered"):
        h = fractal(rng, shape, rng.uniform(30, 150) / px, 2, 0.35)
        bow = -cv2.Laplacian(cv2.GaussianBlur(h, (0, 0), max(4 / px, 1)), cv2.CV_32F)
        od += np.float32(rng.uniform(0.012, 0.04) * rough) * np.clip(bow / (bow.std() + 1e-9), -3, 3)
        if kind == "blistered":
            small, step = _coarse(shape, px, 3)
            u, v = _plane(small, step, angle)
            near, _, tag = cell_noise(u / np.float32(26), v / np.float32(26), rng)
            size = (0.07 + 0.12 * tag).astype(np.float32)
            spot = np.exp(-(((near - size) / np.float32(0.035)) ** 2)) - 0.7 * smooth(
                0.12, 0.0, near / size * 0.12
            )
            od += np.float32(rng.uniform(0.05, 0.2) * rough) * _full(
                spot * (tag > rng.uniform(0.4, 0.85)), shape
            )
    elif kind == "yellowed":
        grey = np.array([0.1, 0.4, 1.4], np.float32)
        od += np.float32(rng.uniform(0.05, 0.16)) * (1 + 0.25 * rough * fractal(rng, shape, 120 / px, 3, 0.5))
    od += 0.008 * rough * value_noise(rng, shape, (150 / px, 150 / px))
    return np.asarray(od[..., None] * grey, np.float32)

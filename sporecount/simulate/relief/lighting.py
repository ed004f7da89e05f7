"""Light on the maps: from below, from above, or from the side onto a dark ground."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.relief.recipe import log_uniform
from sporecount.simulate.relief.terrain import Terrain


def lit(rng: np.random.Generator, terrain: Terrain, light: str) -> tuple[np.ndarray, dict]:
    """Linear picture of shape (H, W, 3) in units of the empty ground's light, and facts about the light."""
    if light == "above":
        return _from_above(rng, terrain)
    if light == "dark":
        return _dark_ground(rng, terrain)
    return _from_below(rng, terrain)


def _slopes(field: np.ndarray, px_um: float, smooth_um: float) -> tuple[np.ndarray, np.ndarray]:
    """d/dx and d/dy, per um."""
    sigma = max(smooth_um / px_um, 0.35)
    soft = cv2.GaussianBlur(field, (0, 0), sigma)
    scale = 1 / (8 * px_um)
    return (
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, ksize=3, scale=scale),
        cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=scale),
    )


def _white(rng: np.random.Generator, spread: float) -> np.ndarray:
    warm = rng.normal(0, spread)
    white: np.ndarray = np.array([1 + warm, 1 + 0.3 * rng.normal(0, spread), 1 - 1.2 * warm], np.float32)
    return np.clip(white, 0.45, 1.5).astype(np.float32)


def _from_below(rng: np.random.Generator, terrain: Terrain) -> tuple[np.ndarray, dict]:
    px = terrain.px_um
    through = np.exp(np.float32(-np.log(10)) * np.clip(terrain.dye, -0.3, 4))
    gx, gy = _slopes(terrain.glass_um, px, rng.uniform(0.2, 0.6))
    steep = gx * gx + gy * gy
    loss = 1 - rng.uniform(0.1, 0.75) * steep / (steep + np.float32(log_uniform(rng, 0.01, 0.15)))
    oblique = float(rng.choice([0.0, rng.uniform(0.2, 1.2)], p=(0.5, 0.5)))
    turn = rng.uniform(0, 2 * np.pi)
    flank = np.tanh(4 * (gx * np.cos(turn) + gy * np.sin(turn)))
    focus_um = rng.normal(0, 1.3)
    soft = cv2.GaussianBlur(terrain.glass_um, (0, 0), max(rng.uniform(0.5, 1.2) / px, 0.5))
    curve = cv2.Laplacian(soft, cv2.CV_32F) / np.float32(px * px)
    lens = np.clip(1 - focus_um * curve, 0.5, 1.7)
    light = loss * (1 + 0.45 * oblique * flank) * lens
    veil = np.float32(rng.uniform(0, 0.3))
    scene = (1 - veil) * through * light[..., None].astype(np.float32)
    scene += veil * through.mean(axis=(0, 1))
    return scene * _white(rng, 0.1), {"light": "below", "oblique": round(oblique, 2)}


def _cast_shadow(height_um: np.ndarray, px_um: float, way: float, rise: float, soft_um: float) -> np.ndarray:
    """Shade 0 to 1 by what stands between a place and a lamp at bearing `way`; `rise` is its tangent."""
    rows, cols = height_um.shape
    tall = float(np.clip(np.percentile(height_um[::4, ::4], 99.5) - np.median(height_um[::4, ::4]), 4, 30))
    shade = np.zeros_like(height_um)
    for step_um in np.linspace(max(px_um, 1.0), tall / rise, 6):
        move = np.array(
            [[1, 0, -step_um * np.cos(way) / px_um], [0, 1, -step_um * np.sin(way) / px_um]], np.float32
        )
        there = cv2.warpAffine(height_um, move, (cols, rows), borderMode=cv2.BORDER_REPLICATE)
        over = (there - height_um - np.float32(step_um * rise)) / np.float32(soft_um)
        np.maximum(shade, np.clip(over, 0, 1), out=shade)
    return cv2.GaussianBlur(shade, (0, 0), max(0.5 * soft_um / px_um, 0.5))


def _from_above(rng: np.random.Generator, terrain: Terrain) -> tuple[np.ndarray, dict]:
    px = terrain.px_um
    gx, gy = _slopes(terrain.height_um, px, rng.uniform(0.3, 0.9))
    relief = np.float32(rng.uniform(0.25, 0.9))
    gx, gy = relief * gx, relief * gy
    up = 1 / np.sqrt(1 + gx * gx + gy * gy)
    ambient = rng.uniform(0.25, 0.8)
    ring = rng.random() < 0.3
    shade = ambient * _white(rng, 0.06) * (0.6 + 0.4 * up[..., None])
    shine = np.zeros((*terrain.shape, 3), np.float32)
    lamps = 1 if ring else int(rng.choice([1, 2, 3], p=(0.55, 0.3, 0.15)))
    polish = log_uniform(rng, 6, 60)
    film_gap = rng.random() < 0.3
    lifted = terrain.height_um
    if film_gap:  # clear film above the card: things float and their shadows fall beside them
        lifted = lifted + np.float32(rng.uniform(4, 25)) * (terrain.kind > 0)
    for _ in range(lamps):
        way, rise = rng.uniform(0, 2 * np.pi), np.tan(np.radians(rng.uniform(28, 75)))
        lz = rise / np.hypot(1, rise)
        lx, ly = np.cos(way) / np.hypot(1, rise), np.sin(way) / np.hypot(1, rise)
        power = (1 - ambient) / lamps * _white(rng, 0.06)
        if ring:
            shade += power * (up**2)[..., None]
            half = up
        else:
            facing = np.clip((lz - gx * lx - gy * ly) * up, 0, None) / lz
            shadow = _cast_shadow(lifted, px, way + np.pi, rise, rng.uniform(1.5, 6))
            facing = facing * (1 - rng.uniform(0.3, 0.9) * shadow)
            shade += facing[..., None] * power
            size = np.sqrt(2 + 2 * lz)
            half = ((1 + lz) - gx * lx - gy * ly) * up / size
        spark = np.clip(half, 0, 1) ** np.float32(polish)
        flat = np.float32(1.0 if ring else np.sqrt((1 + lz) / 2)) ** np.float32(polish)
        shine += ((spark - flat).clip(0) * terrain.gloss)[..., None] * power
    twice = np.where(terrain.kind > 0, np.float32(-1.7), np.float32(-2.9))  # down to the card and up again
    skin = terrain.skin * np.exp(twice[..., None] * np.clip(terrain.dye, -0.2, 3))
    scene = skin * shade + np.float32(rng.uniform(0.2, 1.2)) * shine
    veil = np.float32(rng.uniform(0, 0.2))
    scene = (1 - veil) * scene + veil * scene.mean(axis=(0, 1))
    name = "ring" if ring else f"{lamps} lamps"
    return scene.astype(np.float32), {"light": "above", "lamps": name, "film_over_card": bool(film_gap)}


def _dark_ground(rng: np.random.Generator, terrain: Terrain) -> tuple[np.ndarray, dict]:
    gx, gy = _slopes(terrain.glass_um, terrain.px_um, rng.uniform(0.2, 0.6))
    turn, one_sided = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.9)
    edge = np.sqrt(gx * gx + gy * gy) + one_sided * (gx * np.cos(turn) + gy * np.sin(turn))
    depth = terrain.dye.mean(axis=2)
    cloudy = np.clip(1 - np.exp(-np.clip(depth, 0, 3)), 0, 1) * rng.uniform(0.2, 1.0)
    glow = 1.3 * np.tanh(2.5 * np.clip(edge, 0, None)) + cloudy
    hue = np.exp(np.float32(-1.2) * np.clip(terrain.dye, 0, 3))
    scene = (glow[..., None] * hue + rng.uniform(0.02, 0.1)) * _white(rng, 0.1)
    return scene.astype(np.float32), {"light": "dark"}

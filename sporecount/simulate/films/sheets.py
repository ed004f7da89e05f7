"""Flat things: butterfly scales and their torn pieces, the ground behind the print, and the glue."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sporecount.simulate.films.bodies import noise
from sporecount.simulate.films.stack import KIND, Array, Stack
from sporecount.simulate.films.style import Rng, Style

# Orange, brown, black, white, pale.
PIGMENTS = np.array(
    [(0.08, 0.35, 0.95), (0.35, 0.55, 0.85), (0.9, 1.0, 1.1), (0.14, 0.15, 0.17), (0.07, 0.10, 0.18)],
    np.float32,
)
PAPERS = {"card": (1.0, 0.99, 0.96), "office": (0.99, 1.0, 1.0), "kraft": (0.9, 0.72, 0.5)}
INKS = np.array([(0.5, 0.35, 0.12), (0.15, 0.4, 0.4), (0.4, 0.4, 0.4)], np.float32)


@dataclass(frozen=True)
class Template:
    """An upright scale: its relief of density (1 in the mean) and what it covers."""

    relief: Array
    cover: Array
    pigment: Array


def draw_template(rng: Rng, step_um: float) -> Template:
    """Draw a scale with its stalk at the top, ridges lengthwise and a toothed end."""
    long_um, wide_um = rng.uniform(100, 250), rng.uniform(50, 120)
    rows, cols = int(long_um / step_um), int(wide_um / step_um)
    t = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    u = np.linspace(-1, 1, cols, dtype=np.float32)[None]
    teeth = int(rng.integers(0, 8))
    fullest = rng.uniform(0.35, 0.9)
    half = np.clip((t - 0.08) / (0.92 * fullest), 0, 1) ** rng.uniform(0.3, 0.7)
    half = half * (1 - rng.uniform(0.05, 0.4) * np.clip((t - fullest) / (1 - fullest + 0.01), 0, 1) ** 2)
    stalk = rng.uniform(0.05, 0.11) * np.clip(t / 0.03, 0, 1) ** 0.5 * (t < 0.2)
    end = 1 - rng.uniform(0.02, 0.12) * (0.5 + 0.5 * np.cos(np.pi * teeth * u)) - 0.12 * u**2
    inside = (np.abs(u) < np.maximum(half, stalk)) & (t < end)
    pitch_um = rng.uniform(1.2, 2.6)
    # Ridges finer than the grid would beat with it.
    shown = float(np.clip(pitch_um / (4 * step_um) - 0.5, 0, 1))
    bowed = u * cols * step_um / (0.55 + 0.45 * half) + 1.5 * noise(rng, (rows, cols), 60 / step_um)
    ridges = 0.5 + 0.5 * np.cos(2 * np.pi * bowed / pitch_um)
    mottle = noise(rng, (rows, cols), rng.uniform(4, 30) / step_um)
    relief = 1 + shown * rng.uniform(0.1, 0.6) * (ridges - 0.5)
    relief = relief + rng.uniform(0.03, 0.2) * mottle + rng.uniform(-0.3, 0.4) * (t - 0.5)
    edge = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 1.5 / step_um)
    relief = relief * (1 + rng.uniform(0, 1.2) * (1 - edge))
    tint = PIGMENTS[int(rng.integers(len(PIGMENTS)))]
    pigment = tint * np.exp(rng.normal(0, 0.3)) * np.exp(rng.normal(0, 0.08, 3))
    relief = np.clip(relief, 0.1, 3) * inside
    return Template(relief.astype(np.float32), inside.astype(np.float32), pigment.astype(np.float32))


def lay_scale(rng: Rng, stack: Stack, template: Template, x: float, y: float, piece_um: float | None) -> bool:
    """Lay a scale, torn now and then, or a piece of one of about `piece_um`; whether it is whole or nearly so."""
    relief, cover = template.relief, template.cover
    rows, cols = relief.shape
    whole = piece_um is None
    if piece_um is not None:
        side = min(int(2.6 * piece_um / stack.step_um) + 3, rows, cols)
        r = int(rng.integers(rows // 4, max(rows - side, rows // 4 + 1)))
        c = int(rng.integers(0, cols - side + 1))
        relief, cover = relief[r : r + side, c : c + side], cover[r : r + side, c : c + side]
        yy, xx = np.ogrid[: cover.shape[0], : cover.shape[1]]
        wide = rng.uniform(0.7, 1.6) * (xx - cover.shape[1] / 2)
        far = np.hypot(yy - cover.shape[0] / 2, wide) * stack.step_um
        ragged = piece_um * (0.8 + 0.25 * noise(rng, cover.shape, max(2.0, 0.8 * piece_um / stack.step_um)))
        cover = cover * (far < ragged)
    elif rng.random() < 0.35:
        slope = rng.normal(0, 1, 2)
        t, u = np.linspace(-1, 1, rows)[:, None], np.linspace(-1, 1, cols)[None]
        torn = t * slope[0] + u * slope[1] + 0.25 * noise(rng, (rows, cols), 12 / stack.step_um)
        cover = cover * (torn < rng.uniform(-0.2, 1.6))
        whole = bool(cover.sum() > 0.7 * template.cover.sum())
    turn = rng.uniform(0, 360)
    reach = int(np.hypot(*cover.shape) / 2) + 2
    middle = (cover.shape[1] / 2, cover.shape[0] / 2)
    turned = cv2.getRotationMatrix2D(middle, turn, 1.0)
    turned[:, 2] += reach - np.array(middle)
    r0, r1 = max(0, int(y) - reach), min(stack.shape[0], int(y) + reach)
    c0, c1 = max(0, int(x) - reach), min(stack.shape[1], int(x) + reach)
    if r1 <= r0 or c1 <= c0:
        return False
    turned[:, 2] -= [c0 - int(x) + reach, r0 - int(y) + reach]
    size = (c1 - c0, r1 - r0)
    put = cv2.warpAffine((relief * cover).astype(np.float32), turned, size, flags=cv2.INTER_LINEAR)
    mask = cv2.warpAffine(cover.astype(np.float32), turned, size, flags=cv2.INTER_LINEAR) > 0.5
    at = (slice(r0, r1), slice(c0, c1))
    stack.sheet[at] += put[..., None] * template.pigment * np.float32(np.exp(rng.normal(0, 0.12)))
    # Ridges and edges bend light a little as well.
    stack.path_um[1][at] += put * np.float32(rng.uniform(0.01, 0.06))
    stack.kinds[at][mask] = KIND["scale" if piece_um is None else "scale piece"]
    if piece_um is None:
        stack.scaled[at] |= mask
    return whole


def draw_ground(rng: Rng, shape: tuple[int, int], step_um: float, style: Style) -> Array:
    """Light that comes from behind the print: paper and card are thick, and far out of focus."""
    light: Array = np.ones((*shape, 3), np.float32)
    if style.ground != "glass":
        tint_there = np.array(PAPERS[style.ground], np.float32) ** rng.uniform(0.5, 1.3)
        rough = rng.uniform(0.02, 0.10) * (1.5 if style.ground == "kraft" else 1)
        grain_um = rng.uniform(12, 45)
        cloud = noise(rng, shape, grain_um / step_um) + 0.7 * noise(rng, shape, 3.5 * grain_um / step_um)
        light *= tint_there * (1 + rough * np.clip(cloud, -2.5, 2.5))[..., None]
    if rng.random() < (0.3 if style.preset == "hard" else 0.12):  # a ruled line
        turn = rng.uniform(0, np.pi)
        yy, xx = np.ogrid[: shape[0], : shape[1]]
        across = (xx - shape[1] * rng.random()) * np.cos(turn) + (yy - shape[0] * rng.random()) * np.sin(turn)
        wide_um, soft_um = rng.uniform(25, 140), rng.uniform(4, 25)
        ink = 1 / (1 + np.exp(np.clip((np.abs(across) * step_um - wide_um) / soft_um, -30, 30)))
        patchy = 1 + 0.2 * noise(rng, shape, 30 / step_um)
        colour = INKS[int(rng.integers(len(INKS)))] * np.float32(rng.uniform(0.3, 1.0))
        light = light * 10 ** (-(ink * patchy)[..., None].astype(np.float32) * colour)
    return np.clip(light, 0.02, 1.4).astype(np.float32)


def lay_glue(rng: Rng, stack: Stack, preset: str) -> None:
    """Uneven glue: ripples and worms in the optical path."""
    strength = min(rng.gamma(1.0, 0.006) * {"hard": 2, "scan_4x": 0.4}.get(preset, 1), 0.035)
    cloud = noise(rng, stack.shape, rng.uniform(6, 20) / stack.step_um)
    if rng.random() < 0.5:
        cloud = np.abs(cloud) + 0.5 * noise(rng, stack.shape, rng.uniform(3, 6) / stack.step_um)
    # What reaches the eye is the slope: keep it even as the hills widen.
    stack.path_um[0] += np.float32(6 * strength) * cloud

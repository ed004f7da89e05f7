"""Everything that is no spore: scales, their pieces, hairs, fibres, dust, droplets, pollen, mould, bubbles."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from sporecount.simulate.heights.plan import Array
from sporecount.simulate.heights.stage import Body, Stage, clouds

COLOURS = {
    "orange": (0.1, 0.33, 0.85),
    "brown": (0.4, 0.62, 0.9),
    "black": (0.85, 0.95, 1.05),
    "white": (0.1, 0.11, 0.13),
    "pale": (0.04, 0.06, 0.12),
    "yellow": (0.05, 0.14, 0.5),
    "grey": (0.3, 0.32, 0.34),
}
"""Optical density of a scale of each colour: red, green, blue."""

TINTS = ((0.5, 1.0, 1.7), (0.2, 0.7, 1.6), (1.0, 1.0, 1.0), (0.8, 1.0, 1.2), (1.2, 1.0, 0.8))
"""Relative density of small things: brown, yellow, grey, dirty, bluish."""


class ScaleLook(NamedTuple):
    """A kind of butterfly scale: size, colour and texture."""

    length_um: float
    wide_um: float
    density: tuple[float, float, float]
    ridge_um: float
    ridge: float
    ribs: float
    mottle: float
    teeth: int
    tooth: float
    solid: float
    bend: float


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """Draw a kind of scale."""
    base = np.array(COLOURS[str(rng.choice(list(COLOURS), p=[0.26, 0.22, 0.15, 0.1, 0.12, 0.07, 0.08]))])
    wide = float(rng.uniform(50, 110))
    density = base * rng.uniform(0.4, 1.2) * np.exp(rng.normal(0, 0.08, 3))
    return ScaleLook(
        length_um=float(np.clip(wide * rng.uniform(1.4, 2.8), 100, 250)),
        wide_um=wide,
        density=(float(density[0]), float(density[1]), float(density[2])),
        ridge_um=float(rng.uniform(1.5, 3.2)),
        ridge=float(rng.uniform(0.1, 0.7)),
        ribs=float(rng.uniform(0, 0.25)),
        mottle=float(rng.uniform(0.03, 0.3)),
        teeth=int(rng.integers(0, 7)),
        tooth=float(rng.uniform(0.04, 0.16)),
        solid=float(rng.uniform(0.5, 0.95)),
        bend=float(rng.uniform(0.0, 0.05)),
    )


def _scale_outline(look: ScaleLook, t: Array, q: Array, wide: float, phase: float) -> Array:
    """Depth beneath the outline, about um; `t` runs 0 at the stalk to 1, `q` across from -1 to 1."""
    body = np.clip(t / 0.5, 0, 1) ** 0.55 * (1 - 0.25 * np.clip((t - 0.7) / 0.3, 0, 1) ** 2)
    side = (body - np.abs(q)) * wide / 2
    saw = np.abs(((q * look.teeth / 2 + phase) % 1) * 2 - 1)
    end = 1 - look.tooth * saw - 0.12 * q**2 if look.teeth else 1 - 0.3 * np.abs(q) ** 2.5
    return np.asarray(np.minimum(np.minimum(side, (end - t) * wide), (t + 0.002) * wide), np.float32)


def lay_scale(
    rng: np.random.Generator, stage: Stage, look: ScaleLook, x: float, y: float, piece_um: float | None = None
) -> bool:
    """Lay a scale, or a torn piece of one; True where it is whole or nearly so."""
    px = stage.px_um
    length, wide = look.length_um * rng.uniform(0.85, 1.15), look.wide_um * rng.uniform(0.85, 1.15)
    length, wide = float(np.clip(length, 100, 250)), float(np.clip(wide, 50, 120))
    angle = float(rng.uniform(0, 2 * np.pi))
    reach = (0.75 * length if piece_um is None else 0.8 * piece_um + 2) + 6
    win = stage.window(x, y, reach / px)
    if win is None:
        return False
    u, v = stage.axes_um(win, x, y, angle)
    shape = (u.shape[0], u.shape[1])
    bent = v + rng.normal(0, 0.06) * u**2 / length
    # Where on the whole scale a piece comes from.
    off = (0.5, 0.0) if piece_um is None else (rng.uniform(0.3, 0.9), rng.uniform(-0.7, 0.7))
    t = np.asarray(u / length + off[0], np.float32)
    q = np.asarray(2 * bent / wide + off[1], np.float32)
    rough = clouds(rng, shape, max(1.0, rng.uniform(4, 15) / px))
    depth = _scale_outline(look, t, q, wide, float(rng.uniform()))
    torn = 0.0
    if piece_um is not None:
        for turn in rng.uniform(0, 2 * np.pi) + np.cumsum(rng.uniform(0.9, 1.9, 4)):
            cut = piece_um * rng.uniform(0.3, 0.6) - (u * np.cos(turn) + v * np.sin(turn))
            depth = np.minimum(depth, cut + rng.uniform(0.2, 0.8) * rough)
    elif rng.random() < 0.3:
        turn, torn = rng.uniform(0, 2 * np.pi), float(rng.uniform(0.1, 0.6))
        cut = (0.5 - torn) * length - (u * np.cos(turn) + v * np.sin(turn))
        depth = np.minimum(depth, cut + 3 * rough)
    cover = np.clip(depth / px + 0.5, 0, 1)
    if piece_um is None and torn < 0.3:
        stalk = np.minimum(2.2 - np.abs(bent), np.minimum(-t * length + 4, t * length + 14))
        cover = np.maximum(cover, np.clip(stalk / px + 0.5, 0, 1))
    cover = np.asarray(cover, np.float32)
    fade = float(np.clip(look.ridge_um / px / 2.5 - 0.6, 0, 1))
    wander = 0.35 * clouds(rng, shape, 40 / px)
    ridges = np.sin(2 * np.pi * bent / look.ridge_um + wander)
    ribs = np.sin(2 * np.pi * u / (0.55 * look.ridge_um) + wander)
    rib_fade = float(np.clip(0.55 * look.ridge_um / px / 2.5 - 0.6, 0, 1))
    texture = 1 + fade * look.ridge * 0.7 * ridges + rib_fade * look.ribs * ribs
    texture += look.mottle * clouds(rng, shape, max(1.0, rng.uniform(8, 40) / px))
    texture += 0.4 * rng.uniform(-0.5, 1) * (t - 0.5) + 0.35 * np.exp(-((depth / 1.5) ** 2))
    crease = 0.4 * rng.normal() * u + v - rng.uniform(-0.3, 0.3) * wide
    texture += (rng.random() < 0.25) * rng.uniform(0.2, 0.8) * np.exp(-((crease / 1.5) ** 2))
    strength = np.clip(texture, 0.15, None) * cover * rng.uniform(0.75, 1.25)
    density = np.asarray(strength[..., None] * np.array(look.density), np.float32)
    domed = np.clip(depth / 25, 0, 1) * 2.5 + 1.2
    height = cover * (domed + fade * 0.25 * ridges + 0.5 * clouds(rng, shape, 30 / px))
    body = Body(density, cover, np.asarray(height, np.float32), look.solid, look.bend, rng.normal(2, 2), 0.2)
    stage.lay(win, body, "scale" if piece_um is None else "scale piece")
    return piece_um is None and torn < 0.25


class Blob(NamedTuple):
    """A small rounded thing: outline waves, density of body and rim, clear middle, bending."""

    radius_um: float
    stretch: float
    ragged: float
    core: float
    rim: float
    rim_um: float
    hollow: float
    tint: tuple[float, float, float]
    bend: float
    solid: float
    gloss: float
    flat: float
    spines: int


def draw_blob(rng: np.random.Generator, name: str) -> Blob:
    """Draw a dust grain, droplet, pollen grain, mould spore or bubble, often of a spore's size."""
    tint = TINTS[int(rng.integers(len(TINTS)))]
    uniform = rng.uniform
    if name == "dust":
        radius = float(np.clip(2.2 * np.exp(rng.normal(0, 0.6)), 0.6, 16))
        return Blob(
            radius,
            uniform(1, 2.4),
            uniform(0.1, 0.35),
            uniform(0.1, 1.1),
            uniform(0, 0.3),
            0.8,
            0.0,
            tint,
            uniform(0, 0.08),
            uniform(0.3, 1),
            uniform(0, 0.5),
            1.0,
            0,
        )
    if name == "droplet":
        radius = float(np.clip(5 * np.exp(rng.normal(0, 0.45)), 1.5, 25))
        return Blob(
            radius,
            uniform(1, 1.3),
            uniform(0, 0.05),
            uniform(0.05, 0.4),
            uniform(0, 0.3),
            uniform(0.4, 1.5),
            uniform(-0.3, 0.7),
            TINTS[int(rng.integers(2))],
            uniform(0, 0.12),
            uniform(0.05, 0.4),
            1.0,
            uniform(0.3, 1),
            0,
        )
    if name == "pollen":
        radius = float(np.clip(10 * np.exp(rng.normal(0, 0.35)), 5, 25))
        return Blob(
            radius,
            uniform(1, 1.25),
            uniform(0, 0.04),
            uniform(0.15, 0.6),
            uniform(0.1, 0.5),
            uniform(0.6, 2),
            uniform(-0.2, 0.5),
            TINTS[int(rng.integers(4))],
            uniform(0.02, 0.1),
            uniform(0.4, 0.9),
            0.5,
            1.0,
            int(rng.integers(14, 30)) * int(rng.random() < 0.33),
        )
    if name == "mould":
        return Blob(
            float(uniform(1.3, 3.4)),
            uniform(1, 1.7),
            0.02,
            uniform(0.05, 0.45),
            uniform(0.05, 0.4),
            0.5,
            uniform(0, 0.6),
            tint,
            uniform(0, 0.09),
            uniform(0.2, 0.7),
            0.6,
            1.0,
            0,
        )
    radius = float(np.clip(8 * np.exp(rng.normal(0, 0.65)), 2, 60))
    return Blob(
        radius,
        uniform(1, 1.5),
        uniform(0, 0.05),
        0.01,
        uniform(0.3, 1.2),
        uniform(0.5, 1.6),
        uniform(0, 0.5),
        (1.0, 1.0, 1.0),
        -uniform(0.02, 0.14),
        uniform(0.02, 0.15),
        1.0,
        uniform(0.2, 0.7),
        0,
    )


def lay_blob(
    rng: np.random.Generator,
    stage: Stage,
    blob: Blob,
    x: float,
    y: float,
    kind: str,
    angle: float | None = None,
) -> None:
    """Lay a small rounded or ragged thing."""
    px = stage.px_um
    reach = blob.radius_um * blob.stretch * 1.5 + 2 * stage.plan.shadow_um + 1
    win = stage.window(x, y, reach / px)
    if win is None:
        return
    u, v = stage.axes_um(win, x, y, float(rng.uniform(0, np.pi)) if angle is None else angle)
    # The same area, drawn out along one way.
    u, v = u / np.float32(np.sqrt(blob.stretch)), v * np.float32(np.sqrt(blob.stretch))
    around = np.arctan2(v, u)
    edge = np.ones_like(around)
    for wave in range(2, 6):
        edge += blob.ragged / wave**0.5 * rng.normal() * np.cos(wave * around + rng.uniform(0, 6.3))
    edge += 0.07 * bool(blob.spines) * np.abs(np.cos(blob.spines / 2 * around)) ** 3
    depth = np.clip(edge, 0.35, 1.5) * blob.radius_um - np.hypot(u, v)
    cover = np.clip(depth / px + 0.5, 0, 1)
    share = np.clip(depth / blob.radius_um, 0, 1)
    thick = np.sqrt(share * (2 - share))
    wall = np.hypot(blob.rim_um, 0.6 * px)
    rim = blob.rim * blob.rim_um / wall * np.exp(-(((depth - 0.7 * wall) / wall) ** 2))
    density = blob.core * (0.4 + 0.6 * thick) * (1 - blob.hollow * share**2) + rim
    if blob.ragged > 0.08 and min(around.shape) > 1:
        density *= np.clip(1 + 0.4 * clouds(rng, (u.shape[0], u.shape[1]), max(1.0, 2 / px)), 0.2, 2)
    tinted = np.asarray((density * cover)[..., None] * np.array(blob.tint), np.float32)
    height = np.asarray(thick * blob.radius_um * 1.3 * blob.flat, np.float32)
    z_um, cover32 = float(rng.normal(0, 2)), np.asarray(cover, np.float32)
    stage.lay(win, Body(tinted, cover32, height, blob.solid, blob.bend, z_um, blob.gloss), kind)


def lay_mould(rng: np.random.Generator, stage: Stage, x: float, y: float) -> None:
    """Lay a chain or a loose heap of mould spores, each alike."""
    blob = draw_blob(rng, "mould")
    chain, turn = rng.random() < 0.5, rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(2, 14))):
        lay_blob(rng, stage, blob, x, y, "other", turn)
        turn += rng.normal(0, 0.3 if chain else 2)
        step = 2 * blob.radius_um * np.sqrt(blob.stretch) * rng.uniform(0.85, 1.6) / stage.px_um
        x, y = x + step * np.cos(turn), y + step * np.sin(turn)


def lay_thread(rng: np.random.Generator, stage: Stage, x: float, y: float, kind: str) -> None:
    """Lay a hair (dark, tapering, at times only its end) or a fibre (clear with dark edges, twisted)."""
    px, rows, cols = stage.px_um, *stage.shape
    hair = kind == "hair"
    long_um = float(rng.uniform(30, 900) if hair else rng.uniform(60, 1200))
    radius = float(rng.uniform(1.2, 5) if hair else rng.uniform(1.8, 7.5))
    turns = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.03 if hair else 0.12, 40))
    path = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], 1), 0) * long_um / 40 / px + [x, y]
    low, high = path.min(0) - (radius + 8) / px, path.max(0) + (radius + 8) / px
    left, top = np.maximum(low, 0).astype(int)
    right, bottom = min(cols, int(high[0]) + 1), min(rows, int(high[1]) + 1)
    if right - left < 3 or bottom - top < 3:
        return
    win = (slice(int(top), bottom), slice(int(left), right))
    line = np.full((bottom - top, right - left), 255, np.uint8)
    shifted = np.round((path - [left, top]) * 16).astype(np.int32)
    cv2.polylines(line, [shifted], False, 0, 1, cv2.LINE_8, 4)
    away = np.asarray(cv2.distanceTransform(line, cv2.DIST_L2, 5), np.float32).clip(0, 4000) * np.float32(px)
    u, _ = stage.axes_um(win, x, y, float(np.arctan2(*(path[-1] - path[0])[::-1])))
    if hair:
        wide = radius * np.clip(1 - u / long_um, 0.12, 1) ** 0.7
    else:
        wide = radius * (1 + 0.3 * np.sin(u / rng.uniform(10, 40) + rng.uniform(0, 6)))
    depth = wide - away
    cover = np.asarray(cv2.GaussianBlur(np.clip(depth / px + 0.5, 0, 1), (0, 0), 0.7), np.float32)
    thick = np.sqrt(np.clip(1 - (away / wide) ** 2, 0, 1))
    strong, edge = (rng.uniform(0.2, 1.3), 0.2) if hair else (rng.uniform(0.02, 0.25), rng.uniform(0.1, 0.7))
    core = strong * (0.5 + 0.5 * thick)
    density = (core + edge * np.exp(-((depth / max(0.8, 0.6 * px)) ** 2))) * cover
    coloured = hair or rng.random() < 0.3
    tint = np.array(TINTS[int(rng.integers(4))]) if coloured else np.exp(rng.normal(0, 0.08, 3))
    body = Body(
        np.asarray(density[..., None] * tint, np.float32),
        cover,
        np.asarray(thick * wide, np.float32) * cover,
        float(rng.uniform(0.3, 0.9)),
        0.0 if hair else float(rng.uniform(0.01, 0.06)),
        float(rng.normal(4, 4)),
        0.4,
    )
    stage.lay(win, body, kind)

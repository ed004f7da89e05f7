"""Everything on a print that is no spore: scales, threads, bubbles, dust, pollen, droplets, mould, ink."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.trekker.sheet import Sheet, cloud
from tests.recipes.trekker.style import Array, bell, log_uniform

SCALE_TINTS = {
    "orange": (0.12, 0.42, 0.95),
    "brown": (0.45, 0.62, 0.85),
    "black": (0.95, 1.0, 1.05),
    "white": (0.1, 0.11, 0.13),
    "pale": (0.12, 0.2, 0.36),
    "grey": (0.32, 0.34, 0.36),
}
"""Optical density of red, green and blue light through a usual scale."""


def lay_scale(
    rng: np.random.Generator, sheet: Sheet, kind: int, x: float, y: float, piece_um: float | None = None
) -> bool:
    """Paint a scale, or a piece of `piece_um` torn from one; True where it is nearly whole.

    Scales of one `kind`, which is a number, look alike.
    """
    alike = np.random.default_rng(kind)
    tint = np.array(SCALE_TINTS[str(alike.choice(list(SCALE_TINTS)))], np.float32)
    tint = tint * np.float32(log_uniform(alike, 0.35, 1.3) * log_uniform(rng, 0.8, 1.25))
    length = log_uniform(alike, 110, 240) * rng.uniform(0.9, 1.1)
    wide = log_uniform(alike, 55, 110) * rng.uniform(0.9, 1.1)
    teeth, tooth_um = int(alike.integers(1, 8)), log_uniform(alike, 2, 40)
    ridge_um, ridge, belly = alike.uniform(1.4, 4.5), log_uniform(alike, 0.03, 0.35), alike.uniform(0.4, 0.85)
    angle = rng.uniform(0, 2 * np.pi)
    window = sheet.window(x, y, 0.53 * length + 8 if piece_um is None else 0.8 * piece_um, angle)
    if window is None:
        return False
    u, v = window.u, window.v
    whole = piece_um is None
    if piece_um is None:
        v = v + np.float32(rng.normal(0, 0.0008)) * u**2  # a bent scale
        s = (u + length / 2) / length
        half = wide / 2 * np.clip(s / belly, 0, 1) ** 0.55
        phase = (v / wide + 0.5) * teeth
        tooth = np.abs(2 * (phase - np.floor(phase)) - 1) * tooth_um * (1 - 0.6 * np.abs(2 * v / wide))
        curve = 0.5 * (v / wide) ** 2 * wide
        beyond = u - (length / 2 - tooth_um + tooth * 0.9 - curve)
        d = np.maximum(np.maximum(np.abs(v) - half, beyond), -length / 2 - u)
        stalk = np.maximum(np.abs(v) - 1.8, np.abs(u + length / 2) - 7)
        d = np.minimum(d, stalk)
        if rng.random() < 0.3:
            # Torn across, along a ragged line.
            ragged = rng.uniform(0.1, 0.9) * length - length / 2 + 5 * np.sin(v * rng.uniform(0.1, 0.5))
            lost = (u - ragged) * rng.choice([-1, 1]) + v * rng.normal(0, 0.5)
            whole = bool((lost < 0).mean() > 0.65)
            d = np.maximum(d, lost)
    else:
        d = _chip(rng, u, v, piece_um / 2, int(rng.integers(3, 6)), rng.uniform(0.4, 1))
    alpha = sheet.edge(d)
    if not alpha.any():
        return False
    period = max(ridge_um, 2.6 * sheet.px_um)
    ridges = np.cos(v * np.float32(2 * np.pi / period) + 0.3 * np.sin(u / 9))
    grey = 1 + ridge * ridges + log_uniform(rng, 0.02, 0.2) * cloud(rng, v.shape, 12 / sheet.px_um, 2)
    grey = grey + rng.uniform(0, 0.25) * bell(d + 1, 1.4) / max(0.25, float(tint[1]))
    name = "scale" if piece_um is None else "scale piece"
    sheet.paint(
        window.box, alpha, grey[..., None] * tint, name, rng.uniform(0.5, 0.9), abs(rng.normal(0, 0.4))
    )
    return whole


def _chip(rng: np.random.Generator, u: Array, v: Array, radius: float, sides: int, squash: float) -> Array:
    """Distance to an angular outline, negative inside."""
    turn = (np.arange(sides) + rng.uniform(-0.3, 0.3, sides)) * 2 * np.pi / sides
    reach = radius * rng.uniform(0.55, 1.0, sides)
    d = np.full(np.broadcast_shapes(u.shape, v.shape), -np.inf, np.float32)
    for t, far in zip(turn, reach, strict=True):
        d = np.maximum(d, (u * np.cos(t) + v / squash * np.sin(t) - far) * (0.5 + 0.5 * squash))
    waves = rng.uniform(1, 4, 2).astype(np.float32) / np.float32(radius)
    wobble = np.sin(u * waves[0] + rng.uniform(0, 6)) * np.sin(v * waves[1] + rng.uniform(0, 6))
    return np.asarray(d + 0.08 * radius * wobble, np.float32)


def _lump(
    rng: np.random.Generator, u: Array, v: Array, radius: float, rough: float, waves: int, squash: float = 1.0
) -> Array:
    """Distance to a rounded outline with `waves` harmonics of `rough` strength, negative inside."""
    r, turn = np.hypot(u, v / squash), np.arctan2(v, u)
    outline = np.full(r.shape, radius, np.float32)
    for k in range(2, waves + 2):
        wave = np.cos(k * turn + rng.uniform(0, 6.3))
        outline += np.float32(radius * rough * rng.normal() / np.sqrt(k)) * wave
    return np.asarray((r - outline) * (0.5 + 0.5 * squash), np.float32)


def _dye(rng: np.random.Generator, names: tuple[str, ...]) -> Array:
    dyes = {
        "brown": (0.6, 1.0, 1.5),
        "yellow": (0.15, 0.5, 1.9),
        "green": (1.2, 0.6, 1.4),
        "grey": (1.0, 1.0, 1.0),
        "blue": (1.6, 0.9, 0.4),
        "red": (0.4, 1.6, 1.3),
        "clear": (0.95, 1.0, 1.1),
    }
    return np.asarray(np.array(dyes[str(rng.choice(names))]) * np.exp(rng.normal(0, 0.1, 3)), np.float32)


def lay_small(rng: np.random.Generator, sheet: Sheet, name: str, x: float, y: float, size: float) -> None:
    """Paint dust, a chip, a droplet, a pollen grain or a bubble, `size` times its usual radius."""
    usual = {"dust": 3.0, "chip": 5.0, "droplet": 5.5, "pollen": 10.0, "bubble": 8.0}[name]
    radius = float(np.clip(usual * size, 0.8, 70))
    if name == "pollen":
        radius = float(np.clip(radius, 6, 26))
    window = sheet.window(x, y, radius * 2.2 + 4, rng.uniform(0, np.pi))
    if window is None:
        return
    u, v = window.u, window.v
    rim_um = max(0.5, radius * log_uniform(rng, 0.06, 0.3))
    strength, cover, soft = log_uniform(rng, 0.1, 0.9), 0.6, abs(rng.normal(0, 0.5))
    if name == "dust":
        d = _lump(rng, u, v, radius, rng.uniform(0.1, 0.3), 4, rng.uniform(0.4, 1))
        grain = cloud(rng, d.shape, max(1.5, 0.5 * radius / sheet.px_um))
        d = d + np.float32(rng.uniform(0.1, 0.35) * radius) * grain
        grey, dye = (
            strength * (1.2 - 0.5 * grain),
            _dye(rng, ("brown", "grey", "grey", "blue", "red", "green")),
        )
    elif name == "chip":
        # A grain of mineral: angular, clear, with a hard dark or bright edge and facets.
        d = _chip(rng, u, v, radius, int(rng.integers(3, 8)), rng.uniform(0.5, 1))
        facet = np.sign(u * rng.normal() + v * rng.normal()) * rng.uniform(0, 0.3)
        grey = strength * (0.25 + facet + rng.choice([-0.6, 1.2]) * bell(d, rim_um))
        dye = _dye(rng, ("clear", "grey", "brown", "yellow"))
    elif name == "droplet":
        # Round beyond doubt, smooth, a lens: the bright spot is displaced.
        d = _lump(rng, u, v, radius, 0.015, 2)
        shift = rng.normal(0, 0.25, 2) * radius
        spot = bell(np.hypot(u - shift[0], v - shift[1]), 0.45 * radius)
        grey = strength * (0.7 + rng.uniform(0, 1) * bell(d, rim_um) - rng.uniform(0.2, 1.1) * spot)
        dye = _dye(rng, ("brown", "yellow", "yellow", "clear"))
    elif name == "pollen":
        d = _lump(rng, u, v, radius, 0.02, 3, rng.uniform(0.85, 1))
        turn = np.arctan2(v, u)
        if rng.random() < 0.4:
            d = d - np.float32(0.14 * radius) * np.clip(np.cos(turn * rng.integers(11, 22)), 0, 1)
        pores = np.cos(turn * 3 + rng.uniform(0, 6)) ** 8 * bell(np.hypot(u, v) - 0.75 * radius, 0.2 * radius)
        net = cloud(rng, d.shape, max(1.5, 1.6 / sheet.px_um))
        wall = bell(d + rim_um, rim_um)
        grey = strength * (0.5 + rng.uniform(0.3, 1.2) * wall + 0.2 * net - rng.uniform(0, 0.8) * pores)
        dye = _dye(rng, ("yellow", "yellow", "brown", "green", "clear"))
    else:
        # Air bends the light away at its edge: a dark ring, a clear middle, no colour of its own.
        rough = rng.choice([0.01, 0.12, 0.25], p=[0.6, 0.2, 0.2])
        d = _lump(rng, u, v, radius, rough, 4, rng.uniform(0.75, 1) if rough > 0.1 else 1.0)
        seam = bell(np.clip(d, 0, None), 0.8 * rim_um)
        grey = (
            rng.uniform(0.2, 1.5) * bell(d + rim_um, rim_um)
            - rng.uniform(0, 0.12)
            - rng.uniform(0, 0.25) * seam
        )
        d, dye, cover, soft = d - rim_um, _dye(rng, ("clear",)), 0.15, soft + log_uniform(rng, 0.1, 2)
    kind = {"chip": "dust", "droplet": "other"}.get(name, name)
    density = np.asarray(grey, np.float32)[..., None] * dye
    sheet.paint(window.box, sheet.edge(d), density, kind, cover, soft)


def lay_mould(rng: np.random.Generator, sheet: Sheet, x: float, y: float) -> None:
    """Paint a spore of mould: a club with cross walls."""
    dye, strength = _dye(rng, ("brown", "grey", "green", "clear")), log_uniform(rng, 0.2, 0.9)
    length, wide = rng.uniform(17, 45), rng.uniform(6, 12)
    window = sheet.window(x, y, length * 0.6 + 4, rng.uniform(0, 7))
    if window is None:
        return
    t = np.clip(window.u / length + 0.5, 0, 1)
    half = np.float32(wide / 2) * (np.clip(np.sin(np.pi * t**0.7), 0, 1) ** 0.7 + 0.12)
    d = np.maximum(np.abs(window.v) - half, np.abs(window.u) - length / 2)
    walls = bell((t * rng.integers(3, 7) + 0.5) % 1 - 0.5, 0.125)
    grey = strength * (0.6 + 0.6 * walls + 0.6 * bell(d, 0.8))
    sheet.paint(window.box, sheet.edge(d), grey[..., None] * dye, "other")


def _wander(rng: np.random.Generator, x: float, y: float, length_px: float, bend: float) -> Array:
    """Points of a bending line, less than a pixel apart, about a middle."""
    number = max(20, int(length_px * 2))
    turn = np.cumsum(rng.normal(0, 1, 6))
    lie = rng.uniform(0, 7) + bend * np.interp(np.linspace(0, 5, number), range(6), turn - turn.mean())
    path = np.cumsum(np.stack([np.cos(lie), np.sin(lie)], 1), axis=0) * length_px / number
    return np.asarray(path - path[number // 2] + (x, y), np.float32)


def lay_thread(rng: np.random.Generator, sheet: Sheet, name: str, x: float, y: float) -> None:
    """Paint a tapered hair, a fibre (a turning ribbon or a smooth dyed rod) or a ruled line."""
    px = sheet.px_um
    length, wide, bend = {
        "hair": (log_uniform(rng, 40, 900), log_uniform(rng, 1.8, 9), rng.uniform(0, 0.5)),
        "fibre": (log_uniform(rng, 80, 2500), log_uniform(rng, 4, 24), rng.uniform(0.1, 1.6)),
        "rule": (6000.0, log_uniform(rng, 60, 350), 0.0),
    }[name]
    path = _wander(rng, x, y, length / px, bend)
    pad = int(wide * 1.5 / px) + 6
    rows, cols = sheet.kinds.shape
    low = np.clip(path.min(axis=0).astype(int) - pad, 0, (cols, rows))
    high = np.clip(path.max(axis=0).astype(int) + pad, 0, (cols, rows))
    if (high - low < 4).any():
        return
    # Every pixel on the line, with how far along the thread it lies.
    share, steps = np.linspace(0, 1, len(path)), np.round(path - low).astype(int)
    inside = ((steps >= 0) & (steps < high - low)).all(axis=1)
    if not inside.any():
        return
    line = np.full((high[1] - low[1], high[0] - low[0]), 255, np.uint8)
    marks = np.zeros(line.shape, np.float32)
    line[steps[inside, 1], steps[inside, 0]] = 0
    marks[steps[inside, 1], steps[inside, 0]] = share[inside]
    gap, label = cv2.distanceTransformWithLabels(line, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    gap = cv2.GaussianBlur(gap, (0, 0), 0.8) * np.float32(px)
    along = np.zeros(int(label.max()) + 1, np.float32)
    along[label[line == 0]] = marks[line == 0]
    t = along[label]
    box = (slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0])))
    half = np.full(gap.shape, wide / 2, np.float32)
    kind, cover, soft, strength = name, 0.7, abs(rng.normal(0, 0.8)), log_uniform(rng, 0.15, 1.2)
    if name == "hair":
        half *= np.sqrt(np.clip(1.02 - t, 0.03, 1))
        dye = _dye(rng, ("brown", "grey", "yellow", "clear"))
        grey = strength * (0.7 + rng.uniform(-0.6, 0.3) * bell(gap / half, 0.5))
    elif name == "fibre" and rng.random() < 0.65:
        # Cotton and paper: a ribbon that turns, with dark edges and a clear middle.
        twist = np.abs(np.sin(t * length / rng.uniform(40, 200) + rng.uniform(0, 6)))
        half *= 0.45 + 0.55 * twist
        dye = _dye(rng, ("clear", "clear", "yellow", "grey"))
        grey = 0.6 * strength * (bell(half - gap, 1.4) + rng.uniform(-0.15, 0.3))
        soft += log_uniform(rng, 0.2, 4)
    elif name == "fibre":
        dye = _dye(rng, ("blue", "red", "grey", "green", "clear"))
        grey = strength * (0.3 + 0.7 * (gap / half) ** 2 - rng.uniform(0, 0.5) * bell(gap / half, 0.33))
    else:
        dye = _dye(rng, ("blue", "grey", "red", "brown"))
        grey = log_uniform(rng, 0.06, 0.5) * (1 + 0.15 * cloud(rng, gap.shape, rng.uniform(3, 12) / px))
        kind, soft, cover = "other", log_uniform(rng, 0.5, 10), 0.1
        half *= 1 + 0.03 * cloud(rng, gap.shape, 15 / px)
    density = np.asarray(grey, np.float32)[..., None] * dye
    sheet.paint(box, sheet.edge(gap - half), density, kind, cover, soft)

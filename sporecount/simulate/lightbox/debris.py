"""Everything on a print that is no spore: scales and their pieces, threads, air, droplets, pollen, dust, mould."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from sporecount.simulate.lightbox.optics import LN10, Array, Canvas, Rng, Window, blur
from sporecount.simulate.truth import KIND_NAMES

KIND = {name: number for number, name in enumerate(KIND_NAMES)}


# Colours in light from above; all others are brown.
_SHINE = {"bubble": (1.0, 1.0, 1.0), "pollen": (0.8, 0.6, 0.15), "droplet": (0.5, 0.35, 0.12)}
_BROWN = (0.3, 0.22, 0.15)
_SCALES = {
    "orange": ((0.06, 0.32, 0.85), (0.75, 0.4, 0.1)),
    "brown": ((0.3, 0.5, 0.75), (0.4, 0.25, 0.13)),
    "black": ((0.75, 0.85, 0.95), (0.09, 0.08, 0.08)),
    "white": ((0.1, 0.1, 0.11), (0.85, 0.85, 0.82)),
    "pale": ((0.04, 0.08, 0.16), (0.7, 0.65, 0.5)),
}
"""Density in red, green and blue, and colour in light from above."""


class ScaleLook:
    """How the scales of one kind look, drawn once; lengths in um."""

    def __init__(self, rng: Rng) -> None:
        tint, shine = _SCALES[str(rng.choice(list(_SCALES), p=[0.28, 0.26, 0.16, 0.12, 0.18]))]
        self.tint = np.array(tint, np.float32) * np.float32(rng.uniform(0.5, 1.4))
        self.shine = np.array(shine, np.float32) * np.float32(rng.uniform(0.6, 1.0))
        self.ridge_um, self.ridge = rng.uniform(1.7, 4.0), rng.uniform(0.15, 0.7)
        self.rib_um, self.rib = rng.uniform(0.9, 1.8), rng.uniform(0, 0.3)
        self.grain = rng.uniform(0.05, 0.5)
        self.teeth, self.tooth_um = int(rng.integers(0, 7)), rng.uniform(4, 22)
        self.round_end = rng.uniform(0.05, 0.3)


def noise(rng: Rng, shape: tuple[int, ...], size_px: float) -> Array:
    """Even noise with a mean of 0, a spread of 1 and patches of a size."""
    step = max(size_px / 2, 1.0)
    small = tuple(max(int(np.ceil(n / step)) + 3, 4) for n in shape[:2])
    grid: Array = rng.normal(0, 1, small).astype(np.float32)
    grid = cv2.GaussianBlur(grid, (0, 0), max(size_px / step / 2.5, 0.3))
    size = (int(small[1] * step) + 1, int(small[0] * step) + 1)
    field: Array = cv2.resize(grid, size, interpolation=cv2.INTER_CUBIC)
    field = field[: shape[0], : shape[1]]
    return np.asarray((field - field.mean()) / (field.std() + 1e-6))


def _between(rng: Rng, middle: float, spread: float) -> float:
    return float(middle * np.exp(rng.normal(0, spread)))


def _finish(
    canvas: Canvas,
    at: Window,
    density: Array,
    cover: Array,
    name: str,
    *,
    gain: Any = 1.0,
    colour: Any = None,
) -> None:
    """Lay a thing from its density (h, w, 3), with a gain of light through it, or as seen from above."""
    kind = KIND[{"piece": "scale piece", "droplet": "other", "mould": "other"}.get(name, name)]
    if canvas.from_above:
        alpha = (cover * 0.9)[..., None]
        lit: Array = 0.6 + np.clip(density[..., 1:2], 0, 0.6)
        if name == "bubble":
            lit = 0.8 * np.clip(gain - 0.6, 0, 1)
        shine = alpha * lit * np.array(_SHINE.get(name, _BROWN) if colour is None else colour, np.float32)
        canvas.lay(at, np.repeat(1 - alpha, 3, axis=2), cover, kind, shine)
        return
    canvas.lay(at, np.exp(-LN10 * density) * np.clip(gain, 0.1, 1.9), cover, kind)


def _stripes(way: Array, pitch_um: float, px_um: float) -> Array:
    """Narrow dark lines, fading where the samples are too coarse to hold them."""
    held = np.exp(-((px_um / pitch_um * 1.9) ** 4))
    return np.float32(held) * (0.5 + 0.5 * np.cos(2 * np.pi * way / pitch_um)) ** 2 + (1 - held) * 0.375


def _plate(rng: Rng, at: Window, look: ScaleLook, u: Array, v: Array, dist: Array) -> tuple[Array, Array]:
    """Density and cover of a striated plate with the outline `dist`."""
    cover = at.cover(dist)
    bow = u / 300 * rng.uniform(-6, 6)
    wobble = 0.35 * noise(rng, u.shape, 25 / at.px_um)
    ridges = _stripes(v + bow + wobble, look.ridge_um, at.px_um)
    ribs = _stripes(u + 0.5 * wobble, look.rib_um, at.px_um)
    grains = np.clip(noise(rng, u.shape, 1.1 / at.px_um) - 0.4, 0, 2.5)
    body = 1 - 0.6 * look.ridge + look.ridge * ridges + look.rib * ribs * (1 - ridges) + look.grain * grains
    body *= 1 + 0.16 * noise(rng, u.shape, 30 / at.px_um)
    rim = 0.12 * np.exp(-((dist / 1.1) ** 2))
    density = (np.maximum(body, 0.1)[..., None] * look.tint + rim[..., None]) * cover[..., None]
    return density, cover


def lay_scale(rng: Rng, canvas: Canvas, look: ScaleLook, x: float, y: float, depth: float) -> bool:
    """Lay a scale with its stalk and toothed end, sometimes torn; tell whether it is nearly whole."""
    length = rng.uniform(100, 250)
    width = min(rng.uniform(50, 120), 0.75 * length)
    at = canvas.window(x, y, 0.56 * length, depth, 9.0)
    u, v = at.turned(rng.uniform(0, 2 * np.pi))
    along, belly = np.clip(u / length + 0.5, 0, 1), rng.uniform(0.25, 0.5)
    half = width / 2 * np.sin(np.pi / 2 * np.clip(along / belly, 0, 1)) ** rng.uniform(0.45, 0.8)
    half = half * (1 - look.round_end * np.clip((along - 0.6) / 0.4, 0, 1) ** 2)
    end = length / 2 * (1 - look.round_end * (2 * v / width) ** 2)
    if look.teeth:
        saw = np.abs(((v / width * look.teeth + rng.uniform()) % 1) - 0.5) * 2
        end -= look.tooth_um * saw ** rng.uniform(0.7, 1.5)
    # Softly cornered and a little uneven, as nothing grown is drawn with a ruler.
    side, tip = np.abs(v) - half, u - end
    dist = np.hypot(np.maximum(side + 6, 0), np.maximum(tip + 6, 0)) - 6
    dist = np.maximum(dist + 0.7 * noise(rng, u.shape, 30 / at.px_um), -u - length / 2)
    stalk = np.maximum(np.abs(v) - rng.uniform(1.5, 3), np.abs(u + length / 2) - 0.05 * length)
    whole = True
    if rng.random() < 0.35:
        # Torn across or along, with a ragged edge.
        way, part = rng.uniform(0, 2 * np.pi), rng.uniform(-0.1, 0.35)
        tear = u * np.cos(way) + v * np.sin(way) * 0.6 - part * length + 3 * noise(rng, u.shape, 7 / at.px_um)
        dist, whole = np.maximum(dist, tear), part > 0.2
    density, cover = _plate(rng, at, look, u, v, np.minimum(dist, stalk))
    _finish(canvas, at, density, cover, "scale", colour=look.shine)
    return whole


def lay_piece(rng: Rng, canvas: Canvas, look: ScaleLook, x: float, y: float, depth: float) -> None:
    """Lay a torn flake with straight breaks along its ridges and ragged ones across."""
    size = float(np.clip(_between(rng, 14, 0.55), 6, 60))
    at = canvas.window(x, y, 1.1 * size, depth, 0.6)
    u, v = at.turned(rng.uniform(0, np.pi))
    ragged = 0.12 * size * noise(rng, u.shape, 0.3 * size / at.px_um)
    side = np.abs(v + 0.1 * ragged) - size * rng.uniform(0.25, 0.6)
    dist = np.maximum(side, np.abs(u + rng.uniform(-0.9, 0.9) * v) - size / 2 + ragged)
    if rng.random() < 0.5:
        dist = np.maximum(dist, u * rng.uniform(-1, 1) + v - rng.uniform(0.05, 0.3) * size)
    density, cover = _plate(rng, at, look, u, v, dist)
    _finish(canvas, at, density, cover, "piece")


def _ragged(rng: Rng, at: Window, radius: float, rough: float, long: float = 1.0) -> Array:
    """Distance to an uneven round outline."""
    u, v = at.turned(rng.uniform(0, np.pi))
    way = np.arctan2(v * long, u / long)
    wave = np.zeros_like(u)
    for n in range(2, 6 if rough < 0.1 else 9):
        wave += np.float32(rng.normal(0, rough / n**0.8)) * np.cos(n * way + np.float32(rng.uniform(0, 6.28)))
    return np.hypot(u / long, v * long) - radius * (1 + wave)


def lay_dust(rng: Rng, canvas: Canvas, x: float, y: float, depth: float) -> None:
    """Lay a speck of dust or soil: angular, black to yellowish, often spore-sized."""
    radius = float(np.clip(_between(rng, 2.6, 0.6), 0.8, 16))
    at = canvas.window(x, y, 2.2 * radius, depth, 0.5)
    dist = _ragged(rng, at, radius, rng.uniform(0.12, 0.4), rng.uniform(0.75, 1.4))
    tint = rng.uniform(0.2, 1.6) * np.array([rng.uniform(0.6, 1), rng.uniform(0.8, 1), 1.1], np.float32)
    cover = at.cover(dist)
    lumps = np.maximum(1 + 0.35 * noise(rng, dist.shape, 1.5 / at.px_um), 0.1)
    _finish(canvas, at, (cover * lumps)[..., None] * tint, cover, "dust")


def lay_bubble(rng: Rng, canvas: Canvas, x: float, y: float, depth: float) -> None:
    """Lay a bubble of air in the glue: quite round, a broad black rim and a bright window in the middle."""
    radius = float(np.clip(_between(rng, 6, 0.7), 2, 60))
    at = canvas.window(x, y, 1.4 * radius + 2, depth, 0.6)
    dist = _ragged(rng, at, radius, 0.06 if radius > 15 else 0.0)
    cover = at.cover(dist)
    rim = np.exp(-(((dist + 0.14 * radius) / (rng.uniform(0.1, 0.2) * radius + 0.4)) ** 2))
    halo = np.exp(-(((dist - 0.7) / 0.8) ** 2)) * (1 - cover)
    window = np.exp(-(((dist + radius) / (0.35 * radius)) ** 2)) if radius < 25 else 0.0
    density = (rng.uniform(0.35, 1.3) * rim * cover)[..., None] * np.ones(3, np.float32)
    gain = (1 + 0.25 * halo + rng.uniform(0.05, 0.5) * window)[..., None]
    _finish(canvas, at, density, cover * (rim > 0.3) if radius > 25 else cover, "bubble", gain=gain)


def lay_rounds(rng: Rng, canvas: Canvas, x: float, y: float, depth: float, name: str) -> None:
    """Lay round things in a row or heap: droplets of fat (smooth, no wall), or cells of mould (small, walled)."""
    mould, chain = name == "mould", rng.random() < 0.55
    tint = np.array([1.0, 0.9, 1.15] if mould else [0.15, 0.5, 1.3], np.float32) * rng.uniform(0.12, 0.65)
    size, lens, way = rng.uniform(2.5, 5.5), rng.uniform(-0.3, 0.6), rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(3, 16) if mould else rng.choice([1, 1, 2, 4]))):
        radius = size / 2 * rng.uniform(0.85, 1.1) if mould else min(_between(rng, 4.5, 0.45), 22)
        at = canvas.window(x, y, 1.3 * radius + 2, depth, 0.4)
        dist = _ragged(rng, at, radius, 0.025, rng.uniform(0.95, 1.06))
        cover, inner = at.cover(dist), np.clip(-dist / radius, 0, 1)
        wall = np.exp(-(((dist + 0.3) / 0.45) ** 2))
        body = cover * (0.6 + 0.8 * wall if mould else 0.4 + inner)
        gain = 1 if mould else (1 + lens * (inner**1.5 - 0.5 * np.exp(-((dist / 0.8) ** 2))))[..., None]
        _finish(canvas, at, body[..., None] * tint, cover, name, gain=gain)
        way += rng.normal(0, 0.35) if chain and mould else rng.uniform(0, 2 * np.pi)
        step = (size * 0.97 if mould else abs(rng.normal(0, 18))) / canvas.um_per_px
        x, y = x + np.cos(way) * step, y + np.sin(way) * step


def lay_pollen(rng: Rng, canvas: Canvas, x: float, y: float, depth: float) -> None:
    """Lay a grain of pollen: round, thick wall with spines or a net, three pores at times."""
    radius = float(rng.uniform(5, 20))
    at = canvas.window(x, y, 1.35 * radius + 1, depth, 0.6)
    way, middle = np.arctan2(at.y_um, at.x_um), np.hypot(at.x_um, at.y_um)
    spines = int(rng.choice(np.array([0, 0, rng.integers(12, 26)])))
    teeth = np.abs(np.cos(spines * way / 2)) ** 3 if spines else 0.12 * np.cos(3 * way)
    dist = middle - radius * (1 + 0.16 * teeth)
    cover = at.cover(dist)
    wall = np.exp(-(((dist + 0.13 * radius) / (0.11 * radius + 0.3)) ** 2))
    net = np.abs(noise(rng, dist.shape, max(0.3 * radius, 1.5) / at.px_um)) * rng.uniform(0, 0.5)
    pores = np.clip(np.cos(3 * way + 1), 0, 1) ** 12 * (middle > 0.65 * radius) * 0.7
    tint = np.array([0.25, rng.uniform(0.4, 0.7), rng.uniform(0.8, 1.5)], np.float32) * rng.uniform(0.25, 0.8)
    body = np.maximum(0.45 + net + rng.uniform(0.6, 1.4) * wall * (1 - pores), 0.05) * cover
    _finish(canvas, at, body[..., None] * tint, cover, "pollen")


def lay_stub(rng: Rng, canvas: Canvas, x: float, y: float, depth: float) -> None:
    """Lay the broken end of a hair: a short rod, tapering, with a straight break."""
    length, thick = rng.uniform(14, 60), rng.uniform(2.2, 4.5)
    at = canvas.window(x, y, 0.6 * length, depth, 0.5)
    u, v = at.turned(rng.uniform(0, 2 * np.pi))
    v = v + rng.uniform(-0.3, 0.3) * u**2 / length
    half = thick / 2 * np.clip(1 - (u / length + 0.5) * rng.uniform(0.2, 0.95), 0.05, 1)
    dist = np.maximum(np.abs(v) - half, np.abs(u) - length / 2)
    cover = at.cover(dist)
    tint = np.array([0.6, 0.8, 1.1], np.float32) * rng.uniform(0.2, 1.0)
    body = cover * (0.6 + 0.7 * np.exp(-(((dist + 0.4) / 0.6) ** 2)))
    _finish(canvas, at, body[..., None] * tint, cover, "hair")


def lay_thread(rng: Rng, canvas: Canvas, name: str) -> None:
    """Lay a hair or a fibre across the view, in and out of focus along its way."""
    (rows, cols), px = canvas.shape, canvas.um_per_px
    step_px, way = 12.0, rng.uniform(0, 2 * np.pi)
    at = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
    at -= np.array([np.cos(way), np.sin(way)]) * rng.uniform(0, 0.8) * max(rows, cols)
    number = int(rng.uniform(0.3, 1.6) * max(rows, cols) / step_px) + 3
    bend = rng.normal(0, 1, number) * (0.02 if name == "hair" else 0.12)
    turns = way + np.cumsum(bend + rng.normal(0, 0.01))
    points = at + step_px * np.cumsum(np.column_stack([np.cos(turns), np.sin(turns)]), axis=0)
    line = np.full((rows, cols), 255, np.uint8)
    cv2.polylines(line, [np.round(points).astype(np.int32)], False, 0, 1)
    if line.min() == 255:
        return
    away = cv2.GaussianBlur(cv2.distanceTransform(line, cv2.DIST_L2, 5) * px, (0, 0), 1.0)
    thick = float(rng.uniform(3, 14) if name == "hair" else rng.uniform(8, 22))
    half = thick / 2 * (1 + (0.3 if name == "fibre" else 0.05) * noise(rng, (rows, cols), 60 / px))
    dist, cover = away - half, np.clip(0.5 - (away - half) / px, 0, 1)
    edge = np.exp(-(((dist + 0.12 * thick) / (0.12 * thick + 0.5)) ** 2)) * cover
    core = np.exp(-((away / (0.2 * thick)) ** 2)) * rng.uniform(0.05, 0.5)
    if name == "hair":
        tint = np.array([0.55, 0.75, 1.0], np.float32) * rng.uniform(0.3, 1.3)
        body = 0.6 * cover + 0.6 * edge
    else:
        dye = rng.uniform(0.6, 1.3, 3) if rng.random() < 0.25 else np.ones(3)
        tint = (dye * rng.uniform(0.1, 0.4)).astype(np.float32)
        folds = np.clip(np.abs(noise(rng, (rows, cols), 9 / px)) - 0.9, 0, 1)
        body = 0.3 * cover + 1.3 * edge + 0.9 * folds * cover
    through = np.exp(-LN10 * body[..., None] * tint) * (1 + core * cover)[..., None]
    depths, size = np.sort(rng.normal(0, 2.5, 2)), 0.7 * max(rows, cols)
    share = np.clip(0.5 + 0.5 * noise(rng, (rows, cols), size), 0, 1)[..., None].astype(np.float32)
    focus = canvas.lens.defocus_um(cols / 2, rows / 2, canvas.shape)
    near, far = (canvas.lens.kernels(focus + float(d), px)[0] for d in depths)
    alpha = np.asarray(0.85 * cover, np.float32)[..., None]
    if canvas.from_above:
        through = np.repeat(1 - alpha, 3, axis=2)
    through = np.asarray(through, np.float32)
    passed = blur(through, near) * (1 - share) + blur(through, far) * share
    canvas.light *= passed
    if canvas.from_above:
        colour = np.array(_BROWN if name == "hair" else rng.uniform(0.5, 0.9, 3), np.float32)
        shine = alpha * colour * np.float32(1 - 0.4 * edge[..., None])
        canvas.light += blur(shine, near) * (1 - share) + blur(shine, far) * share
    canvas.clear *= passed[..., 1]
    on = (cover >= 0.5) & ((canvas.clear < 0.42) | (canvas.kinds != KIND["spore"]))
    canvas.kinds[on] = KIND[name]
    canvas.owner[on] = -1

"""Everything on a print that is no spore: scales, hairs, fibres, bubbles, droplets, pollen, dust, mould."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from sporecount.simulate.bending.sheet import KIND, Array, Box, Sheet, cloud, size_um, tint

Rng = np.random.Generator
GREY = tint(1, 1, 1)


@dataclass(frozen=True)
class ScaleLook:
    """What the scales of one patch of the wing or body have in common."""

    tint: Array
    density: float
    clear: float
    ridge_um: float
    ridge: float
    teeth: int
    tooth_um: float
    width_um: float
    length_um: float
    base: float


def draw_scale_look(rng: Rng) -> ScaleLook:
    """Draw the look of one sort of scales."""
    colours = {
        "orange": ((0.25, 0.85, 1.9), (0.15, 0.55)),
        "brown": ((0.6, 1.0, 1.45), (0.3, 0.9)),
        "black": ((0.95, 1.0, 1.08), (0.7, 1.5)),
        "white": ((1.0, 1.0, 1.05), (0.12, 0.4)),
        "pale": ((0.7, 1.0, 1.6), (0.05, 0.18)),
    }
    colour = str(rng.choice(list(colours), p=[0.3, 0.22, 0.18, 0.14, 0.16]))
    ink, (low, high) = colours[colour]
    mixed = np.array(ink) * np.exp(rng.normal(0, 0.04, 3))
    density = float(rng.uniform(low, high))
    return ScaleLook(
        tint=tint(float(mixed[0]), float(mixed[1]), float(mixed[2])),
        density=density,
        # The ridges scatter: even a pale scale takes away part of what lies under it.
        clear=float(np.clip(rng.uniform(0.35, 0.8) * np.exp(-1.2 * density), 0, 0.75)),
        ridge_um=float(rng.uniform(1.4, 3.0)),
        ridge=float(rng.uniform(0.08, 0.35)),
        teeth=int(rng.choice([0, 3, 3, 4, 5, 6, 7])),
        tooth_um=float(rng.uniform(6, 28)),
        width_um=float(rng.uniform(52, 110)),
        length_um=float(rng.uniform(105, 220)),
        base=float(rng.uniform(0.12, 0.42)),
    )


def lay_scale(rng: Rng, on: Sheet, look: ScaleLook, x: float, y: float, torn: bool) -> bool:
    """Lay a scale; say whether it is whole or nearly so."""
    length = float(np.clip(look.length_um * np.exp(rng.normal(0, 0.1)), 100, 250))
    wide = float(np.clip(look.width_um * np.exp(rng.normal(0, 0.1)), 50, 120))
    box = on.box(x, y, 0.6 * float(np.hypot(length, wide)))
    if box is None:
        return False
    u, v = on.along(box, x, y, rng.uniform(0, 2 * np.pi))
    v = v + np.float32(rng.normal(0, 0.0007)) * u**2
    t = u / np.float32(length) + np.float32(0.5)
    grown = np.clip(t / np.float32(look.base), 0, 1)
    half = np.float32(wide / 2) * (1 - (1 - grown) ** 2) ** np.float32(0.6)
    half = half * (1 - np.float32(0.18) * np.clip(t - 0.7, 0, 1) / np.float32(0.3))
    across = np.clip(np.abs(v) / np.maximum(half, 1), 0, 1)
    end = u - np.float32(length / 2) + np.float32(0.12 * wide) * across**2
    if look.teeth:
        wave = np.abs(np.sin(np.pi * look.teeth * (v / np.float32(wide) + np.float32(0.5))))
        end = end + np.float32(look.tooth_um) * (1 - wave)
    outside = np.maximum(np.maximum(np.abs(v) - half, end), -u - np.float32(length / 2))
    stalk = np.maximum(np.abs(v) - np.float32(1.8), np.abs(u + np.float32(length / 2 + 3)) - np.float32(9))
    outside = np.minimum(outside, stalk)
    if torn:
        turn = rng.uniform(0, 2 * np.pi)
        cut = u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn))
        cut = cut - np.float32(rng.uniform(-0.2, 0.25) * length)
        ragged = cloud(rng, u.shape, 14 / on.px_um) * 5 + cloud(rng, u.shape, 4 / on.px_um)
        outside = np.maximum(outside, cut + ragged)
    _lay_leaf(rng, on, box, look, u, v, outside, "scale piece" if torn else "scale")
    return not torn


def _lay_leaf(
    rng: Rng, on: Sheet, box: Box, look: ScaleLook, u: Array, v: Array, outside: Array, kind: str
) -> None:
    """Lay a ridged sheet within an outline."""
    cover = on.edge(outside)
    # Ridges finer than the grid would alias into bands that are not there.
    seen = np.clip(look.ridge_um / on.px_um - 1.6, 0, 1.5) / 1.5
    ridges = np.sin(v * np.float32(2 * np.pi / look.ridge_um) + np.float32(rng.uniform(0, 6)))
    patchy = cloud(rng, u.shape, max(2.0, 22 / on.px_um))
    depth = 1 + np.float32(look.ridge * seen) * ridges + np.float32(0.1) * patchy
    depth = depth + np.float32(rng.normal(0, 0.002)) * v + np.float32(rng.normal(0, 0.0012)) * u
    rim = np.exp(-((np.clip(outside, -50, 50) + 0.8) ** 2)) * np.float32(rng.uniform(0, 0.12))
    density = np.float32(look.density * np.exp(rng.normal(0, 0.15))) * np.clip(depth, 0.25, 2) + rim
    relief = np.float32(0.04) + np.float32(0.012 * seen) * ridges
    on.lay(box, cover, density, look.tint, relief, kind, look.clear)


def lay_flake(rng: Rng, on: Sheet, look: ScaleLook, x: float, y: float) -> None:
    """Lay a crumb of a scale, with ridges and angular ends; some as large as a spore."""
    size = size_um(rng, 9, 0.6, 3.5, 45)
    box = on.box(x, y, 1.6 * size)
    if box is None:
        return
    u, v = on.along(box, x, y, rng.uniform(0, np.pi))
    outside = np.full_like(u, -1e3)
    corners = int(rng.integers(3, 6))
    for turn in np.arange(corners) * 2 * np.pi / corners + rng.uniform(-0.4, 0.4, corners):
        side = u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn))
        outside = np.maximum(outside, side - np.float32(size * rng.uniform(0.35, 1.0)))
    for lump_um in (0.6 * size, 0.22 * size):
        # Scales tear along ridges and crumble across them: no edge is straight.
        outside = outside + np.float32(0.35 * lump_um) * cloud(rng, u.shape, max(1.2, lump_um / on.px_um))
    _lay_leaf(rng, on, box, look, u, v, outside, "scale piece")


def lay_bubble(rng: Rng, on: Sheet, box: Box, u: Array, v: Array, radius: float) -> None:
    """Air in the glue: round, without colour, bending light the other way and steeply at the rim."""
    rough = 1 + np.float32(0.02) * np.sin(3 * np.arctan2(v, u)) * np.float32(radius > 12)
    r = np.hypot(u, v) / (np.float32(radius) * rough)
    cover = on.edge((r - 1) * np.float32(radius))
    dome = np.sqrt(np.clip(1 - r**2, 0, 1))
    ring = np.exp(-(((r - 0.93) * np.float32(radius) / np.float32(0.5 + 0.05 * radius)) ** 2))
    strength = np.float32(rng.uniform(0.3, 1.3))
    on.lay(box, cover, ring * strength, GREY, -dome * np.float32(0.12 * radius), "bubble", 0.8)


def lay_droplet(rng: Rng, on: Sheet, box: Box, u: Array, v: Array, radius: float) -> None:
    """Lay a round drop of brown or yellow body fluid: smooth, without a wall, at times flattened."""
    r = np.hypot(u, v * np.float32(rng.uniform(1, 1.1))) / np.float32(radius)
    cover = on.edge((r - 1) * np.float32(radius))
    dome = np.sqrt(np.clip(1 - r**2, 0, 1))
    ink = tint(rng.uniform(0.15, 0.7), rng.uniform(0.6, 1), rng.uniform(1.3, 2.2))
    density = np.float32(rng.uniform(0.08, 0.5)) * dome
    on.lay(box, cover, density, ink, dome * np.float32(rng.uniform(0.03, 0.25)), "other", 0.6)


def lay_pollen(rng: Rng, on: Sheet, box: Box, u: Array, v: Array, radius: float) -> None:
    """Lay a grain with a thick coat: round, three-cornered or spiny."""
    turn = np.arctan2(v, u)
    sort = int(rng.integers(3))
    spines = int(rng.integers(11, 19))
    form = 1 + np.float32((0.02, 0.09, 0.0)[sort]) * np.cos(3 * turn)
    if sort == 2:
        form = form + np.float32(0.16) * np.abs(np.cos(turn * np.float32(spines / 2))) ** 5
    outside = np.hypot(u, v) - np.float32(radius * 0.9) * form
    cover = on.edge(outside)
    coat = np.exp(-(((outside + 1.0) / 1.1) ** 2))
    pores = np.clip(cloud(rng, u.shape, max(1.5, 1.8 / on.px_um)), -1.5, 1.5)
    density = np.float32(rng.uniform(0.15, 0.45)) * (1 + np.float32(0.25) * pores) + np.float32(0.35) * coat
    ink = tint(rng.uniform(0.3, 0.9), 0.9, rng.uniform(1.2, 2.2))
    dome = np.sqrt(np.clip(-outside / np.float32(radius), 0, 1)) * np.float32(0.35)
    on.lay(box, cover, density, ink, dome, "pollen", 0.15)


def lay_dust(rng: Rng, on: Sheet, box: Box, u: Array, v: Array, radius: float) -> None:
    """Lay a ragged crumb, mostly dark and mostly smaller than a spore."""
    lumps = cloud(rng, u.shape, max(1.2, 0.8 * radius / on.px_um))
    ragged = np.float32(0.4 * radius) * lumps * np.exp(-((np.hypot(u, v) / np.float32(1.6 * radius)) ** 2))
    outside = np.hypot(u, v * np.float32(rng.uniform(1, 2.2))) - np.float32(radius) + ragged
    density = np.float32(rng.uniform(0.15, 1.2)) * (1 + np.float32(0.3) * lumps)
    ink = tint(rng.uniform(0.6, 1), 0.9, rng.uniform(0.9, 1.6))
    relief = np.float32(rng.uniform(-0.1, 0.2))
    on.lay(box, on.edge(outside), np.clip(density, 0, 2), ink, np.full_like(u, relief), "dust", 0.1)


def lay_mould(rng: Rng, on: Sheet, x: float, y: float) -> None:
    """Mould spores: chains and heaps of small balls, or slim ones with cross walls."""
    chain = rng.random() < 0.6
    many = int(rng.integers(2, 14) if chain else rng.integers(1, 5))
    radius = rng.uniform(1.3, 2.6) if chain else rng.uniform(2.0, 3.0)
    ink = tint(rng.uniform(0.8, 1.2), rng.uniform(0.7, 1.0), rng.uniform(0.9, 1.4))
    dark = rng.uniform(0.2, 0.7)
    way = rng.uniform(0, 2 * np.pi)
    for _ in range(many):
        box = on.box(x, y, 12)
        if box is not None:
            u, v = on.along(box, x, y, way)
            long = 1.0 if chain else 2.6
            r = np.hypot(u / np.float32(radius * long), v / np.float32(radius))
            cover = on.edge((r - 1) * np.float32(radius))
            dome = np.sqrt(np.clip(1 - r**2, 0, 1))
            walls = np.float32(0 if chain else 1) * np.exp(-((u / 0.6) ** 2))
            density = np.float32(dark) * (np.float32(0.6) + np.float32(0.5) * r + walls)
            on.lay(box, cover, density, ink, dome * np.float32(0.12), "other", 0.2)
        way += rng.normal(0, 0.6)
        far = (2 * radius if chain else rng.uniform(7, 25)) / on.px_um
        x, y = x + far * np.cos(way), y + far * np.sin(way)


def _lay_path(
    on: Sheet, path: Array, wide_um: Array, density: float, ink: Array, relief_um: float, kind: str
) -> None:
    """Lay a thread along a path of (x, y), as a rod that is densest in the middle."""
    rows, cols = on.kinds.shape
    reach = float(wide_um.max()) / on.px_um + 4
    x0, y0 = (int(np.clip(n - reach, 0, None)) for n in path.min(axis=0))
    x1, y1 = (int(np.clip(n + reach, 0, top)) for n, top in zip(path.max(axis=0), (cols, rows), strict=True))
    if x1 - x0 < 3 or y1 - y0 < 3:
        return
    drawn = np.zeros((y1 - y0, x1 - x0), np.uint8)
    points = np.round((path - (x0, y0)) * 16).astype(np.int32)
    for start, stop, wide in zip(points[:-1], points[1:], wide_um, strict=False):
        thick = max(1, round(float(wide) / on.px_um))
        cv2.line(drawn, start.tolist(), stop.tolist(), 255, thick, cv2.LINE_AA, 4)
    cover = drawn.astype(np.float32) / np.float32(255)
    depth = cv2.distanceTransform((drawn > 127).astype(np.uint8), cv2.DIST_L2, 3)
    middle = np.clip(depth * np.float32(2 * on.px_um / max(float(np.median(wide_um)), 0.5)), 0, 1)
    rod = np.sqrt(1 - (1 - middle) ** 2)
    box = (slice(y0, y1), slice(x0, x1))
    depth = np.float32(density) * (np.float32(0.45) + np.float32(0.55) * rod)
    on.lay(box, cover, depth, ink, rod * np.float32(relief_um), kind, 0.55 if kind == "fibre" else 0.15)


def _wander(rng: Rng, on: Sheet, x: float, y: float, length_um: float, bend: float) -> Array:
    """Draw a smooth path through a place."""
    steps = 40
    bends = np.convolve(rng.normal(0, bend, steps), np.ones(5) / 5, "same")
    turns = rng.uniform(0, 2 * np.pi) + np.cumsum(bends)
    move = length_um / on.px_um / steps
    path = np.cumsum(np.stack([np.cos(turns), np.sin(turns)], axis=1) * move, axis=0)
    return np.asarray(path - path[steps // 2] + (x, y), np.float32)


def lay_hair(rng: Rng, on: Sheet, x: float, y: float, stub: bool = False) -> None:
    """Lay a hair of the insect, dark and pointed, or its broken end, thrice as long as wide or more."""
    wide = rng.uniform(1.5, 4) if stub else rng.uniform(2.5, 9)
    length = wide * rng.uniform(3.5, 9) if stub else rng.uniform(90, 700)
    wide_um = np.asarray(wide * np.linspace(1, 1 if stub else 0.12, 39), np.float32)
    ink = tint(rng.uniform(0.6, 1), 0.95, rng.uniform(1, 1.5))
    path = _wander(rng, on, x, y, float(length), 0.05)
    _lay_path(on, path, wide_um, rng.uniform(0.3, 1.3), ink, 0.14, "hair")


def lay_fibre(rng: Rng, on: Sheet, x: float, y: float) -> None:
    """Lay a fibre of cotton or paper: a long pale ribbon that twists, sometimes dyed."""
    beat = rng.uniform(0.15, 0.5)
    wide = rng.uniform(7, 24) * (0.65 + 0.35 * np.abs(np.sin(np.arange(39) * beat + rng.uniform(0, 3))))
    dyes = [(0.9, 1.0, 1.1), (0.9, 1.0, 1.1), (1.8, 1.0, 0.4), (0.3, 1.2, 0.9)]
    red, green, blue = dyes[int(rng.integers(len(dyes)))]
    path = _wander(rng, on, x, y, float(rng.uniform(400, 2600)), 0.2)
    density = rng.uniform(0.04, 0.3)
    relief = rng.uniform(0.3, 1.2)
    _lay_path(on, path, np.asarray(wide, np.float32), density, tint(red, green, blue), relief, "fibre")


Lay = Callable[[Rng, Sheet, Box, Array, Array, float], None]
SOLID: dict[str, tuple[Lay, float, float, float, float]] = {
    "droplet": (lay_droplet, 5, 0.45, 1.5, 20),
    "pollen": (lay_pollen, 10, 0.35, 5, 24),
    "dust": (lay_dust, 2.0, 0.65, 0.7, 13),
    "bubble": (lay_bubble, 7, 0.7, 2, 60),
}
"""What lies in one place: middle, spread and limits of its radius in µm."""

LONG: dict[str, Callable[[Rng, Sheet, float, float], None]] = {
    "mould": lay_mould,
    "stub": partial(lay_hair, stub=True),
    "hair": lay_hair,
    "fibre": lay_fibre,
}


def lay_thing(rng: Rng, on: Sheet, name: str, x: float, y: float) -> None:
    """Lay one thing other than a scale."""
    if name in LONG:
        LONG[name](rng, on, x, y)
        return
    lay, *sizes = SOLID[name]
    radius = size_um(rng, *sizes)
    box = on.box(x, y, 2 * radius)
    if box is not None:
        lay(rng, on, box, *on.along(box, x, y, rng.uniform(0, np.pi)), radius)


def lay_ground(rng: Rng, on: Sheet, ground: str, glue: float, ruled: bool) -> None:
    """Glass, card or paper below, the texture of the glue, and sometimes the lines of a form."""
    shape = on.kinds.shape
    whole = (slice(0, shape[0]), slice(0, shape[1]))
    stain = tint(rng.uniform(0.6, 1), 1, rng.uniform(1, 1.6))
    slow = cloud(rng, shape, rng.uniform(60, 300) / on.px_um)
    base = np.float32(rng.uniform(0.005, 0.03)) * slow
    if ground != "glass":
        # Felted fibres: noise drawn out along a few directions.
        for _ in range(3):
            grain_um, ratio = rng.uniform(5, 16), rng.uniform(3, 9)
            rough = cloud(rng, shape, max(1.0, grain_um / 2.2 / on.px_um))
            turn = rng.uniform(0, np.pi)
            n = int(np.clip(grain_um * ratio / 3 / on.px_um, 3, 41)) | 1
            kernel = np.zeros((n, n), np.float32)
            tip = np.array([np.cos(turn), np.sin(turn)]) * (n // 2)
            ends = np.round(np.array([n // 2 - tip, n // 2 + tip])).astype(int)
            cv2.line(kernel, ends[0].tolist(), ends[1].tolist(), 1.0)
            felt = np.asarray(cv2.filter2D(rough, -1, kernel / kernel.sum()), np.float32)
            felt /= max(float(felt.std()), 1e-6)
            base += np.float32(rng.uniform(0.008, 0.03 if ground == "card" else 0.05)) * felt
    on.absorb += base[..., None] * stain
    lumps_um = rng.uniform(6, 45)
    lumps = cloud(rng, shape, max(2.0, lumps_um / on.px_um))
    bend = glue * rng.uniform(0.1, 0.8) * 0.006 * (lumps_um / 2.5) ** 2 / 10
    on.relief += np.float32(bend) * lumps
    if rng.random() < glue:
        turn, pitch = rng.uniform(0, np.pi), rng.uniform(25, 120)
        u, _ = on.along(whole, 0, 0, turn)
        streaks = np.sin(2 * np.pi / np.float32(pitch) * u + 1.6 * slow)
        on.relief += np.float32(0.25 * bend) * (streaks + np.abs(streaks))
        on.absorb += (np.float32(0.02 * glue) * streaks)[..., None]
    if ruled:
        u, _ = on.along(whole, shape[1] * rng.uniform(0.1, 0.9), shape[0] / 2, rng.uniform(0, np.pi))
        outside = np.abs(u) - np.float32(rng.uniform(20, 90)) + 3 * cloud(rng, shape, max(1.5, 9 / on.px_um))
        cover = np.clip(0.5 - outside / np.float32(6), 0, 1)
        speckle = np.clip(1 + np.float32(0.18) * cloud(rng, shape, max(1.2, 3 / on.px_um)), 0.1, 2)
        blue = tint(1.6, 1.0, 0.5) if rng.random() < 0.6 else GREY
        on.absorb += (cover * speckle * np.float32(rng.uniform(0.1, 0.4)))[..., None] * blue
        on.kinds[cover > 0.5] = KIND["other"]

"""All that is no spore: scales and their flakes, threads, bubbles, droplets, mould, yeast, dust and pollen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from sporecount.simulate.grounds.slab import DEEP, PRINT, TAPE, Array, Patch, Scene, egg_distance

SCALE_DYES: dict[str, tuple[float, tuple[float, float, float], float]] = {
    "orange": (0.32, (0.3, 1.0, 2.0), 0.6),
    "brown": (0.6, (0.75, 1.0, 1.3), 0.35),
    "black": (1.1, (0.95, 1.0, 1.05), 0.12),
    "white": (0.13, (0.9, 1.0, 1.15), 0.9),
    "pale": (0.2, (0.6, 1.0, 1.5), 0.75),
}
"""Density, tint and albedo of the scales' colours."""


def _tint(rng: np.random.Generator, low: tuple[float, ...], high: tuple[float, ...]) -> Array:
    return rng.uniform(low, high).astype(np.float32)


@dataclass(frozen=True)
class ScaleLook:
    """How the scales of one patch of the body look."""

    od: float
    tint: Array
    albedo: float
    length_um: float
    width_um: float
    ridge_um: float
    ridge_od: float
    teeth: int
    taper: float


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """Draw one look; a print mixes a few."""
    od, dye, albedo = SCALE_DYES[str(rng.choice(list(SCALE_DYES)))]
    width = float(rng.uniform(50, 110))
    return ScaleLook(
        od=float(od * rng.uniform(0.65, 1.35)),
        tint=np.asarray(np.array(dye) * rng.uniform(0.85, 1.15, 3), np.float32),
        albedo=albedo,
        length_um=float(np.clip(width * rng.uniform(1.5, 3.0), 100, 250)),
        width_um=width,
        ridge_um=float(rng.uniform(1.4, 3.2)),
        ridge_od=float(rng.uniform(0.1, 0.5)),
        teeth=int(rng.integers(0, 7)),
        taper=float(rng.uniform(0, 0.35)),
    )


def _weave(rng: np.random.Generator, look: ScaleLook, u: Array, v: Array, px_um: float) -> Array:
    """Density of a scale's blade with its ridges; ridges finer than the grid fade."""
    fade = np.exp(-2 * (px_um / look.ridge_um) ** 2)
    ridges = np.cos(2 * np.pi / look.ridge_um * v + rng.uniform(0, 6))
    ribs = np.cos(2 * np.pi / (1.7 * look.ridge_um) * u + 2 * np.sin(v / 3))
    patchy = np.sin(u / rng.uniform(9, 40) + rng.uniform(0, 6)) * np.sin(
        v / rng.uniform(8, 30) + rng.uniform(0, 6)
    )
    pattern = 1 + look.ridge_od * fade * (ridges + 0.3 * ribs) + 0.12 * patchy
    return np.asarray(look.od * np.clip(pattern, 0.15, 3), np.float32)


def lay_scale(rng: np.random.Generator, scene: Scene, look: ScaleLook, x: float, y: float) -> bool:
    """Lay one scale; whether it is whole or nearly so."""
    length, width = look.length_um * rng.uniform(0.85, 1.15), look.width_um * rng.uniform(0.85, 1.1)
    patch = scene.patch(x, y, 0.62 * np.hypot(length, width) + 6, 1.5)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    v = v + np.float32(rng.normal(0, 0.0012)) * u**2
    u = u + length / 2
    share = np.clip(u / length, 0, 1)
    half = 0.5 * width * (1 - (1 - share) ** rng.uniform(1.8, 4)) ** 0.6 * (1 - look.taper * share**2)
    shoulder = rng.uniform(0.05, 0.25) * length * (2 * v / width) ** 2
    tooth = np.zeros_like(v)
    if look.teeth:
        wave = np.abs((v / width * look.teeth + rng.uniform(0, 1)) % 1 - 0.5)
        tooth = 2 * wave * rng.uniform(0.05, 0.14) * length
    blade = np.maximum(np.maximum(np.abs(v) - half, u - (length - shoulder - tooth)), -u)
    stalk = np.maximum(np.abs(v) - rng.uniform(1.2, 2.5), np.abs(u + 5) - 8)
    distance = np.minimum(blade, stalk)
    torn = rng.random() < 0.3
    if torn:
        way = rng.uniform(0, 2 * np.pi)
        jag = 5 * np.sin(v / 4.1 + rng.uniform(0, 6)) + 3 * np.sin((u + v) / 2.3)
        keep = rng.uniform(-0.1, 0.35) * length
        distance = np.maximum(distance, (u - length / 2) * np.cos(way) + v * np.sin(way) - keep + jag)
    od = _weave(rng, look, u, v, scene.px_um)
    # The blade's edge is rolled and shows darker; the root is often paler.
    od = od * (1 + 0.5 * np.exp(np.minimum(distance, 0) / 1.5)) * (0.75 + 0.35 * share)
    gloss: np.ndarray | float = 0.0
    if scene.light.above > 0.3 and rng.random() < 0.3:
        gloss = 0.25 * scene.light.above * np.exp(-((v - rng.uniform(-0.3, 0.3) * width) ** 2) / 60)
    scene.lay(
        patch, PRINT, distance, od, look.tint, "scale", albedo=look.albedo, gloss=gloss, clear=look.od < 0.5
    )
    return not torn or keep > 0.15 * length


def _shard(rng: np.random.Generator, patch: Patch, radius: float, sides: int, rag: float) -> Array:
    """Signed distance to an angular grain: an area between straight breaks, with a ragged edge."""
    x, y = patch.x_um, patch.y_um
    turns = np.linspace(0, 2 * np.pi, sides, endpoint=False) + rng.uniform(0, 6) + rng.normal(0, 0.25, sides)
    cuts = [x * np.cos(t) + y * np.sin(t) - radius * rng.uniform(0.45, 1.0) for t in turns]
    wave = np.sin(x * 5 / radius + rng.uniform(0, 6)) * np.sin(y * 6 / radius + rng.uniform(0, 6))
    return np.asarray(np.max(cuts, axis=0) + rag * radius * wave, np.float32)


def lay_flake(rng: np.random.Generator, scene: Scene, look: ScaleLook, x: float, y: float) -> None:
    """Lay a torn piece of a scale, often as small as a spore, with straight breaks and pieces of ridges."""
    radius = float(np.clip(9 * np.exp(rng.normal(0, 0.6)), 3, 40))
    patch = scene.patch(x, y, 1.4 * radius + 3)
    distance = _shard(rng, patch, radius, int(rng.integers(3, 6)), rng.uniform(0.02, 0.12))
    u, v = patch.turned(rng.uniform(0, np.pi))
    od = 0.9 * _weave(rng, look, u, v, patch.step_um)
    scene.lay(patch, PRINT, distance, od, look.tint, "scale piece", albedo=look.albedo, relief_um=1.0)


def lay_thread(
    rng: np.random.Generator, scene: Scene, x: float, y: float, kind: str, turn: float | None = None
) -> None:
    """Lay a hair, a fibre of cotton or paper, or a short stump of a hair, along a bent path."""
    stump = kind == "stump"
    radius = float({"hair": rng.uniform(2, 7), "fibre": rng.uniform(3, 10)}.get(kind, rng.uniform(1.6, 3)))
    length = float(rng.uniform(9, 30) if stump else rng.uniform(120, 1200))
    t = np.linspace(-0.5, 0.5, 60)
    swing = 0.1 if stump else (0.5 if kind == "hair" else 1.6)
    angle = (rng.uniform(0, 2 * np.pi) if turn is None else turn) + swing * (
        rng.normal(0, 1) * t + rng.normal(0, 0.5) * np.sin(2 * np.pi * t + rng.uniform(0, 6))
    )
    path = np.cumsum(np.stack([np.cos(angle), np.sin(angle)], 1), axis=0) * length / len(t)
    path += np.array([x, y]) - path.mean(0)
    fine = int(np.clip(np.ceil(scene.px_um / 1.3), 1, 3))
    step, pad = scene.px_um / fine, radius + 5
    extent = np.array(scene.shape[::-1]) * scene.px_um
    low = np.maximum(path.min(0) - pad, -pad)
    high = np.minimum(path.max(0) + pad, extent + pad)
    if (high <= low).any():
        return
    left, top = (int(n) for n in np.floor(low / scene.px_um))
    wide, tall = (int(n) * fine for n in np.ceil((high - low) / scene.px_um) + 1)
    on_grid = (path - np.array([left, top]) * scene.px_um) / step + (fine - 1) / 2
    blank = np.full((tall, wide), 255, np.uint8)
    cv2.polylines(blank, [np.round(on_grid * 16).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4)
    away = cv2.distanceTransform(blank, cv2.DIST_L2, 5)
    away_um = cv2.GaussianBlur(np.asarray(away, np.float32), (0, 0), 0.7) * np.float32(step)
    xs = ((np.arange(wide) - (fine - 1) / 2) * step).astype(np.float32)[None] + left * scene.px_um - x
    ys = ((np.arange(tall) - (fine - 1) / 2) * step).astype(np.float32)[:, None] + top * scene.px_um - y
    patch = Patch(left, top, fine, step, np.asarray(xs, np.float32), np.asarray(ys, np.float32))
    along = xs * np.cos(angle.mean()) + ys * np.sin(angle.mean())
    if kind == "fibre":
        # A flat band that twists: its width swings along the way.
        twist = 1 + 0.4 * np.sin(along / rng.uniform(12, 45) + rng.uniform(0, 6))
        colour = rng.random()
        tint = _tint(rng, (0.3, 0.5, 0.3), (1.4, 1.2, 1.6)) if colour < 0.3 else np.ones(3, np.float32)
        body, rim = rng.uniform(0.0, 0.2), rng.uniform(0.1, 0.45)
    else:
        twist = np.asarray(1 - 0.4 * np.clip(along / length + 0.5, 0, 1))
        tint = _tint(rng, (0.55, 0.95, 1.1), (0.95, 1.05, 1.6))
        body, rim = rng.uniform(0.15, 0.9), rng.uniform(0.1, 0.5)
    distance = np.asarray(away_um - radius * twist, np.float32)
    core = np.exp(-((away_um / (0.35 * radius)) ** 2))
    od = body * (1 - rng.uniform(0, 0.7) * core) + rim * np.exp(-((distance / (0.22 * radius)) ** 2))
    halo = rng.uniform(-0.07, 0.05) * np.exp(-((distance / 2.2) ** 2))
    sheet = TAPE if rng.random() < 0.5 else PRINT
    name = "fibre" if kind == "fibre" else "hair"
    albedo = 0.7 if kind == "fibre" else 0.3
    scene.lay(
        patch,
        sheet,
        distance,
        od,
        tint,
        name,
        outside_od=halo,
        relief_um=radius,
        albedo=albedo,
        clear=body < 0.15,
    )


def lay_crossing(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay two thin fibres that cross, which makes a small dark lozenge."""
    turn = rng.uniform(0, np.pi)
    kind = "hair" if rng.random() < 0.4 else "fibre"
    lay_thread(rng, scene, x, y, kind, turn)
    lay_thread(rng, scene, x, y, kind, turn + rng.uniform(0.4, 1.6))


def lay_bubble(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay a bubble of air in the glue: a broad black rim, a clear middle of the ground's own light."""
    radius = float(np.clip(6 * np.exp(rng.normal(0, 0.7)), 2, 70))
    patch = scene.patch(x, y, 1.35 * radius + 4)
    u, v = patch.turned(rng.uniform(0, np.pi))
    # Small bubbles are round; large ones are squeezed and lobed.
    flat = 1.0 if radius < 9 else rng.uniform(0.75, 1)
    distance: np.ndarray = egg_distance(u, v, radius, radius * flat, 2.0)
    if radius > 12:
        lobes = int(rng.integers(2, 4))
        distance = distance + radius * rng.uniform(0, 0.1) * np.sin(
            lobes * np.arctan2(v, u) + rng.uniform(0, 6)
        )
    rim = max(0.5, radius * rng.uniform(0.08, 0.3))
    od = rng.uniform(0.3, 1.1) * np.exp(-(((distance + 0.7 * rim) / rim) ** 2)) - rng.uniform(0, 0.06)
    halo = -rng.uniform(0, 0.1) * np.exp(-((distance / (0.6 + 0.12 * radius)) ** 2))
    spot = rng.uniform(0.3, 0.6) * radius
    reflex = np.exp(
        -((u - spot * scene.light.dx) ** 2 + (v - spot * scene.light.dy) ** 2) / (0.1 * radius) ** 2
    )
    gloss = reflex * scene.light.above * rng.uniform(0.1, 0.6)
    scene.lay(
        patch,
        TAPE,
        distance,
        od,
        np.ones(3, np.float32),
        "bubble",
        outside_od=halo,
        gloss=gloss,
        albedo=0.15,
        relief_um=0.4 * radius,
        clear=radius > 15,
    )


def lay_droplet(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay a droplet of oil or honey-like fluid: round and smooth, a lens with no wall, sometimes run together."""
    tint = _tint(rng, (0.15, 0.8, 1.4), (0.7, 1.0, 2.4))
    strength, lens = rng.uniform(0.08, 0.5), rng.uniform(0.0, 0.9)
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        radius = float(np.clip(4.5 * np.exp(rng.normal(0, 0.5)), 1.5, 22))
        patch = scene.patch(x, y, 1.3 * radius + 3)
        u, v = patch.turned(rng.uniform(0, np.pi))
        distance = egg_distance(u, v, radius, radius * rng.uniform(0.9, 1), 2.0)
        middle = np.exp(-(u**2 + v**2) / (0.45 * radius) ** 2)
        od = strength * (1 - lens * middle) + 0.25 * strength * np.exp(-((distance / 0.7) ** 2))
        wet = -0.12 * strength * np.exp(-((distance / 1.5) ** 2))
        scene.lay(patch, PRINT, distance, od, tint, "other", outside_od=wet, relief_um=radius, albedo=0.25)
        turn = rng.uniform(0, 2 * np.pi)
        x, y = x + radius * 1.3 * np.cos(turn), y + radius * 1.3 * np.sin(turn)


def lay_mould(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay brown oval mould cells of 4-8 um, blunt at both ends, evenly dark, alone, in chains or in flocks."""
    tint = _tint(rng, (0.5, 0.95, 1.1), (1.0, 1.05, 1.8))
    dark, length = rng.uniform(0.2, 0.75), rng.uniform(4, 7.6)
    aspect, septum = rng.uniform(1.15, 2.0), rng.random() < 0.3
    chain = rng.random() < 0.5
    turn = rng.uniform(0, 2 * np.pi)
    for _ in range(int(np.clip(rng.geometric(0.3), 1, 12))):
        half = 0.5 * float(np.clip(length * np.exp(rng.normal(0, 0.06)), 4, 8))
        patch = scene.patch(x, y, half + 3)
        u, v = patch.turned(turn)
        distance = egg_distance(u, v, half, half / aspect, 2.6)
        od = dark * (0.8 + 0.5 * np.exp(-((distance / 0.45) ** 2)))
        if septum:
            od = od + 0.5 * dark * np.exp(-((u / 0.35) ** 2))
        scene.lay(patch, PRINT, distance, od, tint, "other", albedo=0.2, relief_um=1.5)
        turn += rng.normal(0, 0.3) if chain else rng.uniform(0, 6)
        far = 2 * half * (1.0 if chain else rng.uniform(0.9, 3.5))
        x, y = x + far * np.cos(turn), y + far * np.sin(turn)


def lay_yeast(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay yeast-like cells: pale, glassy, 4-8 um, a bright middle with a grain in it, often with a bud."""
    for _ in range(int(np.clip(rng.geometric(0.4), 1, 7))):
        half, turn = rng.uniform(2.0, 3.9), rng.uniform(0, 2 * np.pi)
        wide = half / rng.uniform(1.05, 1.4)
        rim, bright = rng.uniform(0.12, 0.4), rng.uniform(-0.12, 0.04)
        parts = [(0.0, half, wide)]
        if rng.random() < 0.45:
            parts.append((half * 1.25, half * 0.5, half * 0.45))
        for shift, long_um, wide_um in parts:
            bx, by = x + shift * np.cos(turn), y + shift * np.sin(turn)
            patch = scene.patch(bx, by, long_um + 3)
            u, v = patch.turned(turn)
            distance = egg_distance(u, v, long_um, wide_um, 2.0)
            grain = np.exp(-((u - 0.25 * long_um) ** 2 + (v - 0.2 * wide_um) ** 2) / 0.5)
            od = bright + rim * np.exp(-(((distance + 0.2) / 0.5) ** 2)) + 0.2 * grain
            tint = _tint(rng, (0.85, 0.95, 0.95), (1.0, 1.05, 1.2))
            scene.lay(patch, PRINT, distance, od, tint, "other", albedo=0.6, relief_um=2.0)
        turn += rng.uniform(0, 6)
        x, y = x + 2.1 * half * np.cos(turn), y + 2.1 * half * np.sin(turn)


def lay_dust(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay a grain of soot, glass-like sand, a salt crystal or a small smooth seed of dust."""
    sort = rng.choice(["soot", "sand", "salt", "seed"])
    radius = float(np.clip(2.6 * np.exp(rng.normal(0, 0.5)), 0.8, 14))
    if sort == "seed":
        radius = float(rng.uniform(2.0, 4.0))
    patch = scene.patch(x, y, 1.3 * radius + 3)
    halo: Array | float = 0.0
    if sort == "seed":
        u, v = patch.turned(rng.uniform(0, np.pi))
        # A drop shape, broad at one end: no spore has ends that differ.
        wide = radius * rng.uniform(0.5, 0.8)
        distance = egg_distance(u, v / (1 + 0.4 * np.clip(u / radius, -1, 1)), radius, wide, 2.0)
        od = rng.uniform(0.4, 1.1) * (1 - 0.3 * np.exp(-(v**2) / 0.8))
        tint = _tint(rng, (0.6, 0.95, 1.0), (1.0, 1.05, 1.7))
    else:
        sides = 4 if sort == "salt" else int(rng.integers(4, 9))
        distance = _shard(rng, patch, radius, sides, 0.12 if sort == "soot" else 0.02)
        edge = np.exp(-(((distance + 0.3) / 0.6) ** 2))
        od = (
            np.full_like(distance, rng.uniform(0.5, 1.5))
            if sort == "soot"
            else rng.uniform(0.2, 0.7) * edge - 0.05
        )
        tint = _tint(rng, (0.85, 0.95, 0.95), (1.0, 1.05, 1.25))
        if sort != "soot":
            halo = np.asarray(-0.06 * np.exp(-((distance / 1.2) ** 2)), np.float32)
    sheet = int(rng.choice([DEEP, PRINT, PRINT, TAPE]))
    albedo = 0.15 if sort == "soot" else 0.7
    scene.lay(patch, sheet, distance, od, tint, "dust", outside_od=halo, albedo=albedo, relief_um=radius)


def lay_pollen(rng: np.random.Generator, scene: Scene, x: float, y: float) -> None:
    """Lay a round pollen grain with a thick wall: smooth, spiny or with three pores."""
    radius = float(np.clip(10 * np.exp(rng.normal(0, 0.3)), 5.5, 24))
    patch = scene.patch(x, y, 1.35 * radius + 3)
    u, v = patch.turned(rng.uniform(0, 2 * np.pi))
    distance: np.ndarray = egg_distance(u, v, radius, radius * rng.uniform(0.88, 1), 2.0)
    around = np.arctan2(v, u)
    tint = _tint(rng, (0.2, 0.85, 1.3), (0.6, 1.0, 2.4))
    wall, body = rng.uniform(0.2, 0.6), rng.uniform(0.08, 0.4)
    sort = rng.choice(["smooth", "spiny", "pores"])
    thick = rng.uniform(0.6, 1.6)
    if sort == "spiny":
        distance = distance - 0.13 * radius * np.clip(np.cos(around * int(rng.integers(11, 19))), 0.2, 1)
    od = body + wall * np.exp(-(((distance + thick) / thick) ** 2))
    dots = np.sin(u * 5 / thick / 2) * np.sin(v * 5 / thick / 2)
    od = od + (0.25 * body * dots if sort != "smooth" else 0.0)
    if sort == "pores":
        pores = (
            np.clip(np.cos(3 * around) - 0.8, 0, 1) * 5 * np.exp(-(((distance + 1) / (0.25 * radius)) ** 2))
        )
        od = od * (1 - 0.7 * np.clip(pores, 0, 1))
    scene.lay(patch, PRINT, distance, od, tint, "pollen", relief_um=radius)


SMALL_THINGS: dict[str, Callable[[np.random.Generator, Scene, float, float], None]] = {
    "droplet": lay_droplet,
    "mould": lay_mould,
    "yeast": lay_yeast,
    "dust": lay_dust,
    "pollen": lay_pollen,
    "hair": partial(lay_thread, kind="hair"),
    "fibre": partial(lay_thread, kind="fibre"),
    "stump": partial(lay_thread, kind="stump"),
    "bubble": lay_bubble,
    "crossing": lay_crossing,
}

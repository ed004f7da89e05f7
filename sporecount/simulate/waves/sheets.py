"""Large things: the ground, glue, scales, hairs, fibres and bubbles, drawn on the photo's own grid."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.waves.bodies import TINTS, clouds, mixed_tint
from sporecount.simulate.waves.optics import Floats, slope_of
from sporecount.simulate.waves.scene import GROUND, PRINT, TAPE, Scene, Window, tiles


@dataclass(frozen=True)
class ScaleLook:
    """One sort of butterfly scale on a print."""

    tint: NDArray[np.float32]
    density: float
    pitch_um: float
    ridge: float
    path_um: float
    teeth: int
    tooth_um: float
    base: float
    shoulder: float
    mottle: float
    grain_um: float
    rib: float
    rim: float


def draw_scale_look(rng: np.random.Generator) -> ScaleLook:
    """Draw a sort of scale: orange, brown, black, white or pale."""
    sort = str(rng.choice(["orange", "brown", "black", "white", "pale"], p=[0.3, 0.22, 0.2, 0.14, 0.14]))
    names, low, high = {
        "orange": (("rust", "amber"), 0.22, 0.7),
        "brown": (("brown", "soot"), 0.3, 0.9),
        "black": (("soot", "brown"), 0.6, 1.5),
        "white": (("grey", "grey"), 0.05, 0.25),
        "pale": (("yellow", "grey", "amber"), 0.05, 0.22),
    }[sort]
    return ScaleLook(
        tint=mixed_tint(rng, *names),
        density=float(rng.uniform(low, high)),
        pitch_um=float(rng.uniform(1.5, 3.0)),
        ridge=float(rng.uniform(0.2, 0.9)),
        path_um=float(rng.uniform(0.05, 0.4)),
        teeth=int(rng.integers(0, 7)),
        tooth_um=float(rng.uniform(3, 22)),
        base=float(rng.uniform(0.3, 0.9)),
        shoulder=float(rng.uniform(0.5, 0.85)),
        mottle=float(0.01 + 0.19 * rng.random() ** 2),
        grain_um=float(rng.uniform(4, 30)),
        rib=float(rng.uniform(0, 0.28)),
        rim=float(rng.uniform(0, 0.5)),
    )


def lay_scale(
    rng: np.random.Generator, scene: Scene, look: ScaleLook, x_px: float, y_px: float,
    length_um: float, width_um: float, angle: float, torn: float,
) -> None:  # fmt: skip
    """Lay a scale with its stalk towards -u; `torn` is the share of it that a ragged tear took."""
    box = scene.window(x_px, y_px, 0.62 * np.hypot(length_um, width_um) / scene.px_um)
    if box is None:
        return
    u, v = scene.local(box, x_px, y_px, angle)
    v = v - np.float32(rng.normal(0, 0.06) / length_um) * u * u
    s = np.clip(u / np.float32(length_um) + 0.5, 0, 1)
    shape = (1 - (1 - np.minimum(s / look.base, 1)) ** 2) ** look.shoulder * (
        1 - rng.uniform(0, 0.25) * s * s
    )
    across = v / np.float32(width_um)
    saw = np.abs(((across * max(look.teeth, 1) + 0.25) % 1) * 2 - 1) if look.teeth > 1 else 0 * across
    rounded = rng.uniform(8, 40) * np.abs(2 * across) ** rng.uniform(2, 3.5)
    end = np.float32(length_um / 2) - np.float32(look.tooth_um) * saw - rounded
    inside = np.minimum(np.float32(width_um / 2) * shape - np.abs(v), end - u)
    inside = np.minimum(inside, u + np.float32(length_um / 2))
    stalk = np.minimum(np.float32(1.8) - np.abs(v), np.minimum(u + np.float32(0.57 * length_um), -u))
    inside = np.maximum(inside, stalk)
    if torn > 0:
        turn = rng.uniform(0, 2 * np.pi)
        reach = np.abs(np.cos(turn)) * length_um + np.abs(np.sin(turn)) * width_um
        tear = (0.5 - torn) * reach - (u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn)))
        inside = np.minimum(inside, tear + np.float32(4) * clouds(rng, u.shape, 12 / scene.px_um, 3))
    cover = np.clip(inside / np.float32(scene.px_um) + 0.5, 0, 1)
    # Ridges finer than two pixels would beat with the grid: the eyepiece shows them as plain grey.
    fine = float(np.exp(-((0.9 * scene.px_um / look.pitch_um) ** 2) * 4))
    pitch = np.float32(look.pitch_um)
    ridges = np.float32(fine) * np.cos(2 * np.pi * v / (pitch * (0.55 + 0.45 * shape)))
    ribs = np.float32(look.rib * fine) * np.cos(2 * np.pi * u / (pitch * np.float32(0.8)))
    mottle = 1 + look.mottle * clouds(rng, u.shape, look.grain_um / scene.px_um, 2)
    mottle += float(rng.normal(0, 0.25)) * (s - 0.5)
    near_rim = np.exp(-np.clip(inside, 0, None) / np.float32(2.5))
    mottle *= 1 + look.ridge * (ridges + ribs)
    amount = look.density * cover * np.clip(mottle + look.rim * near_rim, 0.05, 3)
    # The membrane is thin at its edge: a path that stepped within a pixel would turn any scale's edge black.
    path = cv2.GaussianBlur(cover, (0, 0), max(0.3, 0.7 / scene.px_um)) * (look.path_um * (1 + 0.25 * ridges))
    scene.lay(box, PRINT, "scale" if torn < 0.45 else "scale piece", cover, amount[..., None] * look.tint,
              path.astype(np.float32), float(rng.uniform(0.45, 0.9)))  # fmt: skip


def _distance(
    scene: Scene, line_um: NDArray[np.float64], reach_um: float
) -> tuple[Window, Floats, Floats] | None:
    """Distance from a bent line and how far along it (0 to 1), in the window around it; places are in µm."""
    px = scene.px_um
    low, high = line_um.min(axis=0) - reach_um, line_um.max(axis=0) + reach_um
    x0, y0 = np.maximum((low / px).astype(int), 0)
    x1, y1 = np.minimum((high / px).astype(int) + 2, scene.shape[::-1])
    if x1 - x0 < 3 or y1 - y0 < 3:
        return None
    away = np.full((y1 - y0, x1 - x0), np.float32(2 * reach_um + 10))
    along = np.zeros_like(away)
    n = len(line_um) - 1
    for k in range(n):
        a, b = line_um[k], line_um[k + 1]
        lo = np.floor((np.minimum(a, b) - reach_um) / px).astype(int) - [x0, y0]
        hi = np.ceil((np.maximum(a, b) + reach_um) / px).astype(int) + 1 - [x0, y0]
        lo, hi = np.maximum(lo, 0), np.minimum(hi, away.shape[::-1])
        if (hi <= lo).any():
            continue
        part = (slice(lo[1], hi[1]), slice(lo[0], hi[0]))
        dx = (np.arange(lo[0], hi[0], dtype=np.float32)[None] + x0) * np.float32(px) - np.float32(a[0])
        dy = (np.arange(lo[1], hi[1], dtype=np.float32)[:, None] + y0) * np.float32(px) - np.float32(a[1])
        ex, ey = np.float32(b[0] - a[0]), np.float32(b[1] - a[1])
        t = np.clip((dx * ex + dy * ey) / (ex * ex + ey * ey + np.float32(1e-9)), 0, 1)
        far = np.hypot(dx - t * ex, dy - t * ey)
        nearer = far < away[part]
        away[part][nearer] = far[nearer]
        along[part][nearer] = ((k + t) / n)[nearer]
    return (slice(y0, y1), slice(x0, x1)), away, along


def _path(
    rng: np.random.Generator, x_um: float, y_um: float, length_um: float, bend: float, steps: int
) -> NDArray[np.float64]:
    # Curvature changes gradually: no kinks.
    knots = rng.normal(0, 1.3 * bend, 9) + rng.normal(0, 0.5 * bend)
    turning = np.interp(np.linspace(0, 8, steps), np.arange(9), knots) * 26 / steps
    way = rng.uniform(0, 2 * np.pi) + np.cumsum(turning)
    moves = np.stack([np.cos(way), np.sin(way)], axis=1) * length_um / steps
    line = np.vstack([[0, 0], np.cumsum(moves, axis=0)])
    return line - line.mean(axis=0) + [x_um, y_um]


def lay_thread(
    rng: np.random.Generator,
    scene: Scene,
    x_px: float,
    y_px: float,
    *,
    kind: str,
    length_um: float,
    half_um: float,
) -> None:
    """Lay a hair (tapered, dark rims), a fibre (flat, twisted, pale or dyed) or a mould thread ("other")."""
    fibre = kind == "fibre"
    px = scene.px_um
    steps = 64 if length_um > 80 else 12
    bend = float(rng.uniform(0.03, 0.22) if fibre else rng.uniform(0.01, 0.07))
    line = _path(rng, x_px * px, y_px * px, length_um, bend, steps)
    found = _distance(scene, line, 1.6 * half_um + 2 * px)
    if found is None:
        return
    box, away_all, along_all = found
    turns, turn, wane = rng.uniform(1, 5), rng.uniform(0, 6), rng.uniform(0.8, 2.5)
    dark = float(np.exp(rng.uniform(np.log(0.08), np.log(0.9))))
    index = rng.uniform(0.01, 0.045) if fibre else rng.uniform(0.01, 0.06)
    sheet, solid = (TAPE if rng.random() < 0.5 else PRINT), float(rng.uniform(0.3, 0.8))
    if fibre:
        dyed = rng.random() < 0.15
        tint = mixed_tint(rng, "blue", "soot", "rust") if dyed else mixed_tint(rng, "grey", "yellow")
        dark = rng.uniform(0.1, 0.5) if dyed else rng.uniform(0.0, 0.13)
    else:
        tint = (
            mixed_tint(rng, "brown", "amber", "soot") if kind == "hair" else mixed_tint(rng, "olive", "grey")
        )
    strands = rng.uniform(1.5, 5)
    for part, inner in tiles(away_all < half_um + px):
        away, along = away_all[part], along_all[part]
        if fibre:
            # A flat ribbon shows now its face, now its edge.
            half = half_um * (0.72 + 0.28 * np.cos(2 * np.pi * turns * along + turn))
        else:
            half = half_um * (1 - 0.75 * along**wane)
        cover = np.clip((half - away) / px + 0.5, 0, 1)
        thick = 2 * np.sqrt(np.clip(half**2 - away**2, 0, None))
        if fibre:
            shape = cover * (1 + 0.8 * np.exp((away - half).clip(None, 0) / (0.25 * half_um)))
            amount = dark * shape * (1 + 0.3 * np.cos(strands * away + 40 * along))
            path = index * np.minimum(thick, half_um)
        else:
            amount = dark * thick / (2 * half_um)
            path = index * thick
        top, left = (b.start + p.start for b, p in zip(box, part, strict=True))
        rows, cols = slice(top, top + away.shape[0]), slice(left, left + away.shape[1])
        own = tuple(slice(i.start - p.start, i.stop - p.start) for i, p in zip(inner, part, strict=True))
        scene.lay(
            (rows, cols), sheet, kind, cover, amount[..., None] * tint, path, solid, inner=(own[0], own[1])
        )


def lay_bubble(rng: np.random.Generator, scene: Scene, x_px: float, y_px: float, size_um: float) -> None:
    """Lay an air bubble in the adhesive: a lens that spreads light, black at its steep rim."""
    box = scene.window(x_px, y_px, 0.75 * size_um / scene.px_um + 3)
    if box is None:
        return
    u, v = scene.local(box, x_px, y_px, float(rng.uniform(0, np.pi)))
    long = np.float32(rng.uniform(1, 1.35))
    turn = np.arctan2(v, u)
    waves = np.cos(3 * turn + rng.uniform(0, 6)) + rng.uniform(-1, 1) * np.cos(2 * turn)
    wavy = 1 + rng.uniform(0, 0.035) * waves
    r = np.hypot(u / long, v) / (0.5 * size_um * wavy)
    flat = rng.uniform(1.5, 2.5) if size_um < 30 else rng.uniform(2, 9)
    height = min(size_um * rng.uniform(0.12, 0.35), 14.0)
    path = -0.47 * height * np.clip(1 - np.abs(r) ** np.float32(flat), 0, None)
    cover = np.clip((1 - r) * 0.5 * size_um / scene.px_um + 0.5, 0, 1).astype(np.float32)
    density = np.zeros((*r.shape, 3), np.float32)
    # Fresnel reflection at two faces takes a few percent.
    density += np.float32(0.03) * cover[..., None]
    scene.lay(box, TAPE, "bubble", cover, density, path.astype(np.float32), float(rng.uniform(0.0, 0.35)))


def lay_glue(rng: np.random.Generator, scene: Scene, slope: float) -> None:
    """Lay the adhesive's own relief: lumps, a pitted skin, streaks along the tape; `slope` is path over length."""
    box = (slice(0, scene.shape[0]), slice(0, scene.shape[1]))
    grain = rng.uniform(8, 90) / scene.px_um
    relief = clouds(rng, scene.shape, grain, 3)
    sort = rng.choice(["lumps", "pits", "ridges", "streaks"])
    if sort == "pits":
        relief = -np.clip(relief - rng.uniform(0.3, 1.2), 0, None)
    elif sort == "ridges":
        relief = -(np.abs(relief) ** np.float32(0.7))
    elif sort == "streaks":
        tall = clouds(rng, (scene.shape[1], 40), max(grain / 2, 6.0), 2)
        streaks = cv2.resize(tall.T.copy(), scene.shape[::-1], interpolation=cv2.INTER_CUBIC)
        relief = (0.3 * relief + streaks).astype(np.float32)
    relief = np.asarray(cv2.GaussianBlur(relief, (0, 0), max(0.5, 0.8 / scene.px_um)), np.float32)
    # By slope and not by height: fine and coarse relief then bend the light alike.
    slope *= min(1.0, scene.optics.aperture / 0.25) * (0.6 if sort == "streaks" else 1)
    path = relief * np.float32(slope / max(float(slope_of(relief, scene.px_um).std()), 1e-6))
    dust = np.float32(0.012 * rng.random()) * np.clip(1 + clouds(rng, scene.shape, grain, 2), 0, 4)
    cover = np.ones(scene.shape, np.float32)
    scene.lay(box, PRINT, None, cover, dust[..., None] * np.array(TINTS["grey"], np.float32), path, 0.0)


def lay_ground(rng: np.random.Generator, scene: Scene, sort: str) -> Floats:
    """Give the ground's own light (lamp, unevenness), and lay the card's or paper's fibre mat."""
    rows, cols = scene.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : cols * 1j].astype(np.float32)
    way = rng.uniform(0, 2 * np.pi)
    uneven = rng.uniform(0, 0.3) * (x * np.cos(way) + y * np.sin(way))
    cx, cy = rng.normal(0, 0.25, 2)
    uneven = uneven - rng.uniform(0, 0.4) * ((x - cx) ** 2 + (y - cy) ** 2) / 1.6
    light = np.exp(uneven).astype(np.float32)[..., None] * np.ones(3, np.float32)
    patchy = rng.uniform(0, 0.03)
    light *= np.exp(patchy * clouds(rng, scene.shape, max(scene.shape) / 4, 2))[..., None]
    if sort == "glass":
        return light
    strength = rng.uniform(0.02, 0.1) * (1.0 if sort == "card" else 1.6)
    size = rng.uniform(15, 90) / scene.px_um
    mat = clouds(rng, scene.shape, size, 4)
    flow = rng.uniform(0, 1)
    if flow > 0.4:
        tall = clouds(rng, (rows, max(8, cols // 6)), max(size / 3, 1.5), 2)
        mat = 0.7 * mat + 0.5 * cv2.resize(tall, (cols, rows), interpolation=cv2.INTER_CUBIC)
    tint = (
        np.array(TINTS["grey"], np.float32) if rng.random() < 0.6 else np.array([0.7, 0.9, 1.4], np.float32)
    )
    density = np.clip(strength * (1.5 + mat), 0, 1.2)[..., None] * tint
    box = (slice(0, rows), slice(0, cols))
    scene.lay(box, GROUND, None, np.zeros(scene.shape, np.float32), density.astype(np.float32), None)
    if rng.random() < (0.35 if sort == "paper" else 0.12):
        _rule(rng, scene)
    return light


def _rule(rng: np.random.Generator, scene: Scene) -> None:
    """Lay a printed line or two of ruled paper, frayed as ink on fibres is."""
    box = (slice(0, scene.shape[0]), slice(0, scene.shape[1]))
    angle = float(rng.uniform(0, np.pi))
    tint = mixed_tint(rng, "blue", "soot")
    for k in range(int(rng.integers(1, 3))):
        x, y = rng.uniform(0.1, 0.9, 2) * scene.shape[::-1]
        _, v = scene.local(box, float(x), float(y), angle + k * np.pi / 2)
        wide = rng.uniform(15, 60)
        frayed = 0.8 * clouds(rng, scene.shape, 8 / scene.px_um, 2)
        ink = np.clip((wide - np.abs(v)) / np.float32(6) + frayed, 0, 1)
        density = (rng.uniform(0.1, 0.5) * ink)[..., None] * tint
        scene.lay(box, GROUND, "other", ink.astype(np.float32), density.astype(np.float32), None, 0.3)

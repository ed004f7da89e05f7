"""Looks of the spores of a print, where they sit, and how they are drawn: many at once, as distances."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.distances.canvas import MARGIN_PX, NUMBER, Canvas
from sporecount.simulate.distances.fields import Plane, lemon, smooth

Floats = NDArray[np.float64]

# Ranges of: body density, rim density, rim width (um), bright core, halo, dark ends, median line, inner ring.
FAMILIES: dict[str, tuple[tuple[float, float], ...]] = {
    "glassy": (
        (0.0, 0.05), (0.2, 0.45), (0.3, 0.55), (0.02, 0.14), (0.05, 0.20), (0, 0.05), (0, 0.04), (0, 0.03),
    ),
    "straw": (
        (0.06, 0.16), (0.14, 0.34), (0.4, 0.8), (0.02, 0.12), (0.0, 0.07), (0, 0.08), (0, 0.06), (0, 0.05),
    ),
    "amber": (
        (0.16, 0.36), (0.16, 0.42), (0.4, 1.0), (0.05, 0.22), (0.0, 0.08), (0, 0.12), (0, 0.08), (0, 0.08),
    ),
    "dark": (
        (0.55, 1.05), (0.1, 0.4), (0.5, 1.2), (0.0, 0.20), (0.0, 0.09), (0, 0.1), (0, 0.05), (0, 0.05),
    ),
    "ringed": (
        (0.1, 0.4), (0.2, 0.5), (0.4, 0.8), (0.25, 0.6), (0.0, 0.09), (0, 0.1), (0, 0.0), (0.08, 0.28),
    ),
    "tipped": (
        (0.08, 0.3), (0.12, 0.35), (0.4, 0.8), (0.05, 0.2), (0.0, 0.07), (0.35, 0.85), (0, 0.05), (0, 0.05),
    ),
    "lined": (
        (0.06, 0.34), (0.16, 0.4), (0.4, 0.8), (0.02, 0.12), (0.0, 0.07), (0, 0.1), (0.2, 0.5), (0, 0.05),
    ),
}  # fmt: skip
PART = ("body", "rim", "rim_um", "core", "halo", "tips", "line", "ring")


@dataclass(frozen=True)
class SporeLook:
    """How the spores of one print look; densities are those of blue-green light.

    Parameters
    ----------
    family : str
    part : dict
        Strength of each of `PART`.
    tint, rim_tint : ndarray of shape (3,)
        Density of red, green and blue by the density of green.
    length_um, aspect, spread : float
        Middle of the print, and the relative spread between its spores.
    bulge, nib : float
        Outline; see `fields.lemon`.
    core_size : tuple of float
        Half axes of the bright core by those of the spore.
    glass : float
        How strongly core and halo change with focus.
    grain : float
        Mottling of the inside.
    """

    family: str
    part: dict[str, float]
    tint: Plane
    rim_tint: Plane
    length_um: float
    aspect: float
    spread: float
    bulge: float
    nib: float
    core_size: tuple[float, float]
    glass: float
    grain: float


def draw_look(rng: np.random.Generator, family: str | None = None, strength: float = 1.0) -> SporeLook:
    """Draw the look of a print's spores; some prints stand between two families."""
    names = list(FAMILIES)
    first = family or names[int(rng.choice(7, p=[0.14, 0.16, 0.24, 0.14, 0.12, 0.1, 0.1]))]
    second = names[int(rng.integers(7))]
    mix = rng.uniform(0.1, 0.4) if family is None and rng.random() < 0.3 else 0.0
    part = {
        name: float((1 - mix) * rng.uniform(*one) + mix * rng.uniform(*other))
        for name, one, other in zip(PART, FAMILIES[first], FAMILIES[second], strict=True)
    }
    for name in ("body", "rim"):
        part[name] *= strength
    warmth = rng.uniform(0.05, 0.35) if first == "glassy" else rng.uniform(0.35, 1.0)
    red, blue = 1 - rng.uniform(0.25, 0.7) * warmth, 1 + rng.uniform(0.5, 1.6) * warmth
    if first == "dark":
        red, blue = 1 - 0.35 * warmth, 1 + rng.uniform(0.1, 0.6) * warmth
    tint = np.array([red, 1, blue], np.float32)
    rim_tint = (tint - 1) * np.float32(rng.uniform(0.1, 0.9)) + 1
    return SporeLook(
        family=first,
        part=part,
        tint=tint,
        rim_tint=rim_tint.astype(np.float32),
        length_um=float(rng.uniform(9.6, 15.2)),
        aspect=float(rng.uniform(1.38, 1.7)),
        spread=float(rng.uniform(0.03, 0.08)),
        bulge=float(rng.uniform(0.56, 0.9)),
        nib=float(rng.choice([0.0, 1.0]) * rng.uniform(0.05, 0.13)),
        core_size=(float(rng.uniform(0.3, 0.65)), float(rng.uniform(0.25, 0.55))),
        glass=float(rng.uniform(0.03, 0.25)),
        grain=float(rng.uniform(0, 0.3) * (rng.random() < 0.5)),
    )


@dataclass(frozen=True)
class Spores:
    """Spores of one photo, in pixels of the undistorted scene; all arrays of shape (n,)."""

    x: Floats
    y: Floats
    length: Floats
    width: Floats
    angle: Floats
    clump: NDArray[np.int64]
    drawn_px: NDArray[np.int64] = field(compare=False)
    blur_um: Floats = field(compare=False)


def touching_groups(x: Floats, y: Floats, length: Floats, width: Floats, angle: Floats) -> NDArray[np.int64]:
    """Size of the group of touching ellipses that each belongs to; lengths in the unit of the places."""
    n = len(x)
    if n == 0:
        return np.zeros(0, np.int64)
    i, j = cKDTree(np.stack((x, y), 1)).query_pairs(float(length.max()) * 1.05, output_type="ndarray").T
    way = np.arctan2(y[j] - y[i], x[j] - x[i])

    def radius(k: NDArray[np.int64]) -> Floats:
        turn = way - angle[k]
        return np.asarray(0.5 / np.hypot(np.cos(turn) / length[k], np.sin(turn) / width[k]))

    near = np.hypot(x[j] - x[i], y[j] - y[i]) < (radius(i) + radius(j)) * 1.03
    i, j = i[near], j[near]
    _, label = connected_components(coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)), directed=False)
    return np.asarray(np.bincount(label)[label], np.int64)


def seat(
    rng: np.random.Generator,
    look: SporeLook,
    number: int,
    size_px: tuple[int, int],
    um_per_px: float,
    *,
    alone: float,
    group: float,
    squeeze: float,
) -> Spores:
    """Place spores singly and in grown groups.

    Parameters
    ----------
    rng : numpy.random.Generator
    look : SporeLook
    number : int
    size_px : tuple of int
        Width and height.
    um_per_px : float
    alone : float
        Share of the groups that hold one spore.
    group : float
        Mean size of the others.
    squeeze : float
        0 lays neighbours side by side, 1 piles them up.
    """
    length = np.clip(look.length_um * rng.normal(1, look.spread, number), 8.5, 17.0)
    aspect = np.clip(look.aspect * rng.normal(1, look.spread, number), 1.3, 1.8)
    width = length / aspect
    x, y = rng.uniform(-3, size_px[0] + 2, number), rng.uniform(-3, size_px[1] + 2, number)
    angle = rng.uniform(0, np.pi, number)
    flow = rng.uniform(0, np.pi)
    if rng.random() < 0.25:
        angle = (flow + rng.normal(0, 0.5, number)) % np.pi
    start = 0
    while start < number:
        size = 1 if rng.random() < alone else 2 + int(rng.exponential(max(group - 2, 0.3)))
        stop = min(start + size, number)
        for k in range(start + 1, stop):
            best = np.inf
            for _ in range(4):
                host = int(rng.integers(start, k))
                turn = float(
                    angle[host] + (rng.normal(0, 0.25) if rng.random() < 0.45 else rng.uniform(0, np.pi))
                )
                way = float(angle[host] + np.pi / 2 + rng.normal(0, 0.9) + np.pi * rng.integers(2))
                radii = [
                    0.5 / np.hypot(np.cos(way - t) / length[m], np.sin(way - t) / width[m])
                    for m, t in ((host, angle[host]), (k, turn))
                ]
                gap = sum(radii) * (1 - rng.uniform(0, 0.65) * squeeze) / um_per_px
                px, py = x[host] + gap * np.cos(way), y[host] + gap * np.sin(way)
                far = np.hypot(x[start:k] - px, y[start:k] - py) * um_per_px
                crowd = float(np.clip(1.1 * look.length_um / look.aspect - far, 0, None).sum())
                if crowd < best:
                    best, x[k], y[k], angle[k] = crowd, px, py, turn % np.pi
        start = stop
    groups = touching_groups(x * um_per_px, y * um_per_px, length, width, angle)
    return Spores(x, y, length, width, angle, groups, np.zeros(number, np.int64), np.zeros(number))


def shade(
    look: SporeLook, u: Plane, v: Plane, a: Plane, b: Plane,
    focus: Plane, depth: Plane, phase: Plane, px_um: float,
) -> tuple[Plane, Plane]:  # fmt: skip
    """Compute the density (…, 3) of spores and their cover over planes of u and v."""
    p = look.part
    d = lemon(u, v, a, b, look.bulge, look.nib)
    inside = np.clip(0.5 - d / np.float32(max(px_um, 0.15)), 0, 1)
    t = np.abs(u) / a
    rim_um = max(p["rim_um"], 0.3 * px_um)
    rim = np.exp(-0.5 * ((d + np.float32(0.9 * rim_um)) / np.float32(rim_um)) ** 2) * np.float32(
        p["rim_um"] / rim_um
    )
    thick = np.sqrt(np.clip(-d / b, 0, 1) * (2 - np.clip(-d / b, 0, 1)))
    core = np.exp(-(((u / (a * look.core_size[0])) ** 2 + (v / (b * look.core_size[1])) ** 2) ** 1.3))
    body = np.float32(p["body"]) * (np.float32(0.7) + np.float32(0.3) * thick)
    if look.grain > 0:
        wave = np.sin(u * 1.9 + phase * 7) * np.sin(v * 2.3 + phase * 11) + np.sin((u - v) * 1.3 + phase * 5)
        body = body * (1 + np.float32(0.5 * look.grain) * wave)
    body = body + np.float32(p["tips"]) * smooth(0.5, 0.95, t)
    streak = np.exp(-0.5 * (v / np.float32(max(0.35, 0.4 * px_um))) ** 2) * smooth(0.85, 0.6, t)
    body = body + np.float32(p["line"]) * streak
    ring = np.exp(-0.5 * ((-d / b - np.float32(0.55)) / np.float32(0.12)) ** 2)
    dark = np.float32(p["rim"]) * rim + np.float32(p["ring"]) * ring * inside
    # Below the plane of focus a spore gathers light in its middle, above it in a ring around.
    gather = np.float32(p["core"]) * (1 - 0.4 * np.abs(focus)) + np.float32(look.glass) * focus
    gather = np.minimum(gather, 0.62 * (p["body"] + p["rim"] * 0.3) + 0.1)
    outside = np.clip(d, 0, None)
    glow = (
        (np.float32(p["halo"]) - np.float32(0.5 * look.glass) * focus)
        * np.exp(-outside / 0.9)
        * smooth(0.0, 0.6, d)
    )
    fine = inside * (-gather * core) - glow * np.float32(0.8)
    od = depth[..., None] * (
        (body * inside)[..., None] * look.tint + dark[..., None] * look.rim_tint + fine[..., None]
    )  # fmt: skip
    return od.astype(np.float32), inside.astype(np.float32)


def lay_spores(rng: np.random.Generator, canvas: Canvas, look: SporeLook, spores: Spores, which: NDArray[np.int64],
               height_um: float) -> None:  # fmt: skip
    """Draw the spores `which` upon the canvas, and note their pixels and blur."""
    px = canvas.um_per_px
    fine = 1 if px < 0.55 else 2 if px < 1.1 else 3
    rows, cols = canvas.kinds.shape
    half = int(np.ceil((0.5 * 17 + 3.5) / px)) + 1
    line = np.arange(-half - 0.5 + 0.5 / fine, half + 0.5, 1 / fine).astype(np.float32) * np.float32(px)
    for first in range(0, len(which), 64):
        some = which[first : first + 64]
        cx, cy = np.round(spores.x[some]).astype(int), np.round(spores.y[some]).astype(int)
        dx = line[None, None, :] - ((spores.x[some] - cx) * px).astype(np.float32)[:, None, None]
        dy = line[None, :, None] - ((spores.y[some] - cy) * px).astype(np.float32)[:, None, None]
        turn = spores.angle[some].astype(np.float32)[:, None, None]
        c, s = np.cos(turn), np.sin(turn)
        a, b = (0.5 * one[some].astype(np.float32)[:, None, None] for one in (spores.length, spores.width))
        at_y, at_x = np.clip(cy + MARGIN_PX, 0, rows - 1), np.clip(cx + MARGIN_PX, 0, cols - 1)
        dz = height_um + rng.normal(0, 0.8, len(some))
        z = canvas.focus.z_um[at_y, at_x] - dz
        spores.blur_um[some] = canvas.focus.total_um(
            np.maximum(np.abs(z), np.abs(canvas.focus.z_um[at_y, at_x]))
        )
        focus = np.clip(z / 6 + rng.normal(0, 0.12, len(some)), -1, 1).astype(np.float32)[:, None, None]
        depth = np.clip(rng.normal(1, 0.1, len(some)), 0.75, 1.3).astype(np.float32)[:, None, None]
        phase = rng.uniform(0, 1, (len(some), 1, 1)).astype(np.float32)
        od, inside = shade(look, c * dx + s * dy, c * dy - s * dx, a, b, focus, depth, phase, px / fine)
        if fine > 1:
            n, k = len(some), 2 * half + 1
            inside = inside.reshape(n, k, fine, k, fine).mean(axis=(2, 4))
            od = od.reshape(n, k, fine, k, fine, 3).mean(axis=(2, 4))
        for k, spore in enumerate(some):
            _paste(canvas, int(spore), cx[k] + MARGIN_PX - half, cy[k] + MARGIN_PX - half, od[k], inside[k],
                   canvas.extra_blur_px(spores.x[spore], spores.y[spore], dz[k]), spores)  # fmt: skip


def _paste(
    canvas: Canvas, spore: int, left: int, top: int, od: Plane, inside: Plane, blur_px: float, spores: Spores
) -> None:
    if blur_px > 0.25:
        od = np.asarray(cv2.GaussianBlur(od, (0, 0), blur_px))
    mine = inside > 0.5
    spores.drawn_px[spore] = max(int(mine.sum()), 1)
    rows, cols = canvas.kinds.shape
    r0, r1, c0, c1 = max(top, 0), min(top + len(od), rows), max(left, 0), min(left + len(od), cols)
    if r0 >= r1 or c0 >= c1:
        return
    box = slice(r0, r1), slice(c0, c1)
    part = slice(r0 - top, r1 - top), slice(c0 - left, c1 - left)
    od, mine, cut = od[part], mine[part], inside[part]
    light = canvas.light[box]
    if canvas.from_above:
        # Light passes a spore twice, and its wall throws a spot back towards the lamp.
        light *= 10.0 ** (-1.4 * np.maximum(od, -0.02))
        y, x = np.mgrid[box]
        reach = 1.6 / canvas.um_per_px
        at = [
            spores.x[spore] + MARGIN_PX + reach * np.cos(canvas.sun),
            spores.y[spore] + MARGIN_PX + reach * np.sin(canvas.sun),
        ]
        spot = np.exp(-0.5 * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / max(1.0 / canvas.um_per_px, 0.5) ** 2)
        light += (0.22 * spot * cut)[..., None].astype(np.float32)
        canvas.spore_od[box] += 1.4 * od[..., 1] - 0.1 * (spot * cut).astype(np.float32)
    else:
        light *= 10.0**-od
        canvas.spore_od[box] += od[..., 1]
    canvas.kinds[box][mine] = NUMBER["spore"]
    canvas.owner[box][mine] = spore

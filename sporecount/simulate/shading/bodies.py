"""Painted shading of rounded bodies, and the spores of a print."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.special import gamma

from sporecount.simulate.shading.canvas import Array, Canvas
from sporecount.simulate.shading.plan import Plan

Floats = NDArray[np.float64]
LUMA = np.array([0.3, 0.59, 0.11], np.float32)
TIP_SOFT = 0.1
"""How much the tips are rounded, as a share of the half width."""


@dataclass(frozen=True)
class Look:
    """How a rounded body is shaded; strengths are natural logarithms of light.

    A body absorbs (`tint`, `density`, less at its edge by `hollow`), has a dark border (`rim`), a light one
    around it (`halo`), a bright or dark `middle`, and lit flanks (`side`, `gloss`). Its outline is
    |u/a|^bend + |v/b|^point = 1: below 2 the ends are pointed.
    """

    tint: tuple[float, float, float]
    density: float
    hollow: float
    rim: float
    rim_um: float
    halo: float
    halo_um: float
    middle: float
    middle_size: float
    side: float
    gloss: float
    bend: float = 2.0
    point: float = 2.0


def draw_look(rng: np.random.Generator, plan: Plan) -> tuple[str, Look]:
    """One print's look of its spores: colourless, gold, amber or brown, with the focus that the photo has."""
    r = rng.uniform
    name = str(rng.choice(["colourless", "gold", "amber", "brown"], p=[0.25, 0.25, 0.3, 0.2]))
    ranges = {"colourless": (0.04, 0.14), "gold": (0.14, 0.35), "amber": (0.35, 0.8), "brown": (0.8, 1.7)}
    clear, above = name in ("colourless", "gold"), plan.from_above
    # Light from above shows pigment and gloss rather than bent light.
    bent = 0.4 if above else 1.0
    tint = (r(0.55, 0.85) if name == "brown" else r(0.3, 0.65), r(0.85, 1.05), r(1.3, 2.1))
    middle = r(0.08, 0.45) if rng.random() < (0.85 if clear else 0.6) else -r(0.0, 0.25)
    halo = r(0.0, 0.3) * (1 if rng.random() < 0.85 else -0.4)
    return name, Look(
        tint=tint,
        density=r(*ranges[name]) * (1.2 if above else 1),
        hollow=r(0.0, 0.6),
        rim=(r(0.35, 1.1) if clear else r(0.2, 0.9)) * bent,
        rim_um=r(0.35, 0.95) * plan.length_um / 12,
        halo=halo * bent,
        halo_um=r(0.5, 1.2),
        middle=middle * bent,
        middle_size=r(0.25, 0.65),
        side=r(0.15, 0.4) if above else 0.3 * rng.random() ** 3,
        gloss=r(0.2, 0.7) if above else 0.0,
        bend=r(1.9, 2.4),
        point=r(1.2, 1.8),
    )


def shade(
    look: Look,
    out_um: Array,
    radius: Array,
    flank: Array,
    spot: Array,
    cover: Array,
    strength: Array | float = 1.0,
) -> Array:
    """Light through a body, per channel.

    `out_um` is the distance from the outline (negative inside), `radius` goes from 0 in the middle to 1 at the
    border, `flank` is the cosine between the ways outwards and to the lamp, and `spot` the squared distance from
    where the lamp is mirrored, in body radii.
    """
    thick = np.sqrt(np.clip(1 - radius * radius, 0, 1))
    pigment = cover * look.density * ((1 - look.hollow) + look.hollow * thick)
    border = np.exp(-0.5 * ((out_um + 0.9 * look.rim_um) / look.rim_um) ** 2)
    lit = look.side * flank * np.exp(-0.5 * ((out_um + look.rim_um) / (2 * look.rim_um)) ** 2)
    grey = look.rim * border - lit
    grey -= look.halo * np.exp(-0.5 * ((out_um - look.halo_um) / (0.6 * look.halo_um)) ** 2)
    grey -= look.middle * cover * np.exp(-((radius / look.middle_size) ** 2))
    if look.gloss:
        grey -= look.gloss * cover * np.exp(-spot / 0.03)
        # The far side throws a short shadow on the ground.
        near = np.exp(-np.clip(out_um, 0, None) / 1.2)
        grey += 0.3 * look.gloss * (1 - cover) * np.clip(-flank, 0, 1) * near
    lost = pigment[..., None] * np.asarray(look.tint, np.float32) + grey[..., None]
    return np.exp(-np.asarray(strength, np.float32) * lost).astype(np.float32)


def outline(look: Look, u: Array, v: Array, a: Array | float, b: Array | float) -> tuple[Array, ...]:
    """Signed distance from a spore's outline (to first order), radius, and the direction outwards (u, v)."""
    # The softened |v| reaches the border a little early.
    long, wide = a / (1 - TIP_SOFT**look.point) ** (1 / look.bend), b * np.sqrt(1 + TIP_SOFT**2)
    us = np.abs(u) / long + 1e-4
    vs = np.sqrt(v * v + (TIP_SOFT * wide) ** 2) / wide
    level = us**look.bend + vs**look.point
    to_u = look.bend * us ** (look.bend - 1) / long * np.sign(u)
    to_v = look.point * vs ** (look.point - 2) * v / wide**2
    slope = np.sqrt(to_u**2 + to_v**2) + 1e-3
    power = 0.5 * (look.bend + look.point)
    out = (level - level ** (1 - 1 / power)) * power / slope
    return np.clip(out, -b, None), np.sqrt((u / a) ** 2 + (v / b) ** 2), to_u / slope, to_v / slope


def outline_area(look: Look, length: float, width: float) -> float:
    """Area within the outline, without the small loss at the rounded tips."""
    p, q = 1 / look.bend, 1 / look.point
    return float(length * width * gamma(1 + p) * gamma(1 + q) / gamma(1 + p + q))


@dataclass(frozen=True)
class Spores:
    """Where a print's spores lie on the canvas (pixels of the canvas, radians, micrometres)."""

    x: Floats
    y: Floats
    angle: Floats
    length_um: Floats
    width_um: Floats
    strength: Floats


def place_spores(rng: np.random.Generator, plan: Plan, view: tuple[float, float, float, float]) -> Spores:
    """Scatter spores over `view` (x, y, width, height), some beside or on others."""
    number, px = plan.spores, plan.um_per_px
    x0, y0, wide, high = view
    x, y = x0 + wide * rng.random(number), y0 + high * rng.random(number)
    # Prints are denser in some places than in others.
    x = np.where((rng.random() < 0.4) & (rng.random(number) < 0.4), x0 + (x - x0) * 0.6, x)
    angle, spread = rng.uniform(0, np.pi, number), rng.uniform(0.03, 0.075)
    length = np.clip(plan.length_um * (1 + spread * rng.normal(size=number)), 8.6, 16.9)
    aspect = np.clip(rng.uniform(1.38, 1.68) * (1 + 0.6 * spread * rng.normal(size=number)), 1.3, 1.8)
    piling, wanting = rng.uniform(0.45, 1.0), rng.random(number) < plan.clumping
    for k in range(1, number):
        if not wanting[k]:
            continue
        # A recent one or any: chains, sheets and heaps.
        friend = int(rng.integers(max(0, k - 6), k)) if rng.random() < 0.7 else int(rng.integers(k))
        way = rng.uniform(0, 2 * np.pi)
        off = length[k] / px * rng.uniform(0.55, 0.98) * (piling if rng.random() < 0.4 else 1.0)
        x[k] = np.clip(x[friend] + off * np.cos(way), x0, x0 + wide - 1)
        y[k] = np.clip(y[friend] + off * np.sin(way), y0, y0 + high - 1)
        angle[k] = (angle[friend] + rng.normal(0, 0.25)) % np.pi if rng.random() < 0.4 else angle[k]
    order = rng.permutation(number)
    strength = np.clip(1 + rng.uniform(0.03, 0.18) * rng.normal(size=number), 0.6, 1.5)
    return Spores(x[order], y[order], angle[order], length[order], (length / aspect)[order], strength)


def lay_spores(canvas: Canvas, look: Look, spores: Spores, first: int, last: int) -> None:
    """Paint the spores from `first` to before `last`, some dozens at a time."""
    px = canvas.px_um
    fine = int(np.clip(np.ceil(px / 0.25), 1, 6))
    rows, cols = canvas.kinds.shape
    for start in range(first, last, 48):
        part = slice(start, min(start + 48, last))
        lines = np.array([spores.length_um / 2, spores.width_um / 2, spores.angle], np.float32)
        a, b, turn = lines[:, part, None, None]
        half = int(np.ceil((a.max() + 2.5) / px))
        size = 2 * half + 1
        cx, cy = np.rint(spores.x[part]).astype(int), np.rint(spores.y[part]).astype(int)
        steps = ((np.arange(size * fine) + 0.5) / fine - 0.5 - half).astype(np.float32)
        dx = ((steps[None, :] - (spores.x[part] - cx)[:, None]) * px).astype(np.float32)[:, None, :]
        dy = ((steps[None, :] - (spores.y[part] - cy)[:, None]) * px).astype(np.float32)[:, :, None]
        cos, sin = np.cos(turn), np.sin(turn)
        u, v = cos * dx + sin * dy, cos * dy - sin * dx
        out, radius, nu, nv = outline(look, u, v, a, b)
        lamp_x, lamp_y = canvas.lamp
        lamp_u, lamp_v = cos * lamp_x + sin * lamp_y, cos * lamp_y - sin * lamp_x
        flank = nu * lamp_u + nv * lamp_v
        spot = (u / a - 0.4 * lamp_u) ** 2 + (v / b - 0.4 * lamp_v) ** 2
        cover = np.clip(0.5 - out * (fine / px), 0, 1)
        strength = np.asarray(spores.strength[part], np.float32)[:, None, None, None]
        through = shade(look, out, radius, flank, spot, cover, strength)
        through = through.reshape(-1, size, fine, size, fine, 3).mean((2, 4))
        cover = cover.reshape(-1, size, fine, size, fine).mean((2, 4))
        for k in range(len(cx)):
            left, top = cx[k] - half, cy[k] - half
            x0, x1, y0, y1 = max(left, 0), min(left + size, cols), max(top, 0), min(top + size, rows)
            if x0 >= x1 or y0 >= y1:
                continue
            cut = slice(y0 - top, y1 - top), slice(x0 - left, x1 - left)
            window = slice(y0, y1), slice(x0, x1)
            canvas.lay(window, through[k][cut], cover[k][cut], "spore", 1.0, start + k, float(cover[k].sum()))


def shown_contrast(look: Look, lamp: Array, length: float, width: float, blurs_um: Floats) -> Floats:
    """Mean optical density of a lone spore over its surroundings, and its root mean square, for each blur."""
    px, reach = 0.25, 4 * length
    steps = np.arange(-reach / 2, reach / 2, px, dtype=np.float32)
    u, v = steps[None, :], steps[:, None]
    out, radius, nu, nv = outline(look, u, v, length / 2, width / 2)
    spot = (2 * u / length - 0.4 * lamp[0]) ** 2 + (2 * v / width - 0.4 * lamp[1]) ** 2
    cover = np.clip(0.5 - out / px, 0, 1)
    light = shade(look, out, radius, nu * lamp[0] + nv * lamp[1], spot, cover) @ LUMA
    inside, around = out < 0, (out > 1.5) & (out < 4)
    shown = []
    for blur in blurs_um:
        density = -np.log10(cv2.GaussianBlur(light, (0, 0), float(blur) / px))
        over = density[inside] - density[around].mean()
        shown.append((over.mean(), np.sqrt((over**2).mean())))
    return np.array(shown).T


def touching(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Size of the touching group that each spore belongs to."""
    number = len(spores.x)
    places = np.column_stack([spores.x, spores.y]) * px_um
    pairs = cKDTree(places).query_pairs(float(spores.length_um.max()), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    apart = places[j] - places[i]
    way = np.arctan2(apart[:, 1], apart[:, 0])

    def reach(k: NDArray[np.int64]) -> Floats:
        a, b, turn = spores.length_um[k] / 2, spores.width_um[k] / 2, way - spores.angle[k]
        return a * b / np.hypot(b * np.cos(turn), a * np.sin(turn))

    near = np.hypot(apart[:, 0], apart[:, 1]) < 1.03 * (reach(i) + reach(j))
    links = coo_matrix((np.ones(near.sum()), (i[near], j[near])), shape=(number, number))
    label = connected_components(links, directed=False)[1]
    return np.bincount(label)[label]

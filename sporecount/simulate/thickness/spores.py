"""Spores of one print: how they look, where they lie, and which of them a careful person could count."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.thickness.fields import Array, Dice, Rows, lemon, lemon_half_width
from sporecount.simulate.thickness.phone import Phone
from sporecount.simulate.thickness.stage import MARGIN_PX, Material, Stage
from sporecount.simulate.truth import KIND_NAMES, SporeTruth

_TINTS = np.array([(0.34, 0.75, 1.45), (0.62, 0.9, 1.25), (0.8, 0.95, 1.1), (0.2, 0.62, 1.6)])
"""Amber, brown, grey, gold."""


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print have in common; wall and inside differ in colour."""

    length_um: float
    aspect: float
    spread: float
    point: float
    wall_um: float
    wall: Material
    inside: Material
    heart: float


@dataclass(frozen=True)
class Spores:
    """Spores of a photo, one row each; `plane` is the one each lies on."""

    x_px: Rows
    y_px: Rows
    angle: Rows
    length_um: Rows
    width_um: Rows
    plane: NDArray[np.int64]


def draw_look(dice: Dice) -> SporeLook:
    """Draw the look of a print's spores: tint, wall, points, darkness."""
    length, aspect = dice.even(9, 16), dice.even(1.38, 1.7)
    point, wall_um = dice.even(0.52, 0.88), dice.even(0.45, 1.1)
    tint = dice.rng.dirichlet([2.4, 1.2, 0.3, 0.8]) @ _TINTS
    # Mean loss over the outline: pale prints lose little, dark ones more than half of the green light.
    mean_loss, in_wall = dice.log(0.24, 1.15), dice.even(0.45, 0.92)
    u, v = (x.astype(np.float32) for x in np.meshgrid(np.linspace(-9, 9, 73), np.linspace(-6, 6, 49)))
    a, b = length / 2, length / 2 / aspect
    whole, inner = lemon(u, v, a, b, point), lemon(u, v, a - wall_um, b - wall_um, point)
    wall = mean_loss * in_wall / float((whole - inner)[whole > 0].mean()) * tint
    inside = mean_loss * (1 - in_wall) / float(inner[whole > 0].mean()) * (0.5 * tint + 0.5)
    return SporeLook(
        length, aspect, dice.even(0.03, 0.08), point, wall_um,
        Material(tuple(wall.tolist()), dice.even(0.015, 0.06)),
        Material(tuple(inside.tolist()), dice.even(-0.01, 0.035)), dice.pick([0.0, 0.0, -0.5, 0.7]),
    )  # fmt: skip


def lay_spores(dice: Dice, stage: Stage, look: SporeLook, spores: Spores, which: NDArray[np.int64]) -> None:
    """Draw some of the spores, in order; number i + 1 of the owner map is row i."""
    for i in which:
        a, b = float(spores.length_um[i]) / 2, float(spores.width_um[i]) / 2
        shade = dice.log(0.8, 1.25)
        frame = stage.frame(spores.x_px[i], spores.y_px[i], spores.angle[i], a, b)
        if frame is None:
            continue
        u, v = frame.u, frame.v
        whole = lemon(u, v, a, b, look.point)
        inner = lemon(u, v, a - look.wall_um, b - look.wall_um, look.point)
        if look.heart:
            inner *= 1 + look.heart * np.exp(-((u / (0.35 * a)) ** 2) - (v / (0.4 * b)) ** 2)
        stage.claim_spore(frame.box, int(i) + 1, whole > 0)
        stage.add(frame.box, int(spores.plane[i]), whole - inner, look.wall.times(shade))
        stage.add(frame.box, int(spores.plane[i]), inner, look.inside.times(shade))


def _reach(turn: float, length: float, width: float) -> float:
    return 0.5 / float(np.hypot(np.cos(turn) / length, np.sin(turn) / width))


def seat(
    dice: Dice, look: SporeLook, total: int, view: tuple[int, int], px: float, alone: float, mean: float
) -> Spores:
    """Give spores their places: groups grow by setting each new one against one that lies there.

    `alone` is the share of single ones among the groups, `mean` the mean size of the others.
    """
    rows: list[tuple[float, float, float, float, float]] = []
    cells: dict[tuple[int, int], list[int]] = {}
    cell, piled, aligned = (
        20 / px,
        dice.even(0.05, 0.5) if alone < 0.5 else dice.even(0, 0.25),
        dice.even(0, 0.5),
    )
    # Places that draw the groups.
    gathers = [(dice.rng.uniform(0, 1, 2) * view, dice.even(15, 110) / px) for _ in range(dice.whole(0, 6))]

    def crowded(x: float, y: float, least: float) -> bool:
        i, j = int(x // cell), int(y // cell)
        near = (k for p in (i - 1, i, i + 1) for q in (j - 1, j, j + 1) for k in cells.get((p, q), ()))
        return any(np.hypot(x - rows[k][0], y - rows[k][1]) < least for k in near)

    while len(rows) < total:
        first = len(rows)
        size = 1 if dice.chance(alone) else 1 + int(dice.rng.geometric(1 / max(mean * dice.log(0.3, 3), 1)))
        for _ in range(min(size, total - first)):
            length = float(np.clip(dice.bell(1, look.spread) * look.length_um, 8.5, 17))
            width = length / float(np.clip(dice.bell(look.aspect, 0.05), 1.3, 1.8))
            angle, x, y = dice.even(0, np.pi), 0.0, 0.0
            for attempt in range(12):
                if len(rows) == first:
                    x, y = dice.rng.uniform(0, 1, 2) * view
                    if gathers and dice.chance(0.6):
                        place, spread = dice.pick(gathers)
                        x, y = dice.rng.normal(place, spread)
                    least = (1.02 if attempt < 6 else 0.5) * length / px
                else:
                    ox, oy, turned, long, wide = rows[dice.whole(first, len(rows) - 1)]
                    angle = (turned + dice.bell(0, 0.15)) % np.pi if dice.chance(aligned) else angle
                    way, deep = dice.way(), dice.chance(piled)
                    apart = (_reach(way - angle, length, width) + _reach(way - turned, long, wide)) / px
                    apart *= dice.even(0.5, 0.9) if deep else dice.even(0.93, 1.04)
                    x, y = ox + apart * np.cos(way), oy + apart * np.sin(way)
                    least = (0.4 if deep else 0.82) * width / px
                if not crowded(x, y, least):
                    break
            cells.setdefault((int(x // cell), int(y // cell)), []).append(len(rows))
            rows.append((float(x), float(y), angle, length, width))
    table = np.array(rows, dtype=float).reshape(-1, 5).T
    return Spores(table[0], table[1], table[2], table[3], table[4], np.zeros(len(rows), np.int64))


def outline_px(spores: Spores, point: float, um_per_px: float, scale: float) -> tuple[Rows, Rows]:
    """28 points of each outline, grown by a factor, (n, 28) in x and y."""
    turn = (np.arange(28) + 0.5) * 2 * np.pi / 28
    wide = lemon_half_width(np.cos(turn), 1.0, 1.0, point) * np.sign(np.sin(turn))
    u, v = np.outer(spores.length_um / 2, np.cos(turn)) * scale, np.outer(spores.width_um / 2, wide) * scale
    c, s = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    return spores.x_px[:, None] + (u * c - v * s) / um_per_px, spores.y_px[:, None] + (
        u * s + v * c
    ) / um_per_px


def touching(spores: Spores, point: float, px: float, gap_um: float = 0.4) -> NDArray[np.int64]:
    """Return the size of each spore's touching group."""
    n, xy = len(spores.x_px), np.stack([spores.x_px, spores.y_px], axis=1) * px
    pairs = cKDTree(xy).query_pairs(float(spores.length_um.max()) + gap_um, output_type="ndarray")
    one, other = np.concatenate([pairs, pairs[:, ::-1]]).T
    x, y = outline_px(spores, point, px, 1.0)
    dx, dy = (x[one] - spores.x_px[other, None]) * px, (y[one] - spores.y_px[other, None]) * px
    c, s = np.cos(spores.angle[other])[:, None], np.sin(spores.angle[other])[:, None]
    along = 2 * (dx * c + dy * s) / (spores.length_um[other] + 2 * gap_um)[:, None]
    wide = lemon_half_width(along, 1.0, 1.0, point) * (spores.width_um[other, None] / 2 + gap_um)
    meets = ((np.abs(dy * c - dx * s) < wide) & (np.abs(along) < 1)).any(axis=1)
    links = coo_array((np.ones(meets.sum()), (one[meets], other[meets])), shape=(n, n))
    label = connected_components(links, directed=False)[1]
    return np.bincount(label)[label]


def judge(
    stage: Stage, spores: Spores, point: float, linear: Array, inside: NDArray[np.bool_], phone: Phone
) -> tuple[SporeTruth, ...]:
    """Write the truth of each spore, judged on the light before noise.

    A spore counts when more than half of its outline can be followed: at that share of its rim the light
    steps from inside to outside by more than noise and the texture around it would.
    """
    n, px = len(spores.x_px), stage.optics.um_per_px
    if not n:
        return ()
    density: Any = -np.log10(np.clip(linear.mean(axis=2), 1e-3, None)).astype(np.float32)
    kinds = stage.kinds[stage.inner].astype(np.float32)

    def sample(image: Any, scale: float, how: int = cv2.INTER_LINEAR) -> Any:
        x, y = (one.astype(np.float32) for one in outline_px(spores, point, px, scale))
        return cv2.remap(image, x, y, how, borderMode=cv2.BORDER_REPLICATE)

    inner = np.stack([sample(density, scale) for scale in (0.2, 0.45, 0.65, 0.8, 0.93)])
    outer = np.stack([sample(density, scale) for scale in (1.15, 1.4, 1.7, 2.0)])
    spore = [
        sample(kinds, scale, cv2.INTER_NEAREST) == KIND_NAMES.index("spore") for scale in (1.4, 1.7, 2.0)
    ]
    free = np.where(spore, np.nan, outer[1:]).transpose(1, 0, 2).reshape(n, -1)
    # In the midst of a heap there is no free ground: what shines brightest around it must do.
    few = np.isfinite(free).sum(axis=1) < 8
    free[few] = outer[1:].transpose(1, 0, 2).reshape(n, -1)[few]
    low, middle, high = np.nanpercentile(free, [25, 50, 75], axis=1)
    ground = np.where(few, low, middle)
    # The mean over a lemon from samples on grown outlines: each stands for a ring of its own area.
    contrast = np.diff(np.array([0, 0.33, 0.55, 0.725, 0.865, 1.0]) ** 2) @ inner.mean(axis=2) - ground
    noise = np.array([phone.noise(float(10**-one)) for one in ground]) * 0.434
    least = np.maximum.reduce([0.018 + 0.35 * noise, 0.5 * (high - low), 0.28 * contrast])
    followed = (inner[2:].max(axis=0) - outer[:2].min(axis=0) > least[:, None]).mean(axis=1)
    x, y = np.round(spores.x_px).astype(int), np.round(spores.y_px).astype(int)
    cx, cy = np.clip(x, 0, inside.shape[1] - 1), np.clip(y, 0, inside.shape[0] - 1)
    within = (cx == x) & (cy == y) & inside[cy, cx]
    blurs = np.stack([stage.blur_um(plane) for plane in range(5)])
    blur = np.hypot(blurs[spores.plane, cy + MARGIN_PX, cx + MARGIN_PX], phone.soft_px * px)
    own = np.bincount(np.where(inside, stage.owner[stage.inner], 0).ravel(), minlength=n + 1)[1:]
    # Area of a lemon: length times width times the mean of (1 - t²)^point over 0..1.
    full = spores.length_um * spores.width_um * ((1 - np.linspace(0, 1, 400) ** 2) ** point).mean() / px**2
    visible, clump = np.clip(own / full, 0, 1), touching(spores, point, px)
    on_scale = stage.under_scale[cy + MARGIN_PX, cx + MARGIN_PX]
    sure = within & (visible >= 0.5) & (blur <= 0.22 * spores.length_um) & (followed >= 0.62)
    sure &= contrast > np.maximum(0.025, 0.3 * noise)
    angle = np.degrees(spores.angle) % 180
    columns = (spores.x_px, spores.y_px, spores.length_um, spores.width_um, angle, visible, blur, contrast)
    flags = (on_scale.tolist(), clump.tolist(), sure.tolist())
    return tuple(SporeTruth(*row) for row in zip(*(one.tolist() for one in columns), *flags, strict=True))

"""Spores: the look that one print's spores share, where they sit, and how each is painted."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.painted.paint import Canvas, Points, place
from sporecount.simulate.painted.sitting import Sitting

_BODIES = [(0.80, 0.58, 0.28), (0.68, 0.44, 0.20), (0.60, 0.36, 0.22), (0.88, 0.74, 0.50), (0.74, 0.66, 0.50),
           (0.82, 0.66, 0.36), (0.52, 0.38, 0.26)]  # fmt: skip
_RIMS = [(0.36, 0.20, 0.08), (0.24, 0.14, 0.08), (0.42, 0.28, 0.16), (0.16, 0.12, 0.10), (0.3, 0.26, 0.2)]
# Ranges of what one print's spores share; the second table replaces entries where light comes from above.
_LOOK = {"length_um": (9, 16), "spread": (0.03, 0.08), "aspect": (1.36, 1.72), "point": (1.02, 1.45),
         "body": (0.3, 0.85), "rim": (0.4, 0.95), "rim_um": (0.7, 1.7), "heart": (-0.35, 0.7),
         "heart_size": (0.3, 0.7), "halo": (-0.1, 0.3), "shine": (-0.8, 0.6), "glaze": (0.3, 0.9),
         "light_deg": (0, 360)}  # fmt: skip
_FROM_ABOVE = {"body": (0.6, 0.9), "shine": (0.0, 0.7), "glaze": (0.0, 0.4)}


def draw_look(rng: np.random.Generator, from_above: bool) -> tuple[dict[str, float], NDArray, NDArray]:
    """Look of one print's spores: numbers, and the colours of body and rim."""
    ranges = {**_LOOK, **(_FROM_ABOVE if from_above else {})}
    look = {name: float(rng.uniform(*ends)) for name, ends in ranges.items()}
    body = rng.choice(_BODIES) + rng.normal(0, 0.03, 3)
    rim = rng.choice(_RIMS) + rng.normal(0, 0.02, 3)
    if body.mean() > 0.6:
        # What is pale in the middle shows by its border only.
        look["rim"], look["rim_um"] = max(look["rim"], 0.6), max(look["rim_um"], 0.9)
    return look, np.clip(body, 0.1, 0.95), np.clip(rim, 0.04, 0.6)


def seat(rng: np.random.Generator, look: dict[str, float], sitting: Sitting, bodies: list[Points]) -> NDArray:
    """Rows of x_px, y_px, half length and half width in px, angle; groups grow one by one at touching distance."""
    rows, cols = sitting.shape
    crowded = sitting.preset in ("heavy", "hard")
    alone = rng.uniform(0.1, 0.6) if crowded else rng.uniform(0.5, 1.0)
    mean_group = rng.uniform(3, 14) if crowded else rng.uniform(2.2, 4)
    squeeze, on_scales = rng.uniform(0.72, 0.98), min(rng.uniform(0.1, 0.6), 0.1 + 0.06 * len(bodies))
    made: list[tuple[float, ...]] = []
    # Many prints bear their spores in drifts and not evenly.
    drifts, drifted = rng.uniform(0, 1, (3, 2)) * [cols, rows], rng.uniform(0, 0.6)
    while len(made) < sitting.spores:
        size = 1 if rng.random() < alone else 2 + int(rng.exponential(mean_group - 1))
        x, y = rng.uniform(-6, cols + 6), rng.uniform(-6, rows + 6)
        if bodies and rng.random() < on_scales:
            body = bodies[int(rng.integers(len(bodies)))]
            one, two = body[rng.integers(len(body), size=2)]
            x, y = one + (two - one) * rng.uniform(0.05, 0.95)
        elif rng.random() < drifted:
            x, y = drifts[int(rng.integers(3))] + rng.normal(0, 0.14, 2) * cols
        if not (-8 < x < cols + 8 and -8 < y < rows + 8):
            continue
        group: list[tuple[float, ...]] = []
        common, loose = rng.uniform(0, math.pi), 0.25 if rng.random() < 0.3 else 3.0
        for _ in range(size):
            length = look["length_um"] * (1 + float(np.clip(rng.normal(0, look["spread"]), -0.16, 0.16)))
            a = 0.5 * float(np.clip(length, 8.5, 17)) / sitting.um_per_px
            b = a / float(np.clip(look["aspect"] * (1 + rng.normal(0, 0.035)), 1.3, 1.8))
            angle = common + rng.normal(0, loose)
            for _try in range(7 if group else 0):
                host = group[int(rng.integers(len(group)))]
                way = rng.uniform(0, 2 * math.pi)
                gap = _reach(host[2], host[3], host[4], way) + _reach(a, b, angle, way)
                gap *= rng.uniform(squeeze, 1.06)
                x, y = host[0] + gap * math.cos(way), host[1] + gap * math.sin(way)
                if all(math.hypot(x - o[0], y - o[1]) > 1.35 * b for o in group):
                    break
            group.append((float(x), float(y), a, b, float(angle)))
        made += group
    return np.array(made[: sitting.spores]).reshape(-1, 5)


def _reach(a: float, b: float, angle: float, way: float) -> float:
    """Distance from the centre of an ellipse to its edge."""
    return 1 / math.hypot(math.cos(way - angle) / a, math.sin(way - angle) / b)


def outline(point: float, a: float, b: float) -> Points:
    """Outline a lemon around (0, 0), `a` and `b` half long and wide; `point` 1: an ellipse, more: longer ends."""
    t = np.linspace(0, 2 * np.pi, 44, endpoint=False)
    return np.stack([a * np.cos(t), b * np.sign(np.sin(t)) * np.abs(np.sin(t)) ** point], 1)


def touching(spores: NDArray) -> NDArray[np.int64]:
    """Size of the touching group of each spore (rows as from `seat`)."""
    pairs = cKDTree(spores[:, :2]).query_pairs(2.1 * spores[:, 2].max(), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    gap = spores[j, :2] - spores[i, :2]
    way = np.arctan2(gap[:, 1], gap[:, 0])
    reach = [1 / np.hypot(np.cos(way - spores[k, 4]) / spores[k, 2], np.sin(way - spores[k, 4]) / spores[k, 3])
             for k in (i, j)]  # fmt: skip
    near = np.hypot(gap[:, 0], gap[:, 1]) <= 1.04 * (reach[0] + reach[1])
    graph = coo_matrix((np.ones(near.sum()), (i[near], j[near])), shape=(len(spores), len(spores)))
    label = connected_components(graph, directed=False)[1]
    return np.asarray(np.bincount(label)[label])


def paint_spore(rng: np.random.Generator, canvas: Canvas, looks: tuple[dict[str, float], NDArray, NDArray],
                row: NDArray, number: int, sharp_px: float) -> tuple[float, float, float, float]:  # fmt: skip
    """Paint one spore; returns four numbers, 0 where nothing of it is in view.

    They are the mean and the root mean square of its optical density over what was there before, the deviation of
    the density of that, and the signed defocus in µm.
    """
    look, body, rim_tint = looks
    x, y, a, b, angle = (float(v) for v in row)
    height = float(rng.normal(0.0, 0.25))
    shape = place(outline(look["point"], a, b), x, y, angle)
    patch = canvas.window([shape], height, 0.25 * b)
    if patch.empty:
        return 0.0, 0.0, 0.0, 0.0
    cover, inside = patch.fill([shape])
    along, across = patch.grid(x, y, angle)
    radial = np.sqrt((along / a) ** 2 + (across / b) ** 2)
    # On one side of focus the middle gathers light, on the other it goes dark.
    defocus_um = float(canvas.focus.at(x, y, height))
    out_of = defocus_um / (0.12 * look["length_um"])
    heart = float(np.clip(look["heart"] + 0.45 * math.tanh(1.2 * out_of), -0.6, 0.85))
    fade = float(rng.normal(1, 0.07))
    rim_share = min(look["rim"] * fade * (1 + 0.3 * abs(out_of)), 0.97)
    rim = np.exp(-((inside * canvas.px / look["rim_um"]) ** 2)) * cover * rim_share
    core = np.exp(-((radial / look["heart_size"]) ** 2)) * cover
    light = math.radians(look["light_deg"]) - angle
    shade = (along * math.cos(light) + across * math.sin(light)) / a
    lift = np.array([1.0, 0.97, 0.86]) if heart > 0 else rim_tint
    colour = (body * (1 + rng.normal(0, 0.025, 3))).astype(np.float32) * (1 + 0.1 * shade[..., None])
    colour += (lift.astype(np.float32) - colour) * (abs(heart) * core)[..., None]
    colour += (rim_tint.astype(np.float32) - colour) * rim[..., None]
    alpha = np.maximum(cover * look["body"] * fade, rim) * (1 - 0.25 * max(heart, 0) * core)
    spot = (along / a - 0.35 * math.cos(light)) ** 2 + (across / b - 0.35 * math.sin(light)) ** 2
    colour += (np.float32(1.05) - colour) * (max(look["shine"], 0) * np.exp(-spot / 0.08))[..., None]
    halo = np.exp(-(((radial - 1.18) / 0.16) ** 2)) * (1 - cover)
    halo *= max(look["halo"], 0) * math.tanh(0.5 + abs(out_of))
    glow = np.float32(1.08 if out_of > -0.6 else 0.45)
    total = np.maximum(alpha + halo, 1e-4)
    colour = (colour * alpha[..., None] + glow * halo[..., None]) / total[..., None]
    below = canvas.light[
        max(patch.y0, 0) : patch.y0 + patch.rows, max(patch.x0, 0) : patch.x0 + patch.cols, 1
    ]
    unrest = float(np.log10(below).std()) * 2.2 / canvas.power
    got = canvas.lay(patch, cover, np.minimum(total, 0.98), colour, "spore", glaze=look["glaze"], height_um=height,
                     spore=number)  # fmt: skip
    if got is None or not (got[1] > 0.5).any():
        return 0.0, 0.0, 0.0, 0.0
    seen = cv2.GaussianBlur(got[0], (0, 0), sharp_px)[got[1] > 0.5]
    return float(seen.mean()), float(np.sqrt(np.mean(seen**2))), unrest, defocus_um

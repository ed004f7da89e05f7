"""Butterfly scales and the torn pieces of them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.painted.paint import Canvas, Points, blob, noise, place

_TINTS = [(0.88, 0.52, 0.16), (0.80, 0.40, 0.12), (0.42, 0.28, 0.18), (0.20, 0.16, 0.15), (0.13, 0.11, 0.12),
          (0.93, 0.91, 0.86), (0.86, 0.78, 0.62), (0.72, 0.66, 0.58), (0.90, 0.70, 0.36)]  # fmt: skip
# Ranges of what one sort of scale shares.
_SORT = {"length_um": (105, 235), "width_um": (52, 110), "teeth": (0, 6.9), "tooth_um": (4, 32),
         "belly": (0.28, 0.7),
         "ridge_um": (1.5, 3.0), "ridge": (0.03, 0.3), "rib": (-0.05, 0.12), "rim": (0.05, 0.6),
         "rim_um": (0.8, 3), "fade": (-0.4, 0.4), "opacity": (0.55, 0.97), "glaze": (0.15, 0.85)}  # fmt: skip
Sort = tuple[dict[str, float], NDArray[np.float32]]


def draw_sort(rng: np.random.Generator, from_above: bool) -> Sort:
    """One sort of scale: its numbers and its tint."""
    sort = {name: float(rng.uniform(*ends)) for name, ends in _SORT.items()}
    tint = rng.choice(_TINTS) * rng.uniform(0.85, 1.12) + rng.normal(0, 0.02, 3)
    if from_above:
        sort["glaze"] *= 0.3
    elif tint.mean() > 0.6:
        sort["opacity"] -= 0.25
    return sort, np.clip(tint, 0.04, 1).astype(np.float32)


def scale_outline(rng: np.random.Generator, sort: Sort) -> Points:
    """Outline in µm around the middle: stalk at -x, toothed end at +x."""
    look = sort[0]
    length = float(np.clip(look["length_um"] * rng.normal(1, 0.08), 100, 250))
    half = float(np.clip(look["width_um"] * rng.normal(1, 0.1), 50, 120)) / 2
    u = np.linspace(0.03, 0.86, 24)
    side = u ** look["belly"] * (1 - rng.uniform(0.2, 0.55) * u**4)
    side = half * side / side.max()
    upper, lower = side * rng.uniform(0.9, 1.06), -side * rng.uniform(0.9, 1.06)
    v = np.linspace(upper[-1], lower[-1], 64)[1:-1]
    round_end = 0.86 * length + 0.1 * length * np.sqrt(np.clip(1 - (v / upper[-1]) ** 2, 0, 1))
    # Rounded fingers with sharp notches between them.
    fingers = 1 - np.abs(np.sin(np.pi * int(look["teeth"]) * np.linspace(0, 1, 62) + 0.02)) ** 0.5
    deep = np.interp(np.linspace(0, 1, 62), np.linspace(0, 1, 8), rng.uniform(0.3, 1.2, 8))
    tip = round_end - look["tooth_um"] * deep * fingers * (look["teeth"] >= 1)
    foot = np.array([[0.03, -1.0], [-0.07, -0.6], [-0.07, 0.6], [0.03, 1.0]]) * [
        length,
        rng.uniform(1.5, 3.0),
    ]
    sides = np.stack([u * length, upper], 1), np.stack([tip, v], 1), np.stack([u * length, lower], 1)[::-1]
    whole = np.concatenate([*sides, foot])
    # A slight bend, and no two alike.
    whole[:, 1] += rng.normal(0, 0.0006) * (whole[:, 0] - length / 2) ** 2
    return np.asarray(whole - [length / 2, 0])


def _paint(rng: np.random.Generator, canvas: Canvas, sort: Sort, shape: Points, at: tuple[float, float, float],
           kind: str, height_um: float) -> bool:  # fmt: skip
    patch = canvas.window([shape], height_um)
    if patch.empty:
        return False
    look, px = sort[0], canvas.px
    cover, inside = patch.fill([shape])
    along, across = patch.grid(*at)
    wavy = noise(rng, (patch.rows, patch.cols), 40 / px) * np.float32(0.5)
    # Ridges along and ribs across; too fine ones melt away, and no ridge is quite like the next.
    melt = float(np.clip((look["ridge_um"] / px - 1.8) / 2, 0, 1))
    place_across = across * np.float32(px / look["ridge_um"]) + wavy * np.float32(0.25)
    tone = np.sin(place_across * np.float32(2 * np.pi)) * np.float32(look["ridge"] * melt)
    tone += rng.normal(0, 0.07, 400).astype(np.float32)[np.round(place_across).astype(int) % 400]
    if melt > 0.3 and look["rib"] > 0:
        ribs = along * np.float32(2 * np.pi * px / (0.8 * look["ridge_um"])) + 2 * wavy
        tone += np.sin(ribs) * np.float32(look["rib"] * melt)
    tone += along * np.float32(look["fade"] * px / look["length_um"]) + wavy * np.float32(0.12)
    rim = np.exp(-inside * np.float32(px / look["rim_um"])) * cover * np.float32(look["rim"])
    alpha = cover * np.clip(look["opacity"] * (1 - 0.35 * tone) + 0.5 * rim, 0.05, 0.98)
    shade = np.clip((1 + tone) * (1 - 0.6 * rim), 0.1, 1.6)
    canvas.lay(
        patch, cover, alpha, sort[1] * shade[..., None], kind, glaze=look["glaze"], height_um=height_um
    )
    return True


def paint_scale(rng: np.random.Generator, canvas: Canvas, sort: Sort, shape_um: Points, x: float, y: float,
                angle: float) -> bool:  # fmt: skip
    """Paint a whole or torn scale; says whether it is whole or nearly so and its middle lies in the view."""
    whole = True
    if rng.random() < 0.3:
        # Torn: what lies beyond a ragged line is gone.
        cut = rng.uniform(-0.3, 0.35) * sort[0]["length_um"]
        bumps = rng.normal(0, 5, 9)[np.clip(np.round(shape_um[:, 1] / 12 + 4), 0, 8).astype(int)]
        shape_um = np.stack([np.minimum(shape_um[:, 0], cut + bumps), shape_um[:, 1]], 1)
        whole = cut > 0.15 * sort[0]["length_um"]
    shape = place(shape_um / canvas.px, x, y, angle)
    done = _paint(rng, canvas, sort, shape, (x, y, angle), "scale", float(abs(rng.normal(0, 0.5))))
    return done and whole and 0 <= x < canvas.shape[1] and 0 <= y < canvas.shape[0]


def paint_piece(
    rng: np.random.Generator, canvas: Canvas, sort: Sort, x: float, y: float, size_um: float
) -> None:
    """Paint a torn flake, sometimes as long and as large as a spore."""
    shape = blob(rng, 0.5 * size_um / canvas.px, rng.uniform(0.05, 0.22), int(rng.integers(7, 24)))
    angle = rng.uniform(0, 2 * math.pi)
    shape = place(shape * [1.25, rng.uniform(0.5, 1)], x, y, angle)
    _paint(
        rng, canvas, sort, shape, (x, y, angle + rng.normal(0, 0.6)), "scale piece", abs(rng.normal(0, 0.6))
    )

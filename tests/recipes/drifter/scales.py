"""Butterfly scales, and the pieces that tear off them."""

from __future__ import annotations

import numpy as np

from tests.recipes.drifter.canvas import Canvas, Patch, smooth_noise
from tests.recipes.drifter.style import Array

# Name, absorbance by wavelength (mean about one), least and most density, light sent back from above.
COLOURS = (
    ("black", (1.1, 1.02, 0.96, 0.92), 0.7, 1.5, (0.05, 0.05, 0.05, 0.05)),
    ("brown", (1.4, 1.05, 0.82, 0.73), 0.35, 0.9, (0.05, 0.09, 0.14, 0.17)),
    ("orange", (2.1, 1.15, 0.45, 0.30), 0.25, 0.6, (0.06, 0.18, 0.45, 0.55)),
    ("pale", (1.2, 1.0, 0.92, 0.88), 0.06, 0.2, (0.45, 0.5, 0.52, 0.52)),
)
COLOUR_SHARES = (0.34, 0.26, 0.24, 0.16)


def scatter_scales(rng: np.random.Generator, canvas: Canvas, preset: str) -> int:
    """Lay whole scales; return how many lie in the view, whole or nearly so."""
    per_mm2 = {"good_focus": 12, "hard": 35, "heavy": 18, "scan_4x": 14}.get(preset, 18)
    whole = 0
    for _ in range(rng.poisson(per_mm2 * rng.uniform(0.2, 1.6) * canvas.area_mm2 + 0.5)):
        long_um = rng.uniform(70, 140) if rng.uniform() < 0.7 else rng.uniform(30, 350)
        wide_um = float(np.clip(long_um * rng.uniform(0.35, 0.65), 28, 80))
        x_um, y_um = rng.uniform(-30, canvas.width_um + 30), rng.uniform(-30, canvas.height_um + 30)
        patch = canvas.patch(x_um, y_um, 0.75 * long_um + 8)
        if patch is None:
            continue
        cover = _lay(rng, canvas, patch, long_um, wide_um)
        whole += bool(cover.sum() * canvas.grain_um**2 > 0.55 * long_um * wide_um)
    return whole


def _lay(rng: np.random.Generator, canvas: Canvas, patch: Patch, long_um: float, wide_um: float) -> Array:
    """One scale: rounded at its stalk, widening, with teeth at its far end."""
    along, across = patch.turned(rng.uniform(0, 2 * np.pi))
    across = across + rng.normal(0, 0.0012) * along**2
    t = along / long_um + 0.5
    shoulder = rng.uniform(0.12, 0.3)
    half = 0.5 * wide_um * (1 - np.clip(1 - np.clip(t, 0, 1) / shoulder, 0, 1) ** 2.2) ** 0.6
    half *= 1 - rng.uniform(0.0, 0.35) * np.clip(t, 0, 1) ** 3
    teeth = int(rng.integers(0, 6))
    depth_um = rng.uniform(3, 14) if teeth else 0.0
    place = across / wide_um
    end_um = 0.5 * long_um - depth_um * np.abs(np.sin(np.pi * (place * teeth + 0.5)))
    end_um -= rng.uniform(0.1, 0.5) * wide_um * place**2
    inside = np.minimum(half - np.abs(across), np.minimum(end_um - along, along + 0.5 * long_um))
    stalk = np.minimum(1.6 - np.abs(across), np.minimum(-0.3 * long_um - along, along + 0.5 * long_um + 7))
    cover = canvas.edge(np.maximum(inside, stalk))
    colour = COLOURS[int(rng.choice(len(COLOURS), p=COLOUR_SHARES))]
    _colour_in(rng, canvas, patch, cover, along, across, colour, "scale")
    return cover


def _colour_in(
    rng: np.random.Generator,
    canvas: Canvas,
    patch: Patch,
    cover: Array,
    along: Array,
    across: Array,
    colour: tuple[str, tuple[float, ...], float, float, tuple[float, ...]],
    kind: str,
) -> None:
    """Fill an outline with ridges and cross-ribs."""
    _, hue, low, high, shine = colour
    ridge_um, rib_um = rng.uniform(1.6, 3.0), rng.uniform(1.2, 4.0)
    weave = 1 + rng.uniform(0.15, 0.45) * np.sin(2 * np.pi * across / ridge_um)
    weave += rng.uniform(0.0, 0.2) * np.sin(2 * np.pi * along / rib_um)
    weave += 0.1 * smooth_noise(rng, cover.shape, max(12 / canvas.grain_um, 1))
    density = rng.uniform(low, high) * np.clip(weave, 0.2, 2)
    glow = tuple(float(c * rng.uniform(0.6, 1.2)) for c in shine)
    canvas.put(patch, cover, density.astype(np.float32), hue, kind, shine=glow)


def scatter_pieces(rng: np.random.Generator, canvas: Canvas, number: int) -> None:
    """Lay torn pieces, many of a spore's size."""
    for _ in range(number):
        size_um = float(np.clip(np.exp(rng.normal(np.log(12), 0.6)), 4, 60))
        patch = canvas.patch(
            rng.uniform(0, canvas.width_um), rng.uniform(0, canvas.height_um), 0.75 * size_um + 2
        )
        if patch is None:
            continue
        along, across = patch.turned(rng.uniform(0, np.pi))
        inside = np.full(along.shape, np.float32(size_um))
        lean = rng.uniform(1.0, 2.6)
        for way in np.cumsum(rng.uniform(0.7, 1.9, 7)):
            if way > 2 * np.pi + 0.5:
                break
            reach_um = 0.5 * size_um * rng.uniform(0.5, 1.0) / np.hypot(np.cos(way), lean * np.sin(way))
            ragged = rng.uniform(0, 0.05) * size_um * np.sin(along * rng.uniform(0.5, 2) + across)
            inside = np.minimum(inside, reach_um - along * np.cos(way) - across * np.sin(way) + ragged)
        inside = np.minimum(inside, 0.7 * size_um - np.hypot(along, across))
        colour = COLOURS[int(rng.choice(len(COLOURS), p=COLOUR_SHARES))]
        turn = rng.uniform(0, np.pi)
        _colour_in(rng, canvas, patch, canvas.edge(inside), *patch.turned(turn), colour, "scale piece")

"""Everything else on a print: hairs, fibres, bubbles, droplets, dust, pollen, mould, folds of the glue."""

from __future__ import annotations

import math

import numpy as np
from scipy.interpolate import CubicSpline

from sporecount.simulate.painted.paint import Canvas, Points, blob, noise, place, ribbon

# Closed things: kind; size in µm (middle, log spread, ends); then ranges of roughness, flatness, opacity of the
# body, strength of the rim, depth of the rim as a share of the half size, light inside, glaze; spread of height.
Ranges = tuple[tuple[float, float], ...]
_BALLS: dict[str, tuple[str, tuple[float, ...], Ranges, float]] = {
    "speck": ("dust", (1.8, 0.4, 0.8, 5),
              ((0.1, 0.2), (0.7, 1), (0.2, 0.8), (0, 0), (0.5, 0.6), (0, 0), (0, 0.6)), 0.6),
    "dust": ("dust", (5.5, 0.6, 1.5, 40),
             ((0.1, 0.4), (0.5, 1), (0.35, 0.9), (0.3, 0.9), (0.15, 0.4), (0, 0), (0, 0.6)), 0.8),
    "bubble": ("bubble", (18, 0.75, 5, 220),
               ((0, 0.08), (0.7, 1.2), (0, 0.15), (0.3, 0.95), (0.05, 0.22), (0, 0.7), (0.1, 0.5)), 1.0),
    "droplet": ("other", (11, 0.45, 4, 60),
                ((0, 0.05), (0.7, 1.1), (0.25, 0.8), (0.2, 0.9), (0.15, 0.25), (0, 0.6), (0.3, 0.9)), 0.4),
    "pollen": ("pollen", (18, 0.4, 7.5, 45),
               ((0, 0.02), (0.65, 1.2), (0.4, 0.9), (0.5, 0.95), (0.08, 0.25), (0, 0.1), (0, 0.7)), 0.7),
    "mould": ("other", (4.6, 0.3, 2.8, 9),
              ((0, 0.02), (0.55, 1), (0.4, 0.9), (0.4, 0.9), (0.4, 0.6), (0, 0.2), (0.2, 0.6)), 0.3),
}  # fmt: skip
# Threads: length and half width in µm, curl, how much it tapers, opacity, light along the middle, glaze, height.
_THREADS: dict[str, Ranges] = {
    "hair": ((120, 700), (1, 5), (0.02, 0.16), (0.85, 0.95), (0.55, 0.95), (0, 0.45), (0, 0.6), (-0.5, 1.5)),
    "hair end": ((8, 40), (1, 3.4), (0, 0.1), (0.3, 0.9), (0.5, 0.9), (0, 0.3), (0, 0.6), (-0.4, 0.5)),
    "fibre": ((300, 1500), (4, 11), (0.08, 0.45), (0, 0), (0.3, 0.9), (0, 0.7), (0.2, 0.9), (-1, 2.6)),
    "fold": ((150, 900), (0.8, 4.5), (0.05, 0.4), (0, 0.6), (0.08, 0.4), (0, 0.9), (0.2, 0.4), (0, 2.2)),
}
_TINTS: dict[str, list[tuple[float, float, float]]] = {
    "speck": [(0.32, 0.27, 0.22)],
    "dust": [(0.3, 0.27, 0.24), (0.3, 0.24, 0.16), (0.5, 0.48, 0.45), (0.1, 0.1, 0.1)],
    "bubble": [(0.6, 0.6, 0.6), (0.9, 0.9, 0.88), (0.3, 0.3, 0.33)],
    "droplet": [(0.75, 0.5, 0.2), (0.55, 0.32, 0.12), (0.9, 0.75, 0.3), (0.82, 0.62, 0.38)],
    "pollen": [(0.9, 0.76, 0.3), (0.85, 0.62, 0.25), (0.86, 0.84, 0.7), (0.7, 0.55, 0.4)],
    "mould": [(0.5, 0.48, 0.3), (0.36, 0.28, 0.2), (0.75, 0.7, 0.55), (0.4, 0.46, 0.34)],
    "hair": [(0.12, 0.08, 0.05), (0.3, 0.2, 0.12), (0.42, 0.3, 0.2)],
    "hair end": [(0.2, 0.13, 0.08), (0.4, 0.26, 0.14)],
    "fibre": [(0.75, 0.73, 0.68), (0.6, 0.58, 0.55), (0.5, 0.45, 0.38), (0.8, 0.8, 0.8),
              (0.45, 0.42, 0.4), (0.25, 0.35, 0.6),
              (0.7, 0.7, 0.7), (0.65, 0.25, 0.3)],
    "fold": [(0.3, 0.3, 0.3), (0.5, 0.5, 0.5)],
}  # fmt: skip


def size_of(rng: np.random.Generator, middle: float, spread: float, low: float, high: float) -> float:
    """Lognormal size between two ends."""
    return float(np.clip(middle * math.exp(rng.normal(0, spread)), low, high))


def _path(rng: np.random.Generator, x: float, y: float, length_px: float, curl: float) -> Points:
    """Draw a smooth path through a walk of seven steps whose direction wanders by `curl` radians at each."""
    turn = rng.uniform(0, 2 * math.pi) + np.cumsum(rng.normal(0, curl, 7))
    steps = np.cumsum(np.stack([np.cos(turn), np.sin(turn)], 1), axis=0) * length_px / 7
    n = int(np.clip(length_px / 4, 12, 240))
    return np.asarray(CubicSpline(np.arange(7), steps - steps[3] + [x, y])(np.linspace(0, 6, n)))


def _thread(rng: np.random.Generator, canvas: Canvas, name: str, x: float, y: float) -> None:
    """Paint a band with darker edges and a light along its middle."""
    length, wide, curl, taper, alpha, light, glaze, height = (rng.uniform(*ends) for ends in _THREADS[name])
    path = _path(rng, x, y, length / canvas.px, curl)
    t = np.linspace(0, 1, len(path))
    half = wide / canvas.px * (1 - taper * t) * np.sqrt(np.clip(t * 12, 0.2, 1))
    if name == "fibre":
        # Flat fibres twist and show their narrow side now and then.
        half *= 1 - rng.uniform(0, 0.55) * np.abs(np.sin(t * rng.uniform(2, 14) + rng.uniform(0, 6)))
    bits = ribbon(path, half + 0.05)
    patch = canvas.window(bits, height)
    if patch.empty:
        return
    cover, inside = patch.fill(bits)
    deep = np.clip(inside / np.float32(max(float(half.max()), 0.5)), 0, 1)
    tone = np.clip((deep - 0.25) / 0.5, 0, 1)
    edge = rng.choice(_TINTS[name]) * rng.uniform(0.7, 1.15)
    colour = (edge + np.minimum(edge * rng.uniform(0, 0.9), 1 - edge) * tone[..., None]).astype(np.float32)
    colour += (np.float32(1.05) - colour) * (np.exp(-(((deep - 0.85) / 0.2) ** 2)) * np.float32(light))[
        ..., None
    ]
    opacity = cover * (alpha * (1 - 0.45 * tone * (1 - alpha)))
    kind = {"hair end": "hair", "fold": "other"}.get(name, name)
    canvas.lay(patch, cover, opacity, colour, kind, glaze=glaze, height_um=height)


def _ball(rng: np.random.Generator, canvas: Canvas, name: str, x: float, y: float, size: float) -> None:
    """Paint a closed thing: a body, a rim of its own depth, a light in its middle and inside its rim."""
    kind, _sizes, ranges, spread = _BALLS[name]
    rough, flat, body, rim, depth, light, glaze = (rng.uniform(*ends) for ends in ranges)
    radius, height = 0.5 * size / canvas.px, float(rng.normal(0.5 if name == "bubble" else 0, spread))
    shape = blob(rng, radius, rough, int(rng.integers(7, 20)) if kind == "dust" else 60)
    if name == "pollen" and rng.random() < 0.5:
        # Spiny, or three-lobed.
        t = np.linspace(0, 2 * math.pi, 60, endpoint=False)
        lobes = 0.08 * np.cos(15 * t) if rng.random() < 0.5 else -0.13 * np.abs(np.cos(1.5 * t)) ** 9
        shape *= 1 + lobes[:, None]
    shape = place(shape * [1, min(flat, 1.0)], x, y, rng.uniform(0, 6.3))
    patch = canvas.window([shape], height)
    if patch.empty:
        return
    cover, inside = patch.fill([shape])
    rim_px = max(min(depth * radius, 7 / canvas.px), 0.6)
    border = np.exp(-((inside / rim_px) ** 2)) * cover * rim
    deep = inside / max(float(inside.max()), 0.5)
    heart = np.exp(-(((deep - 1) / 0.35) ** 2)) * (size < 70)
    glow = np.maximum(heart, np.exp(-(((inside / rim_px - 2) / 0.7) ** 2))) * cover * light * (1 - border)
    tint = rng.choice(_TINTS[name]) * rng.uniform(0.7, 1.15)
    dark = tint * rng.uniform(0.2, 0.5)
    # Some grains of dust are clear, with a dark border.
    tint = tint + (1.0 - tint) * rng.uniform(0, 0.7) * (name == "dust" and rng.random() < 0.4)
    grain = noise(rng, (patch.rows, patch.cols), 1.4 / canvas.px) * rng.uniform(0, 0.15) * (name == "pollen")
    colour = (tint + (dark - tint) * border[..., None]) * (1 + grain[..., None])
    colour = colour + (1.05 - colour) * np.clip(1.3 * glow, 0, 1)[..., None]
    alpha = np.clip(np.maximum(np.maximum(body * cover, border), glow), 0, 0.98).astype(np.float32)
    canvas.lay(patch, cover, alpha, colour.astype(np.float32), kind, glaze=glaze, height_um=height)


def scatter(rng: np.random.Generator, canvas: Canvas, name: str, number: int) -> None:
    """Paint a number of things of one name all over the canvas."""
    for x, y in rng.uniform(-0.02, 1.02, (number, 2)) * [canvas.shape[1], canvas.shape[0]]:
        if name in _THREADS:
            _thread(rng, canvas, name, float(x), float(y))
            continue
        size = size_of(rng, *_BALLS[name][1])
        if name == "mould":
            # A loose heap or a chain of small spores.
            n, chained = int(rng.integers(1, 9)), rng.random() < 0.4
            chain = _path(rng, x, y, n * size / canvas.px, 0.25)[:: max(12 // n, 1)][:n]
            heap = rng.normal([x, y], 0.45 * size / canvas.px * math.sqrt(n), (n, 2))
            for one_x, one_y in chain if chained else heap:
                _ball(rng, canvas, name, float(one_x), float(one_y), size)
        else:
            _ball(rng, canvas, name, float(x), float(y), size)

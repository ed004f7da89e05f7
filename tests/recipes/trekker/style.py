"""What one photo is of: scale, ground, focus and how much of everything lies in the view."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
GROUNDS = ("glass", "film", "card", "paper", "felt", "grain")
LUMA = np.array([0.25, 0.65, 0.1], np.float32)

SMALL_PER_MM2 = {
    "dust": (25, 500),
    "chip": (8, 120),
    "droplet": (4, 120),
    "pollen": (1, 20),
    "bubble": (3, 90),
    "mould": (1, 20),
    "piece": (8, 160),
}
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
APERTURE = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
"""Usual numerical aperture of each objective; from memory."""


@dataclass(frozen=True)
class Style:
    """Traits of one photo.

    Small things go by area, few ones by view; `scale_cover` is the share of the view that scales would cover side
    by side, `focus_um` the blur (standard deviation) from even defocus.
    """

    preset: str
    objective: float
    um_per_px: float
    from_above: bool
    ground: str
    focus_um: float
    spores: int
    per_mm2: dict[str, float]
    few: dict[str, int]
    scale_cover: float


def bell(x: Array, width: float) -> Array:
    """Fall from one at zero to 1/e at `width`."""
    return np.asarray(np.exp(-((x / width) ** 2)), np.float32)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a number whose logarithm is spread evenly."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _count_spores(rng: np.random.Generator, preset: str, megapixels: float, px_um: float) -> int:
    view_mm2 = megapixels * px_um**2
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return round(log_uniform(rng, 5, min(80, max(10, 900 * view_mm2))))
    if preset == "ordinary":
        # More than some 2500 per mm2 would be another preset's pile.
        return round(min(150, 3 + 2500 * view_mm2) * rng.random() ** 2)
    if preset == "hard":
        return round(log_uniform(rng, 3, min(300, 8 + 3500 * view_mm2)))
    if preset == "heavy":
        # No more than would fill some two thirds of the view.
        return max(4, round(megapixels * log_uniform(rng, 300, min(2000, max(420, 6000 * px_um**2)))))
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return round(log_uniform(rng, 155, 155 + 600 * view_mm2) if view_mm2 > 0.1 else 4 + 1500 * view_mm2)


def worst_blur_um(preset: str, objective: float) -> float:
    """Blur from each cause of defocus at its worst; a strong objective is refocused more often."""
    return {"good_focus": 0.35, "hard": 1.9, "scan_4x": 0.8}.get(preset, 1.3) * min(1.0, 15 / objective)


def draw_style(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Style:
    """Draw the traits of a photo of `shape` (rows, columns) pixels."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        usual = {"scan_4x": 4.0, "good_focus": 10.0, "heavy": 10.0}
        objective = usual.get(preset) or float(rng.choice([10.0, 10.0, 20.0, 40.0]))
    if um_per_px is None:
        um_per_px = log_uniform(rng, *UM_PER_PX[min(UM_PER_PX, key=lambda known: abs(known - objective))])
    hard, bare = preset == "hard", preset == "no_spores"
    # One dirt level for the print, and one for each thing: some prints are all scales, others all dust.
    dirt = log_uniform(rng, 0.15, 1.2) * (2.5 if hard or bare else 1.0)
    per_mm2 = {name: dirt * log_uniform(rng, *span) for name, span in SMALL_PER_MM2.items()}
    if bare:
        # Here the look-alikes are the subject: each photo has plenty of two or three of them.
        for name in rng.choice(list(per_mm2), 3, replace=False):
            per_mm2[str(name)] = max(per_mm2[str(name)], 1.2) * log_uniform(rng, 1.5, 5)
    clutter = 2.2 if hard else 1.0
    few = {
        "hair": int(rng.poisson(log_uniform(rng, 0.3, 2.5) * clutter)),
        "fibre": int(rng.poisson(log_uniform(rng, 0.2, 2.0) * clutter)),
        "rule": int(rng.random() < (0.2 if hard else 0.1)),
    }
    cover = {"good_focus": (0.02, 0.3), "hard": (0.05, 1.0), "heavy": (0.03, 0.8)}.get(preset, (0.01, 0.6))
    return Style(
        preset=preset,
        objective=float(objective),
        um_per_px=float(um_per_px),
        from_above=bool(rng.random() < {"hard": 0.35, "good_focus": 0.1}.get(preset, 0.15)),
        ground=str(rng.choice(GROUNDS)),
        focus_um=worst_blur_um(preset, objective) * rng.random() ** 1.5,
        spores=_count_spores(rng, preset, shape[0] * shape[1] / 1e6, um_per_px),
        per_mm2=per_mm2,
        few=few,
        scale_cover=log_uniform(rng, *cover),
    )

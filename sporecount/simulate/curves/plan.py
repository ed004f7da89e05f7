"""What a photo will hold, drawn from its preset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Rng = np.random.Generator
PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
APERTURES = {4.0: 0.10, 10.0: 0.25, 20.0: 0.40, 40.0: 0.65}
SCALES_UM = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
"""Usual um per px of phone photos, by objective."""


@dataclass(frozen=True)
class Plan:
    """The numbers of one photo.

    `spores` is a number; `touching` and `piled` are shares in clumps of 2-5 and in piles, `beneath` the share laid
    before the scales, `on_scales` that of groups put on or near one. `strength`, `glue` and `streaks` are optical
    densities; `roughness` is 1 for usual ground. `optics_um` and the three after it are standard deviations of
    blur: in focus; added everywhere; added from the middle to the edge in a plane, and round.
    """

    preset: str
    objective: float
    um_per_px: float
    spores: int
    length_um: float
    aspect: float
    spread: float
    touching: float
    piled: float
    beneath: float
    on_scales: float
    strength: float
    ground: str
    roughness: float
    glue: float
    streaks: float
    ground_colour: NDArray[np.float32]
    optics_um: float
    defocus_um: float
    tilt_um: float
    bow_um: float
    top_light: bool
    dim: bool
    round_view: bool
    things: dict[str, int]


def _between(rng: Rng, low: float, high: float) -> float:
    """Even on a log scale."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _number_of_spores(rng: Rng, preset: str, megapixels: float) -> int:
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return int(_between(rng, 5, 80))
    if preset == "heavy":
        # A pixel more than the least, as some are cut by the edge of the view.
        return int(np.ceil(_between(rng, 310, 2000) * megapixels))
    if preset == "scan_4x":
        return (
            int(rng.integers(0, 9)) if rng.random() < 0.5 else 160 + int(_between(rng, 10, 1200) * megapixels)
        )
    most = 150 if preset == "ordinary" else 250
    return 0 if rng.random() < 0.1 else int(_between(rng, 1, most))


def _number_of_things(rng: Rng, preset: str, mm2: float) -> dict[str, int]:
    bare, hard = preset == "no_spores", preset == "hard"
    busy = _between(rng, 0.25, 1.6) * (1.7 if hard else 1)
    crowd = _between(rng, 4, 95) * (1.4 if hard else 1)
    if preset == "scan_4x":
        crowd = min(crowd, 60)
    # Usual number on a 0.2 mm2 view; small views of high power hold as many small things as they can.
    size = max(mm2 / 0.2, 0.15) ** 0.8
    usual = {
        "scale": crowd * (mm2 + 0.02),
        "piece": 8 * busy * size,
        "dust": 14 * busy * size,
        "droplet": (14 if bare else 2.5) * busy * size,
        "pollen": (4 if bare else 0.7) * busy * size,
        "mould": (5 if bare else 0.5) * busy * size,
        "bubble": (12 if bare else 4) * busy * size,
        "hair": (1.2 if hard or bare else 0.5) * busy * size**0.6,
        "hair end": (4 if bare else 0.7) * busy * size,
        "fibre": (4.5 if hard else 2.5 if bare else 0.6) * busy * size**0.6,
    }
    things = {name: int(rng.poisson(n * _between(rng, 0.4, 2))) for name, n in usual.items()}
    things["ruled line"] = int(rng.random() < (0.15 if hard else 0.06))
    return things


def draw_plan(
    rng: Rng, shape: tuple[int, int], um_per_px: float | None, objective: float | None, preset: str
) -> Plan:
    """Draw what a photo of `shape` (rows, columns) will hold; a ValueError for a preset that there is not."""
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        fixed = {"scan_4x": 4.0, "good_focus": 10.0, "heavy": 10.0}
        objective = fixed.get(preset) or float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.25, 0.15]))
    usual = min(SCALES_UM, key=lambda known: abs(np.log(known / objective)))
    if um_per_px is None:
        um_per_px = _between(rng, *SCALES_UM[usual])
    number = _number_of_spores(rng, preset, shape[0] * shape[1] / 1e6)
    if preset in ("ordinary", "hard"):
        # No more than a third of the view, which is small at high power.
        number = min(number, int(shape[0] * shape[1] * um_per_px**2 / 300))
    hard, good, heavy = preset == "hard", preset == "good_focus", preset == "heavy"
    ease = 0.3 if good else 0.7 if preset == "scan_4x" else 1.6 if hard else 1.0
    ground = str(rng.choice(["glass", "paper", "card"], p=[0.5, 0.3, 0.2] if not hard else [0.3, 0.35, 0.35]))
    warm = rng.uniform(0, 1) * (0.3 if ground == "glass" else 1)
    colour = np.array([1, 1 - 0.07 * warm, 1 - 0.22 * warm]) * rng.uniform(0.82, 1.05)
    small = rng.random() < 0.5
    pale = rng.random() < 0.2
    return Plan(
        preset=preset,
        objective=float(objective),
        um_per_px=float(um_per_px),
        spores=number,
        length_um=float(rng.uniform(9, 10.5) if small else rng.uniform(9, 16)),
        aspect=float(rng.uniform(1.38, 1.72)),
        spread=float(rng.uniform(0.03, 0.08)),
        touching=float(rng.uniform(0.15, 0.7)),
        piled=float(rng.uniform(0.1, 0.6)) if heavy else float(rng.uniform(0, 0.25)) * hard,
        beneath=float(rng.uniform(0, 0.25)),
        on_scales=float(rng.uniform(0.1, 0.6)),
        strength=_between(rng, 0.1, 0.16) if pale else _between(rng, 0.15, 0.45),
        ground=ground,
        roughness=_between(rng, 0.3, 1.7) * (0.6 if good else 1.3 if hard else 1),
        glue=_between(rng, 0.006, 0.06) * (1.7 if hard else 1)
        if rng.random() < (0.85 if hard else 0.45)
        else 0.0,
        streaks=_between(rng, 0.004, 0.025) if rng.random() < (0.5 if hard else 0.2) else 0.0,
        ground_colour=colour.astype(np.float32),
        optics_um=0.21 * 0.55 / APERTURES[usual] * float(rng.uniform(1, 1.25)),
        defocus_um=float(rng.uniform(0, 1.0)) * ease,
        tilt_um=float(rng.uniform(0, 1.3)) * ease * (rng.random() < 0.7),
        bow_um=float(rng.uniform(-0.8, 0.8)) * ease * (rng.random() < 0.5),
        top_light=bool(hard and rng.random() < 0.3),
        dim=bool(rng.random() < (0.4 if hard else 0.08)),
        round_view=bool(rng.random() < (0.08 if good else 0.22)),
        things=_number_of_things(rng, preset, shape[0] * shape[1] * um_per_px**2 / 1e6),
    )

"""How much of what lies in one photo, by preset."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.collage import backdrop
from sporecount.simulate.collage.things import PAINTERS

PRESETS = ("ordinary", "good_focus", "hard", "no_spores", "heavy", "scan_4x")

_MIDDLE_PER_MM2 = {
    "droplet": 30.0,
    "bubble": 22.0,
    "shard": 70.0,
    "clod": 22.0,
    "speck": 45.0,
    "pollen": 9.0,
    "mould": 14.0,
    "ink": 5.0,
    "big_oval": 12.0,
    "slender": 30.0,
    "square": 16.0,
    "oval_bubble": 22.0,
    "ring": 14.0,
    "conidia": 20.0,
    "yellow_drop": 14.0,
    "oval_pollen": 14.0,
    "flake": 24.0,
    "piece": 70.0,
    "hair": 14.0,
    "fibre": 9.0,
}
"""Middle densities, set by eye; names of painters, and of pieces and strands."""


@dataclass(frozen=True)
class Recipe:
    """One photo's ingredients; densities per mm², scales as a share of the view.

    Parameters
    ----------
    um_per_px, objective : float
    from_below : bool
    backdrop : str
    texture : float
        Spread of the background's texture in display values.
    things : dict
        Density by name.
    scale_share : float
    spores_per_mm2 : float
    single_share, clump_mean, overlap, heaped, on_scale_share, under_share : float
        See `spores.place`; the last is the share of spores that lie beneath other things.
    alike : float
        Share of look-alikes that are rendered as the spores are.
    """

    um_per_px: float
    objective: float
    from_below: bool
    backdrop: str
    texture: float
    things: dict[str, float]
    scale_share: float
    spores_per_mm2: float
    single_share: float
    clump_mean: float
    overlap: float
    heaped: float
    on_scale_share: float
    under_share: float
    alike: float


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly in the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def random_recipe(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> Recipe:
    """Draw a recipe; a scale or objective that is given is kept.

    Raises
    ------
    ValueError
        For an unknown preset or a scale out of range.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}; got {preset!r}")
    um_per_px, objective = _scale(rng, preset, um_per_px, objective)
    hard, good, heavy = preset == "hard", preset == "good_focus", preset == "heavy"
    load = _load(rng, preset)
    none = load == 0.0
    plenty = 2.2 if none else {"hard": 1.4, "good_focus": 0.7}.get(preset, 1.0)
    clean = 0.12 if rng.random() < (0.08 if none else 0.15) else 1.0
    often = 0.8 if none else 0.5
    things = {
        name: middle * plenty * clean * float(np.exp(rng.normal(0, 0.9))) * float(rng.random() < often)
        for name, middle in _MIDDLE_PER_MM2.items()
    }
    if rng.random() < (0.4 if none else 0.18):
        mass = str(rng.choice(list(PAINTERS)))
        things[mass] += _MIDDLE_PER_MM2[mass] * rng.uniform(3, 10)
    texture = log_uniform(rng, 0.004, 0.05) * (1.7 if hard else 0.6 if good else 1.0)
    return Recipe(
        um_per_px=um_per_px,
        objective=objective,
        from_below=bool(rng.random() < 0.7),
        backdrop=str(rng.choice(backdrop.BACKDROPS, p=[0.14, 0.14, 0.16, 0.14, 0.2, 0.08, 0.14])),
        texture=texture,
        things=things,
        scale_share=float(
            rng.choice([0.0, rng.uniform(0.01, 0.15), rng.uniform(0.1, 0.55)], p=[0.2, 0.45, 0.35])
        ),
        spores_per_mm2=load,
        single_share=float(rng.uniform(0.05, 0.6) if heavy else rng.uniform(0.3, 1.0)),
        clump_mean=log_uniform(rng, 2.2, 12.0) * (1.6 if heavy else 1.0),
        overlap=float(rng.choice([0.02, rng.uniform(0.0, 0.4)])),
        heaped=float(rng.uniform(0.02, 0.4)) if rng.random() < (0.4 if heavy else 0.1) else 0.0,
        on_scale_share=float(rng.uniform(0.0, 0.7)),
        under_share=float(rng.choice([0.0, rng.uniform(0.0, 0.35)])),
        alike=float(rng.uniform(0.2, 0.8)),
    )


def _scale(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> tuple[float, float]:
    if um_per_px is not None and not 0.05 <= um_per_px <= 5.0:
        raise ValueError(f"um_per_px must lie between 0.05 and 5 µm; got {um_per_px}")
    if objective is None and um_per_px is None:
        usual, shares = ([4.0, 5.0], [0.75, 0.25])
        if preset != "scan_4x":
            usual, shares = ([10.0, 20.0, 40.0, 5.0], [0.82, 0.07, 0.06, 0.05])
        objective = float(rng.choice(usual, p=shares))
    if um_per_px is None:
        assert objective is not None
        um_per_px = float(
            np.clip(log_uniform(rng, 3.2, 11.0 if objective >= 8 else 9.0) / objective, 0.1, 2.3)
        )
    if objective is None:
        common = np.array([4.0, 10.0, 20.0, 40.0])
        objective = float(common[np.abs(np.log(6.0 / common / um_per_px)).argmin()])
    return um_per_px, objective


def _load(rng: np.random.Generator, preset: str) -> float:
    if preset == "no_spores":
        return 0.0
    if preset == "scan_4x":
        return float(rng.choice([0.0, log_uniform(rng, 2, 30), log_uniform(rng, 30, 700)], p=[0.2, 0.3, 0.5]))
    if preset == "ordinary" and rng.random() < 0.05:
        return 0.0
    low, high = {"good_focus": (25, 700), "hard": (60, 1800), "heavy": (1200, 5000)}.get(preset, (30, 1600))
    return log_uniform(rng, low, high)

"""What one photo of the relief style is to be: scale, light, ground, focus and how much lies about."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

PRESETS = ("ordinary", "good_focus", "hard", "no_spores", "heavy", "scan_4x")

_UM_PER_PX = {4.0: (1.1, 2.4), 10.0: (0.38, 1.1), 20.0: (0.22, 0.6), 40.0: (0.11, 0.34)}
_SHARP_UM = {4.0: (1.0, 1.6), 10.0: (0.4, 0.9), 20.0: (0.3, 0.6), 40.0: (0.18, 0.4)}
_DEFOCUS_UM = {
    "ordinary": (0.15, 2.2),
    "good_focus": (0.05, 0.5),
    "hard": (0.5, 3.4),
    "no_spores": (0.1, 2.4),
    "heavy": (0.1, 1.6),
    "scan_4x": (0.2, 1.8),
}
_SPORES_PER_MM2 = {
    "ordinary": (20.0, 700.0),
    "good_focus": (30.0, 900.0),
    "hard": (40.0, 1600.0),
    "heavy": (1200.0, 5000.0),
    "scan_4x": (5.0, 900.0),
}
_MESS = {
    "ordinary": (0.3, 1.2),
    "good_focus": (0.1, 0.8),
    "hard": (0.9, 2.4),
    "no_spores": (1.0, 3.2),
    "heavy": (0.2, 1.0),
    "scan_4x": (0.2, 1.0),
}


@dataclass(frozen=True)
class Recipe:
    """One photo's plan.

    Parameters
    ----------
    um_per_px, objective : float
    light : str
        "below", "above" or "dark": oblique light on a dark ground.
    sharp_um, defocus_um : float
        Standard deviations of the blur: of the optics in focus, and of typical defocus.
    spores_per_mm2 : float
    mess : float
        How much else lies about and how rough the ground is; 1 is usual.
    """

    preset: str
    um_per_px: float
    objective: float
    light: str
    sharp_um: float
    defocus_um: float
    spores_per_mm2: float
    mess: float


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a number whose logarithm is evenly spread."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def random_recipe(
    rng: np.random.Generator, preset: str, um_per_px: float | None, objective: float | None
) -> Recipe:
    """Plan a photo.

    Raises
    ------
    ValueError
        For an unknown preset, or a scale or objective out of range.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}; got {preset!r}")
    if um_per_px is not None and not 0.05 <= um_per_px <= 5:
        raise ValueError(f"um_per_px must lie between 0.05 and 5; got {um_per_px}")
    if objective is not None and not 1 <= objective <= 200:
        raise ValueError(f"objective must lie between 1 and 200; got {objective}")
    known = np.array(list(_UM_PER_PX))
    if objective is None:
        if um_per_px is not None:
            middles = np.array([np.sqrt(low * high) for low, high in _UM_PER_PX.values()])
            objective = float(known[np.abs(np.log(middles / um_per_px)).argmin()])
        else:
            objective = 4.0 if preset == "scan_4x" else float(rng.choice(known[1:], p=(0.6, 0.18, 0.22)))
    near = float(known[np.abs(np.log(known / objective)).argmin()])
    drawn = log_uniform(rng, *_UM_PER_PX[near]) * near / objective
    dark, above = rng.random(2)
    return Recipe(
        preset=preset,
        um_per_px=float(np.clip(drawn, 0.05, 5.0)) if um_per_px is None else float(um_per_px),
        objective=float(objective),
        light="dark" if dark < 0.05 else "above" if above < 0.4 else "below",
        sharp_um=float(rng.uniform(*_SHARP_UM[near])),
        defocus_um=log_uniform(rng, *_DEFOCUS_UM[preset]),
        spores_per_mm2=0.0 if preset == "no_spores" else log_uniform(rng, *_SPORES_PER_MM2[preset]),
        mess=log_uniform(rng, *_MESS[preset]),
    )

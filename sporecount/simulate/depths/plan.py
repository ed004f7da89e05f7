"""What one photo will hold: scale, focus, light and how many of each thing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Rng = np.random.Generator
PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
UM_PER_PX = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
OBJECTIVE_BLUR_UM = {4.0: (1.1, 1.6), 10.0: (0.45, 0.8), 20.0: (0.35, 0.6), 40.0: (0.25, 0.5)}
"""Blur of a phone at the eyepiece, in focus; the Airy core alone has about 0.21 wavelength / NA."""

# Things per mm2 of an ordinary print; the preset's factor and chance of the single photo multiply it.
PER_MM2 = {"scale": 14.0, "piece": 40.0, "dust": 90.0, "droplet": 14.0, "pollen": 2.5, "mould": 5.0}
PER_MM2 |= {"bubble": 14.0, "hair": 4.0, "fibre": 4.0}
DIRT = {"good_focus": 0.6, "ordinary": 1.0, "hard": 2.2, "no_spores": 2.2, "heavy": 1.0, "scan_4x": 0.5}
DEFOCUS_UM = {"good_focus": 0.5, "ordinary": 1.5, "hard": 2.4, "no_spores": 1.5, "heavy": 1.0, "scan_4x": 1.2}
TILT_UM = {"good_focus": 0.35, "ordinary": 1.2, "hard": 2.2, "no_spores": 1.0, "heavy": 0.8, "scan_4x": 0.8}
MOST_COVER = 0.42
"""Spores fill at most this share of a heavy view, or nobody could follow an outline."""


@dataclass(frozen=True)
class Plan:
    """What is fixed for a photo before anything is drawn; blur as a standard deviation."""

    preset: str
    um_per_px: float
    objective: float
    objective_blur_um: float
    defocus_um: float
    tilt_um: float
    from_above: bool
    dim: bool
    ground: str
    glue: float
    spores: int
    clumped: float
    beneath: float
    things: dict[str, int]


def _spore_number(rng: Rng, preset: str, area_um2: float, pixels: int) -> int:
    if preset == "no_spores":
        return 0
    room = area_um2 / 80  # spores that would fill the view
    if preset == "good_focus":
        return int(np.clip(np.exp(rng.uniform(np.log(5), np.log(81))), 5, 80))
    if preset == "ordinary":
        number = 0 if rng.random() < 0.12 else int(np.exp(rng.uniform(0, np.log(151))))
        return min(number, max(3, int(0.2 * room)))
    if preset == "hard":
        return min(int(rng.integers(5, 160)), max(5, int(0.25 * room)))
    if preset == "scan_4x" and rng.random() < 0.5:
        return int(rng.integers(0, 9))
    if preset == "scan_4x":  # a small view cannot hold a heavy field in full
        return min(int(np.exp(rng.uniform(np.log(155), np.log(1500)))), max(9, int(0.25 * room)))
    wanted = 1e-6 * pixels * np.exp(rng.uniform(np.log(300), np.log(2000)))
    return int(np.ceil(max(302e-6 * pixels, min(wanted, MOST_COVER * room))))


def draw_plan(
    rng: Rng, shape: tuple[int, int], um_per_px: float | None, objective: float | None, preset: str
) -> Plan:
    """Draw the plan of a photo of `shape`; scale and objective are kept where given.

    Raises
    ------
    ValueError
        For a preset that there is not, or a scale that is not a positive number.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if um_per_px is not None and not 0 < um_per_px < np.inf:
        raise ValueError(f"um_per_px must be a positive number, got {um_per_px}")
    if objective is None:
        objective = 4.0 if preset == "scan_4x" else 10.0
        if preset in ("ordinary", "hard", "no_spores"):
            objective = float(rng.choice([10.0, 20.0, 40.0], p=[0.6, 0.25, 0.15]))
    known = min(UM_PER_PX, key=lambda power: abs(np.log(power / objective)))
    if um_per_px is None:
        um_per_px = float(np.exp(rng.uniform(*np.log(UM_PER_PX[known]))))
    pixels = shape[0] * shape[1]
    area_um2 = pixels * um_per_px**2
    dirt = DIRT[preset] * np.exp(rng.normal(0, 0.35))
    things = {}
    for name, per_mm2 in PER_MM2.items():
        # What lies on a print differs from print to print far more than chance alone.
        mean = per_mm2 * dirt * np.exp(rng.normal(0, 0.7)) * area_um2 * 1e-6
        if preset == "no_spores" and name not in ("scale", "hair", "fibre"):
            mean = 4.0 + 1.3 * mean
        things[name] = min(int(rng.poisson(mean)), 260)
    if preset == "hard":
        things["fibre"] += int(rng.integers(1, 5))
    clumped = {"heavy": (0.45, 0.85), "hard": (0.2, 0.7), "scan_4x": (0.1, 0.5)}.get(preset, (0.0, 0.3))
    from_above = bool(rng.random() < {"hard": 0.4, "ordinary": 0.1}.get(preset, 0.04))
    dim = bool(rng.random() < (0.4 if preset == "hard" else 0.06))
    # At high power people focus on the spores, and what is far off is in another photo.
    lens = {40.0: 0.6, 20.0: 0.8}.get(known, 1.0)
    defocus_um = lens * DEFOCUS_UM[preset] * rng.uniform(0, 1) * rng.choice([-1, 1])
    if preset == "hard":
        defocus_um += 0.3 * np.sign(defocus_um)
    tilt_um = lens * abs(rng.normal(0, TILT_UM[preset])) * (rng.random() < 0.7)
    ground = str(rng.choice(["glass", "paper", "card"], p=[0.5, 0.25, 0.25]))
    glue = float(rng.uniform(0.5, 1.3) if preset == "hard" else rng.beta(1.2, 3.0))
    spores = _spore_number(rng, preset, area_um2, pixels)
    blur_um, share, beneath = (float(rng.uniform(*e)) for e in (OBJECTIVE_BLUR_UM[known], clumped, (0, 0.3)))
    first = (preset, float(um_per_px), float(objective), blur_um, float(defocus_um), float(tilt_um))
    return Plan(*first, from_above, dim, ground, glue, spores, share, beneath, things)
